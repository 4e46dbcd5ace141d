package performance

import (
	"cmp"
	"math"
	"slices"
)

// workCounts are what is counted of some jobs.
type workCounts struct {
	assigned, accepted, sent, first, mustFix, notRecorded int
	calledBack, judged, notMeasurable, cuts, cutHomes     int
	deferred                                              map[string]int
	seconds                                               order // from assignment to acceptance
	retests                                               sums  // crew's reading as before, inspector's as after
}

func (c *workCounts) add(w *Work) {
	c.assigned++
	if w.Deferred != "" {
		if c.deferred == nil {
			c.deferred = map[string]int{}
		}
		c.deferred[w.Deferred]++
	}
	if w.SentIn > 0 {
		c.sent++
		c.mustFix += w.FirstMustFix
		c.notRecorded += w.FirstNotRecorded
	}
	if !w.AcceptedAt.IsZero() {
		c.accepted++
		c.seconds = append(c.seconds, w.seconds())
		if w.SentIn == 1 {
			c.first++
		}
		if w.CalledBack {
			c.calledBack++
		}
	}
	if w.Judged {
		c.judged++
		if !w.Measurable {
			c.notMeasurable++
		}
	}
	if w.CrewAfter != nil && w.InspectorAfter != nil {
		j := Job{BeforeTenths: w.CrewAfter, AfterTenths: w.InspectorAfter}
		x, y := j.logs()
		c.retests.add(&j, x, y)
	}
	if w.StrayCuts != nil {
		c.cutHomes++
		c.cuts += *w.StrayCuts
	}
}

func (c *workCounts) picture(tables *tables) (Picture, error) {
	p := Picture{
		AssignedCount: c.assigned, AcceptedCount: c.accepted, Deferred: []LeftOut{},
		SentInCount: c.sent, StrayCutCount: c.cuts, StrayCutHomes: c.cutHomes,
		MustFixPerJob: per(c.mustFix, c.sent), NotRecordedPerJob: per(c.notRecorded, c.sent),
		StrayCutsPerHome: per(c.cuts, c.cutHomes),
	}
	for reason, n := range c.deferred {
		p.Deferred = append(p.Deferred, LeftOut{reason, n})
	}
	slices.SortFunc(p.Deferred, func(a, b LeftOut) int { return cmp.Compare(a.Reason, b.Reason) })
	var err error
	for _, r := range []struct {
		to       *Rate
		count, n int
	}{
		{&p.AcceptedAtFirst, c.first, c.accepted},
		{&p.CallBacks, c.calledBack, c.accepted},
		{&p.NotMeasurable, c.notMeasurable, c.judged},
	} {
		if *r.to, err = rateOf(r.count, r.n); err != nil {
			return p, err
		}
	}
	p.DaysToAcceptance = daysOf(c.seconds.sorted())
	p.InspectorOverCrew, err = retestOf(&c.retests, tables)
	return p, err
}

// per is count for each of n, null for none.
func per(count, n int) *float64 {
	if n == 0 {
		return nil
	}
	return ptr(float64(count) / float64(n))
}

// daysOf gives the median and the middle half, type 7.
func daysOf(seconds order) Days {
	d := Days{N: len(seconds)}
	if d.N == 0 {
		d.Reason = NoJobs
		return d
	}
	points := seconds.middleHalf(func(s int32) float64 { return float64(s) / (24 * 60 * 60) })
	d.MiddleLow, d.Median, d.MiddleHigh = points[0], points[1], points[2]
	return d
}

// retestOf is exp of the mean log ratio with its t interval, from 3 homes.
func retestOf(s *sums, tables *tables) (Retest, error) {
	r := Retest{N: int(s.n)}
	if s.n == 0 {
		r.Reason = NoJobs
		return r, nil
	}
	n := float64(s.n)
	mean := -s.d.logs() / n
	r.Ratio = ptr(math.Exp(mean))
	if s.n < minForT {
		r.IntervalReason = TooFewJobs
		return r, nil
	}
	sd := math.Sqrt(centered(s.n, s.dd, s.d, s.d) / (n - 1))
	if sd <= zeroSD {
		r.IntervalReason = ZeroVariance
		return r, nil
	}
	t, err := tables.t(s.n - 1)
	if err != nil {
		return r, err
	}
	half := t * sd / math.Sqrt(n)
	r.Low, r.High = ptr(math.Exp(mean-half)), ptr(math.Exp(mean+half))
	r.Interval, r.Level = IntervalT, ptr(Level)
	return r, nil
}
