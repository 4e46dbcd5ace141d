package performance

import (
	"cmp"
	"slices"
)

// readings are tenths of cfm25 with repeats, for order statistics. Equal ones
// are counted, not kept: memory grows with the different readings that a
// gauge can show, not with the jobs.
type readings struct {
	values []int64 // different ones, ascending
	counts []int64 // of each
	recent []int64 // not yet among them
	n      int64
}

// fewRecent is how many readings wait at least before they are counted in.
const fewRecent = 256

func (r *readings) add(tenths int64) {
	r.recent = append(r.recent, tenths)
	r.n++
	if len(r.recent) >= max(fewRecent, len(r.values)) {
		r.settle()
	}
}

// settle counts the recent readings in.
func (r *readings) settle() {
	if len(r.recent) == 0 {
		return
	}
	slices.Sort(r.recent)
	o := readings{values: make([]int64, 0, len(r.recent)), counts: make([]int64, 0, len(r.recent))}
	for i, v := range r.recent {
		if i == 0 || v != r.recent[i-1] {
			o.values, o.counts = append(o.values, v), append(o.counts, 0)
		}
		o.counts[len(o.counts)-1]++
	}
	r.recent = r.recent[:0]
	r.join(&o)
}

// merge adds o, which is settled by it.
func (r *readings) merge(o *readings) {
	r.settle()
	o.settle()
	r.join(o)
	r.n += o.n
}

// join merges two ascending lists.
func (r *readings) join(o *readings) {
	if len(r.values) == 0 {
		r.values, r.counts = o.values, o.counts // neither is ever changed in place
		return
	}
	values := make([]int64, 0, len(r.values)+len(o.values))
	counts := make([]int64, 0, cap(values))
	for i, j := 0, 0; i < len(r.values) || j < len(o.values); {
		var order int
		switch {
		case j == len(o.values):
			order = -1
		case i == len(r.values):
			order = 1
		default:
			order = cmp.Compare(r.values[i], o.values[j])
		}
		v, n := int64(0), int64(0)
		if order <= 0 {
			v, n = r.values[i], r.counts[i]
			i++
		}
		if order >= 0 {
			v = o.values[j]
			n += o.counts[j]
			j++
		}
		values, counts = append(values, v), append(counts, n)
	}
	r.values, r.counts = values, counts
}

// at is the reading of a rank, 0 for the smallest, below n.
func (r *readings) at(rank int64) int64 {
	r.settle()
	for i, n := range r.counts {
		if rank < n {
			return r.values[i]
		}
		rank -= n
	}
	return r.values[len(r.values)-1]
}
