package performance

import (
	"math"
	"slices"

	"ductledger/domain/stat"
)

// An order gives exact order statistics of whole numbers that come one by one,
// in memory that does not grow with them. It counts them in bins: one for each
// value near the ranks that are wanted, wide ones far from them. Where a rank
// has wandered into a wide bin in the end, the numbers are read again, and what
// lies in that bin is counted in bins of its own. Numbers that come in no
// particular order need one reading; a steady drift may need more.
// Source: Munro, Paterson, Theoretical Computer Science 12 (1980) 315 [mem].
type order struct {
	bins  []bin // ascending; no value is in two
	n     int64
	most  int    // bins, when none is opened
	marks []mark // ranks that are wanted
	wide  bool   // some bin holds several values
	open  []opened
}

// A bin counts the values from low to high.
type bin struct{ low, high, count int32 }

// A mark is a rank that is wanted of n values: about share·n + root·√n.
type mark struct{ share, root float64 }

// An opened bin is counted again.
type opened struct {
	at     int // of the order's bins
	within order
}

// Bins for one contractor, for all together, and for one opened bin; with one
// more they fill what is allocated. The median's interval is two ranks some √n
// apart: 255 bins hold its surroundings up to about 1,600 values that all
// differ, and readings of so many homes repeat.
const (
	groupBins = 255
	wholeBins = 1023
	openBins  = 63
)

// The median with its interval; that and the middle half.
var (
	middle   = []mark{{0.5, -0.98}, {0.5, 0}, {0.5, 0.98}}
	quarters = []mark{{0.25, 0}, {0.5, -0.98}, {0.5, 0}, {0.5, 0.98}, {0.75, 0}}
)

func (o *order) add(v int32) {
	o.n++
	i, after := 0, len(o.bins) // the first bin that ends at v or beyond
	for i < after {
		if half := (i + after) / 2; o.bins[half].high < v {
			i = half + 1
		} else {
			after = half
		}
	}
	if i < len(o.bins) && o.bins[i].low <= v {
		o.bins[i].count++
		return
	}
	o.bins = slices.Insert(o.bins, i, bin{v, v, 1})
	if len(o.bins) > o.most {
		o.coarsen()
	}
}

// coarsen joins neighboring bins far from the marks.
func (o *order) coarsen() {
	o.wide = true
	for keep := o.most * 3 / 4; len(o.bins) > o.most; keep /= 2 {
		far := make([]float64, len(o.bins))
		first := int64(0)
		for i, b := range o.bins {
			far[i] = o.distance(first, first+int64(b.count)-1)
			first += int64(b.count)
		}
		sorted := slices.Sorted(slices.Values(far))
		joined, before := o.bins[:0], false
		for i, b := range o.bins {
			beyond := far[i] > sorted[keep]
			if last := len(joined) - 1; beyond && before {
				joined[last].high, joined[last].count = b.high, joined[last].count+b.count
			} else {
				joined = append(joined, b)
			}
			before = beyond
		}
		o.bins = joined
	}
}

// distance of the ranks from first to last to the nearest mark.
func (o *order) distance(first, last int64) float64 {
	nearest, n := math.Inf(1), float64(o.n)
	for _, m := range o.marks {
		rank := float64(m.share*n) + float64(m.root*math.Sqrt(n))
		nearest = min(nearest, max(0, float64(first)-rank, rank-float64(last)))
	}
	return nearest
}

// merge adds p.
func (o *order) merge(p *order) {
	bins := make([]bin, 0, len(o.bins)+len(p.bins))
	for a, b := o.bins, p.bins; len(a)+len(b) > 0; {
		if len(a) == 0 || len(b) > 0 && b[0].low < a[0].low {
			a, b = b, a
		}
		last := len(bins) - 1
		if last >= 0 && a[0].low <= bins[last].high {
			bins[last].high, bins[last].count = max(bins[last].high, a[0].high), bins[last].count+a[0].count
		} else {
			bins = append(bins, a[0])
		}
		a = a[1:]
	}
	o.bins, o.n, o.wide = bins, o.n+p.n, true
	if len(o.bins) > o.most {
		o.coarsen()
	}
}

// seek opens the bins in which ranks lie and is false when each of them holds
// one value only. All values are in, so bins between those ranks are joined.
func (o *order) seek(ranks ...int64) bool {
	if !o.wide {
		return false
	}
	ranks = slices.Compact(slices.Sorted(slices.Values(ranks)))
	o.joinBetween(ranks)
	for _, rank := range ranks {
		i, first := o.find(rank)
		b := o.bins[i]
		if b.low == b.high {
			continue
		}
		m := mark{share: (float64(rank-first) + 0.5) / float64(b.count)}
		if last := len(o.open) - 1; last >= 0 && o.open[last].at == i {
			o.open[last].within.marks = append(o.open[last].within.marks, m)
			continue
		}
		o.open = append(o.open, opened{i, order{most: openBins, marks: []mark{m}}})
	}
	return len(o.open) > 0
}

func (o *order) joinBetween(ranks []int64) {
	var joined []bin
	first, wanted := int64(0), true
	for _, b := range o.bins {
		before := wanted
		i, found := slices.BinarySearch(ranks, first)
		wanted = found || i < len(ranks) && ranks[i] < first+int64(b.count)
		first += int64(b.count)
		if last := len(joined) - 1; !before && !wanted {
			joined[last].high, joined[last].count = b.high, joined[last].count+b.count
		} else {
			joined = append(joined, b)
		}
	}
	o.bins = joined
}

// again counts a value that is read again.
func (o *order) again(v int32) {
	for i := range o.open {
		if b := o.bins[o.open[i].at]; b.low <= v && v <= b.high {
			o.open[i].within.add(v)
		}
	}
}

// close puts what was counted again in the place of the opened bins.
func (o *order) close() error {
	slices.SortFunc(o.open, func(a, b opened) int { return b.at - a.at }) // from the last, which moves no other
	for _, x := range o.open {
		if want := o.bins[x.at].count; x.within.n != int64(want) {
			return stat.Refuse(stat.NotComplete, "/jobs", "read the same jobs again", "%d values were %d at the first reading", x.within.n, want)
		}
		o.bins = slices.Replace(o.bins, x.at, x.at+1, x.within.bins...)
	}
	o.open = nil
	return nil
}

// find is the bin of a rank, 0 for the smallest, below n, and the rank with
// which it begins.
func (o *order) find(rank int64) (i int, first int64) {
	for ; rank >= first+int64(o.bins[i].count); i++ {
		first += int64(o.bins[i].count)
	}
	return i, first
}

// at is the value of a rank. Refused: a rank that has to be sought first.
func (o *order) at(rank int64) (int32, error) {
	i, _ := o.find(rank)
	if b := o.bins[i]; b.low != b.high {
		return 0, stat.Refuse(stat.NotComplete, "/jobs", "read the jobs again", "rank %d lies between %d and %d", rank, b.low, b.high)
	}
	return o.bins[i].low, nil
}

// quarterRanks are the ranks, from 0, that the middle half and the median of n
// values are made of.
func quarterRanks(n int64) (ranks []int64) {
	for _, p := range [...]float64{0.25, 0.5, 0.75} {
		if j, part := stat.QuantileRank(int(n), p); part == 0 {
			ranks = append(ranks, int64(j))
		} else {
			ranks = append(ranks, int64(j), int64(j)+1)
		}
	}
	return ranks
}

// quantile is the type-7 p-quantile of the values in the unit that of gives.
func (o *order) quantile(p float64, of func(int32) float64) (float64, error) {
	j, part := stat.QuantileRank(int(o.n), p)
	low, err := o.at(int64(j))
	if err != nil || part == 0 {
		return of(low), err
	}
	high, err := o.at(int64(j) + 1)
	return of(low) + float64(part*(of(high)-of(low))), err
}

// middleHalf gives the quarter points and the median between them.
func (o *order) middleHalf(of func(int32) float64) (points [3]*float64, err error) {
	for i, p := range [...]float64{0.25, 0.5, 0.75} {
		v, err := o.quantile(p, of)
		if err != nil {
			return points, err
		}
		points[i] = &v
	}
	return points, nil
}

// between are the values of a rank from below and from above, both from 1.
func (o *order) between(rank int64) (low, high int32, err error) {
	if low, err = o.at(rank - 1); err != nil {
		return 0, 0, err
	}
	high, err = o.at(o.n - rank)
	return low, high, err
}
