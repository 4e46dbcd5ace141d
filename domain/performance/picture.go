package performance

import (
	"iter"

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
// From 3 homes, no unit. Source: Student's t on logarithms [calc].
type Retest struct {
	N     int      `json:"n"`
	Ratio *float64 `json:"ratio,omitempty"`
	Low   *float64 `json:"ratio_low,omitempty"`
	High  *float64 `json:"ratio_high,omitempty"`
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
