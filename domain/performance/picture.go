package performance

import (
	"cmp"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Picture is how a contractor works. Every rate stands with its interval,
// none of them says how much leakage went.
type Picture struct {
	// Absent for the program.
	ContractorID *domain.UUID `json:"contractor_id,omitempty"`
	// Filled by the caller.
	Name string `json:"name,omitempty"`

	AssignedCount int `json:"assigned_count"`
	AcceptedCount int `json:"accepted_count"`
	// By reason, alphabetical.
	Deferred []LeftOut `json:"deferred"`

	DaysToAcceptance Days `json:"days_to_acceptance"`

	AcceptedAtFirst Rate `json:"accepted_at_first_sending"`
	// At the first sending.
	MustFixPerJob *float64 `json:"must_fix_per_job_ratio,omitempty"`
	// At the first sending.
	NotRecordedPerJob *float64 `json:"not_recorded_per_job_ratio,omitempty"`
	SentInCount       int      `json:"sent_in_count"`
	CallBacks         Rate     `json:"call_backs"`
	NotMeasurable     Rate     `json:"without_measurable_reduction"`

	InspectorOverCrew Retest `json:"inspector_over_crew"`
	StrayCutCount     int    `json:"stray_cut_count"`
	// Homes in which it was judged.
	StrayCutHomes    int      `json:"stray_cut_homes_count"`
	StrayCutsPerHome *float64 `json:"stray_cuts_per_home_ratio,omitempty"`

	// Of a contractor.
	Rules []BrokenRule `json:"rules,omitempty"`
}

// Days is the time from assignment to acceptance in days of 24 h, from whole
// seconds, quantiles of type 7. Source: Hyndman & Fan (1996) [mem].
type Days struct {
	N          int      `json:"n"`
	Median     *float64 `json:"median_days,omitempty"`
	MiddleLow  *float64 `json:"p25_days,omitempty"`
	MiddleHigh *float64 `json:"p75_days,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

// A Retest compares the inspector's reading after with the crew's in the same
// homes: the geometric mean ratio, above 1 where the inspector finds more.
//
//	d = ln(inspector/crew)    ratio e^d̄    limits e^(d̄ ∓ t(n−1)·s_d/√n)
//
// From 3 homes, no unit. Where homes go together, s_d² is larger by what runs add
// to it, and n − 1 is of runs. Source: Student's t on logarithms [calc].
type Retest struct {
	N int `json:"n"`
	// What the interval rests on: homes that go together, of one park or else one crew's week, are taken to be alike and
	// count as one.
	IndependentCount int      `json:"independent_count"`
	Ratio            *float64 `json:"ratio,omitempty"`
	Low              *float64 `json:"ratio_low,omitempty"`
	High             *float64 `json:"ratio_high,omitempty"`
	// How the interval was made: t, t_pooled, range of two jobs, order_statistic, normal.
	Interval string `json:"interval,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason string `json:"interval_reason,omitempty"`
}

// Pictures paints the program's picture and one contractor's from the jobs
// assigned in the period, which come by ascending id. A job that comes twice with the same content counts once. Rules are
// those of all contractors; see brokenRules.
//
// Refused: jobs not in order, two rows of one job that differ, counts below 0,
// acceptance before assignment, a reading not above 0 or beyond MaxTenths, and
// what brokenRules refuses. Rates are fractions, readings tenths of cfm25.
// Source: at Rate, Days and Retest; which rules are listed, Benjamini & Hochberg
// (1995) [pub] over Fisher's exact test [mem].
func Pictures(work iter.Seq2[Work, error], rules []RuleCount, contractor domain.UUID) (program, own Picture, err error) {
	broken, err := brokenRules(rules)
	if err != nil {
		return program, own, err
	}
	var all, his workCounts
	if err := countWork(work, &all, &his, contractor); err != nil {
		return program, own, err
	}
	tables := newTables()
	if program, err = all.picture(tables); err != nil {
		return program, own, err
	}
	if own, err = his.picture(tables); err != nil {
		return program, own, err
	}
	own.ContractorID, own.Rules = &contractor, broken[contractor]
	return program, own, own.within(&program)
}

// within sets the limits of the rates around the program's.
func (p *Picture) within(program *Picture) error {
	for _, r := range [...][2]*Rate{
		{&p.AcceptedAtFirst, &program.AcceptedAtFirst}, {&p.CallBacks, &program.CallBacks}, {&p.NotMeasurable, &program.NotMeasurable},
	} {
		if err := r[0].within(r[1]); err != nil {
			return err
		}
	}
	return nil
}

// countWork counts all jobs and one contractor's.
func countWork(work iter.Seq2[Work, error], all, his *workCounts, contractor domain.UUID) error {
	var last Work
	for w, err := range work {
		if err != nil {
			return err
		}
		switch w.JobID.Compare(last.JobID) {
		case 0:
			if w.same(&last) {
				continue
			}
			return stat.Refuse(stat.NotSorted, "/jobs/"+w.JobID.String(), "give each job once", "job %s comes twice and differs", w.JobID)
		case -1:
			return stat.Refuse(stat.NotSorted, "/jobs/"+w.JobID.String(), "order the jobs by id", "job %s comes after %s", w.JobID, last.JobID)
		}
		last = w
		if err := w.check(); err != nil {
			return err
		}
		all.add(&w)
		if w.ContractorID == contractor {
			his.add(&w)
		}
	}
	return nil
}

// Work is one job assigned in the period, whatever its pay basis: what the
// rest of a contractor's picture is made of.
type Work struct {
	JobID            domain.UUID
	ContractorID     domain.UUID
	Deferred         string // the reason; empty when the job is not deferred
	AssignedAt       time.Time
	AcceptedAt       time.Time // zero when not accepted
	SentIn           int       // how often it was sent in
	FirstMustFix     int       // findings at the first sending
	FirstNotRecorded int
	CalledBack       bool   // the resident or an inspector asked for a return
	Judged           bool   // both readings and their uncertainty are known
	Measurable       bool   // with Judged: the reduction is beyond that uncertainty
	Together         uint64 // as of Job
	CrewAfter        *int64
	InspectorAfter   *int64 // tenths of cfm25, as CrewAfter
	StrayCuts        *int   // openings without a part near them; nil when nobody judged it
}

func (w *Work) check() error {
	at := func(field string) string { return "/jobs/" + w.JobID.String() + "/" + field }
	cuts := 0
	if w.StrayCuts != nil {
		cuts = *w.StrayCuts
	}
	for _, c := range []struct {
		name  string
		value int
	}{{"sent_in_count", w.SentIn}, {"must_fix_count", w.FirstMustFix}, {"not_recorded_count", w.FirstNotRecorded}, {"stray_cut_count", cuts}} {
		if c.value < 0 {
			return stat.Refuse(stat.Negative, at(c.name), "", "%d is less than 0", c.value)
		}
	}
	if !w.AcceptedAt.IsZero() && w.AcceptedAt.Before(w.AssignedAt) {
		return stat.Refuse(stat.OutOfRange, at("accepted_at"), "", "accepted at %s, before it was assigned at %s",
			w.AcceptedAt.Format(time.RFC3339), w.AssignedAt.Format(time.RFC3339))
	}
	if !w.AcceptedAt.IsZero() && w.AcceptedAt.Sub(w.AssignedAt) > mostSeconds*time.Second {
		return stat.Refuse(stat.OutOfRange, at("accepted_at"), "", "accepted at %s, more than 68 years after %s",
			w.AcceptedAt.Format(time.RFC3339), w.AssignedAt.Format(time.RFC3339))
	}
	for _, t := range []*int64{w.CrewAfter, w.InspectorAfter} {
		if t != nil && (*t <= 0 || *t > MaxTenths) {
			return stat.Refuse(stat.OutOfRange, at("after_cfm25"), "", "%d is outside 1 to %d tenths of cfm25", *t, MaxTenths)
		}
	}
	return nil
}

// seconds is the time from assignment to acceptance, at most the longest that
// check lets pass.
func (w *Work) seconds() int32 {
	return int32(w.AcceptedAt.Sub(w.AssignedAt).Round(time.Second) / time.Second)
}

// mostSeconds is the longest time taken from assignment to acceptance, 68 years.
const mostSeconds = math.MaxInt32

// same tells whether two rows say the same of one job.
func (w *Work) same(o *Work) bool {
	a, b := *w, *o
	if !a.AssignedAt.Equal(b.AssignedAt) || !a.AcceptedAt.Equal(b.AcceptedAt) || !equal(a.CrewAfter, b.CrewAfter) ||
		!equal(a.InspectorAfter, b.InspectorAfter) || !equal(a.StrayCuts, b.StrayCuts) {
		return false
	}
	for _, x := range []*Work{&a, &b} {
		x.AssignedAt, x.AcceptedAt, x.CrewAfter, x.InspectorAfter, x.StrayCuts = time.Time{}, time.Time{}, nil, nil, nil
	}
	return a == b
}

// workCounts are what is counted of some jobs.
type workCounts struct {
	assigned, accepted, sent, first, mustFix, notRecorded int
	calledBack, judged, notMeasurable, cuts, cutHomes     int
	deferred                                              map[string]int
	seconds                                               order // from assignment to acceptance
	retests                                               sums  // crew's reading as before, inspector's as after
	ratios                                                []runValue
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
		c.ratios = append(c.ratios, runValue{w.Together, math.Ldexp(float64(y-x), -logBits)})
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
	p.InspectorOverCrew, err = retestOf(&c.retests, c.ratios, tables)
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
func retestOf(s *sums, ratios []runValue, tables *tables) (Retest, error) {
	design, independent := designOf(ratios)
	r := Retest{N: int(s.n), IndependentCount: independent}
	if s.n == 0 {
		r.Reason = NoJobs
		return r, nil
	}
	n := float64(s.n)
	mean := -s.d.logs() / n
	r.Ratio = ptr(math.Exp(mean))
	sd := math.Sqrt(centered(s.n, s.dd, s.d, s.d) / (n - 1) * design)
	switch {
	case s.n < minForT:
		r.IntervalReason = TooFewJobs
		return r, nil
	case independent < 2:
		r.IntervalReason = OneRun
		return r, nil
	case sd <= zeroSD:
		r.IntervalReason = ZeroVariance
		return r, nil
	}
	t, err := tables.t(int64(independent - 1))
	if err != nil {
		return r, err
	}
	half := t * sd / math.Sqrt(n)
	r.Low, r.High = ptr(math.Exp(mean-half)), ptr(math.Exp(mean+half))
	r.Interval, r.Level = IntervalT, ptr(Level)
	return r, nil
}

// A Rate is a share of jobs, as a fraction, with two intervals: Wilson's to look
// at, Clopper and Pearson's where a consequence follows from it.
// Source: methods 3 and 5 of Newcombe (1998) [pub].
type Rate struct {
	Count     int      `json:"count"`
	N         int      `json:"n"`
	Ratio     *float64 `json:"ratio,omitempty"`
	Low       *float64 `json:"ratio_low,omitempty"`
	High      *float64 `json:"ratio_high,omitempty"`
	ExactLow  *float64 `json:"ratio_exact_low,omitempty"`
	ExactHigh *float64 `json:"ratio_exact_high,omitempty"`
	Level     *float64 `json:"level_ratio,omitempty"`
	// Why the rate is absent.
	Reason string `json:"reason,omitempty"`

	// Of a contractor: the funnel, exact limits of chance around the program's rate at this number of jobs. Absent where
	// the program's rate is none or all.
	WatchLow  *float64 `json:"limit_95_ratio_low,omitempty"`
	WatchHigh *float64 `json:"limit_95_ratio_high,omitempty"`
	OuterLow  *float64 `json:"limit_998_ratio_low,omitempty"`
	OuterHigh *float64 `json:"limit_998_ratio_high,omitempty"`
}

// within sets the exact limits around the program's rate.
func (r *Rate) within(program *Rate) error {
	if r.N == 0 || program.Count == 0 || program.Count == program.N {
		return nil
	}
	target := float64(program.Count) / float64(program.N)
	inner, err := stat.FunnelRate(target, r.N, watchLevel)
	if err != nil {
		return err
	}
	outer, err := stat.FunnelRate(target, r.N, reviewLevel)
	r.WatchLow, r.WatchHigh = &inner.Low, &inner.High
	r.OuterLow, r.OuterHigh = &outer.Low, &outer.High
	return err
}

// rateOf is count of n; a single job has a rate with a very wide interval,
// none has no rate.
func rateOf(count, n int) (Rate, error) {
	r := Rate{Count: count, N: n}
	if n == 0 {
		r.Reason = NoJobs
		return r, nil
	}
	wilson, err := stat.Wilson(count, n, Level)
	if err != nil {
		return r, err
	}
	exact, err := stat.ClopperPearson(count, n, Level)
	if err != nil {
		return r, err
	}
	r.Ratio, r.Level = ptr(float64(count)/float64(n)), ptr(Level)
	r.Low, r.High = &wilson.Low, &wilson.High
	r.ExactLow, r.ExactHigh = &exact.Low, &exact.High
	return r, nil
}

// A RuleCount is how often one rule was judged in one contractor's jobs, and
// how often it was broken.
type RuleCount struct {
	ContractorID domain.UUID
	Rule         string
	Judged       int
	Broken       int
}

// A BrokenRule is a rule that a contractor broke, beside what the program's
// rate would have given for as many judgments.
type BrokenRule struct {
	Rule string `json:"rule"`
	// Homes.
	JudgedCount int `json:"judged_count"`
	// Homes; a waived finding was broken too.
	BrokenCount   int     `json:"broken_count"`
	BrokenRatio   float64 `json:"broken_ratio"`
	ProgramRatio  float64 `json:"program_broken_ratio"`
	ExpectedCount float64 `json:"expected_count"`
	// Broken / expected, from 1 expected on.
	OverExpected *float64 `json:"over_expected_ratio,omitempty"`
	OverLow      *float64 `json:"over_expected_ratio_low,omitempty"`
	OverHigh     *float64 `json:"over_expected_ratio_high,omitempty"`
	// More often than the program, after false-discovery control over every contractor and rule of the answer.
	Listed bool `json:"listed"`
}

// brokenRules gives, by contractor, the broken rules, the most often broken
// first, then by name. Whether one is listed rests on the exact probability of
// so many or more broken ones among the contractor's judgments, given the
// program's totals, under Benjamini-Hochberg at listQ.
//
// Refused: counts below 0, more broken than judged, a contractor and rule twice.
func brokenRules(counts []RuleCount) (map[domain.UUID][]BrokenRule, error) {
	sorted := slices.Clone(counts)
	slices.SortFunc(sorted, func(a, b RuleCount) int {
		return cmp.Or(strings.Compare(a.Rule, b.Rule), a.ContractorID.Compare(b.ContractorID))
	})
	totals := map[string]RuleCount{}
	for i, c := range sorted {
		switch {
		case c.Broken < 0 || c.Judged < c.Broken:
			return nil, stat.Refuse(stat.OutOfRange, "/broken_count", "", "rule %s of contractor %s: %d broken of %d judged", c.Rule, c.ContractorID, c.Broken, c.Judged)
		case i > 0 && sorted[i-1].Rule == c.Rule && sorted[i-1].ContractorID == c.ContractorID:
			return nil, stat.Refuse(stat.NotSorted, "/rules", "add the counts up", "rule %s of contractor %s comes twice", c.Rule, c.ContractorID)
		}
		sum := totals[c.Rule]
		sum.Judged += c.Judged
		sum.Broken += c.Broken
		totals[c.Rule] = sum
	}
	chances := make([]float64, len(sorted))
	for i, c := range sorted {
		all := totals[c.Rule]
		chances[i] = stat.HypergeometricTail(c.Broken, c.Judged, all.Broken, all.Judged)
	}
	listed, err := stat.BenjaminiHochberg(chances, listQ)
	if err != nil {
		return nil, err
	}
	byContractor := map[domain.UUID][]BrokenRule{}
	for i, c := range sorted {
		if c.Broken == 0 {
			continue
		}
		all := totals[c.Rule]
		b := BrokenRule{
			Rule: c.Rule, JudgedCount: c.Judged, BrokenCount: c.Broken,
			BrokenRatio:  float64(c.Broken) / float64(c.Judged),
			ProgramRatio: float64(all.Broken) / float64(all.Judged),
			Listed:       listed[i],
		}
		b.ExpectedCount = float64(c.Judged) * float64(all.Broken) / float64(all.Judged)
		if b.ExpectedCount >= stat.MinExpected {
			limits, err := stat.ObservedOverExpected(c.Broken, b.ExpectedCount, Level)
			if err != nil {
				return nil, err
			}
			b.OverExpected = ptr(float64(c.Broken) / b.ExpectedCount)
			b.OverLow, b.OverHigh = &limits.Low, &limits.High
		}
		byContractor[c.ContractorID] = append(byContractor[c.ContractorID], b)
	}
	for _, rules := range byContractor {
		slices.SortStableFunc(rules, func(a, b BrokenRule) int { return cmp.Compare(b.BrokenCount, a.BrokenCount) })
	}
	return byContractor, nil
}
