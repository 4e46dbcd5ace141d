package performance

import (
	"math"
	"slices"

	"ductledger/domain"
)

// A group is what is kept of the jobs of one contractor, class or crew lead.
type group struct {
	jobs, shared int
	leftOut      [reasonCount]int

	kept       sums // jobs that count
	questioned sums // those of them that a screen asks about
	set        sums // excluded by a person, though their readings would do

	pairs []uint64      // of kept: before in the high half, after in the low, tenths of cfm25
	homes []domain.UUID // of kept, at most leastHomes of them
	first [2][2]int64   // before and after of the first two of kept
}

// add counts a job for the figures of a quantity; x and y are the logarithms of its readings where it has them.
func (g *group) add(j *Job, of domain.Quantity, x, y int64) {
	g.jobs++
	if j.Shared {
		g.shared++
	}
	why := j.reasonOf(of)
	if why != used {
		g.leftOut[why]++
		if why == excluded && j.readingsReason(of) == used {
			g.set.add(j, x, y)
		}
		return
	}
	if g.kept.n < 2 {
		g.first[g.kept.n] = [2]int64{*j.BeforeTenths, *j.AfterTenths}
	}
	g.kept.add(j, x, y)
	if j.Questioned {
		g.questioned.add(j, x, y)
	}
	g.meet(j.HomeID)
	g.pairs = append(g.pairs, uint64(*j.BeforeTenths)<<32|uint64(*j.AfterTenths))
}

func (g *group) merge(o *group) {
	g.jobs += o.jobs
	g.shared += o.shared
	for i, n := range o.leftOut {
		g.leftOut[i] += n
	}
	for i := int64(0); i < o.kept.n && g.kept.n+i < 2; i++ {
		g.first[g.kept.n+i] = o.first[i]
	}
	g.kept.merge(&o.kept, 1)
	g.questioned.merge(&o.questioned, 1)
	g.set.merge(&o.set, 1)
	g.pairs = append(g.pairs, o.pairs...)
	for _, id := range o.homes {
		g.meet(id)
	}
}

// meet keeps the first few homes apart, to know whether there are as many.
func (g *group) meet(home domain.UUID) {
	if len(g.homes) < leastHomes && !slices.Contains(g.homes, home) {
		g.homes = append(g.homes, home)
	}
}

// sums are the exact sums over usable jobs. P and Q are the readings before
// and after in tenths, d = ln P − ln Q in steps.
type sums struct {
	n                        int64
	before, after            int64 // ΣP, ΣQ
	bb                       wide  // ΣP²
	d, dd                    wide  // Σd, Σd²
	extrapolated, belowRange int64
	beforeBelow, afterBelow  int64
	area                     areaSums
}

// areaSums are the sums over those jobs whose floor area is known.
type areaSums struct {
	n             int64
	before, after int64 // tenths of cfm25
	hundredths    int64 // of ft²
}

// add takes a job with both readings above 0, x and y their logarithms.
func (s *sums) add(j *Job, x, y int64) {
	p, q, d := *j.BeforeTenths, *j.AfterTenths, x-y
	one := sums{n: 1, before: p, after: q,
		bb: product(p, p),
		d:  wideOf(d), dd: product(d, d)}
	if j.Extrapolated {
		one.extrapolated = 1
	}
	if j.BeforeBelowRange {
		one.beforeBelow = 1
	}
	if j.AfterBelowRange {
		one.afterBelow = 1
	}
	if j.BeforeBelowRange || j.AfterBelowRange {
		one.belowRange = 1
	}
	if j.AreaFt2 != nil {
		one.area = areaSums{1, p, q, int64(math.RoundToEven(*j.AreaFt2 * 100))}
	}
	s.merge(&one, 1)
}

// merge adds o, or with sign −1 takes away what is part of s.
func (s *sums) merge(o *sums, sign int64) {
	s.n += sign * o.n
	s.before += sign * o.before
	s.after += sign * o.after
	for _, w := range [...]struct {
		to   *wide
		from wide
	}{{&s.bb, o.bb}, {&s.d, o.d}, {&s.dd, o.dd}} {
		if sign > 0 {
			w.to.add(w.from)
		} else {
			w.to.sub(w.from)
		}
	}
	s.extrapolated += sign * o.extrapolated
	s.belowRange += sign * o.belowRange
	s.beforeBelow += sign * o.beforeBelow
	s.afterBelow += sign * o.afterBelow
	s.area.n += sign * o.area.n
	s.area.before += sign * o.area.before
	s.area.after += sign * o.area.after
	s.area.hundredths += sign * o.area.hundredths
}

// befores and afters are the readings of kept in order, for the medians; the
// first needs the pairs to be sorted.
func (g *group) befores() order {
	o := make(order, len(g.pairs))
	for i, pair := range g.pairs {
		o[i] = int32(pair >> 32)
	}
	return o
}

func (g *group) afters() order {
	o := make(order, len(g.pairs))
	for i, pair := range g.pairs {
		o[i] = int32(uint32(pair))
	}
	return o.sorted()
}
