package performance

import (
	"iter"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Picture is how a contractor works. Every rate stands with its interval,
// none of them says how much leakage went.
type Picture struct {
	ContractorID *domain.UUID `json:"contractor_id,omitempty"` // absent for the programme
	Name         string       `json:"name,omitempty"`

	AssignedCount int       `json:"assigned_count"`
	AcceptedCount int       `json:"accepted_count"`
	Deferred      []LeftOut `json:"deferred"` // by reason, alphabetical

	DaysToAcceptance Days `json:"days_to_acceptance"`

	AcceptedAtFirst   Rate     `json:"accepted_at_first_sending"`
	MustFixPerJob     *float64 `json:"must_fix_per_job_ratio,omitempty"`     // at the first sending
	NotRecordedPerJob *float64 `json:"not_recorded_per_job_ratio,omitempty"` // at the first sending
	SentInCount       int      `json:"sent_in_count"`
	CallBacks         Rate     `json:"call_backs"`
	NotMeasurable     Rate     `json:"without_measurable_reduction"`

	InspectorOverCrew Retest   `json:"inspector_over_crew"`
	StrayCutCount     int      `json:"stray_cut_count"`
	StrayCutHomes     int      `json:"stray_cut_homes_count"` // homes in which it was judged
	StrayCutsPerHome  *float64 `json:"stray_cuts_per_home_ratio,omitempty"`

	Rules []BrokenRule `json:"rules,omitempty"` // of a contractor
}

// Days is the time from assignment to acceptance in days of 24 h, quantiles of
// type 7. Source: Hyndman & Fan (1996) [mem].
type Days struct {
	N          int      `json:"n"`
	Median     *float64 `json:"median_days,omitempty"`
	MiddleLow  *float64 `json:"p25_days,omitempty"`
	MiddleHigh *float64 `json:"p75_days,omitempty"`
	Reason     string   `json:"reason,omitempty"`
}

// A Retest compares the inspector's reading after with the crew's in the same
// homes: the geometric mean ratio, above 1 where the inspector finds more.
//
//	d = ln(inspector/crew)    ratio e^d̄    limits e^(d̄ ∓ t(n−1)·s_d/√n)
//
// From 3 homes, no unit. Source: Student's t on logarithms [calc].
type Retest struct {
	N              int      `json:"n"`
	Ratio          *float64 `json:"ratio,omitempty"`
	Low            *float64 `json:"ratio_low,omitempty"`
	High           *float64 `json:"ratio_high,omitempty"`
	Interval       string   `json:"interval,omitempty"`
	Level          *float64 `json:"level_ratio,omitempty"`
	Reason         string   `json:"reason,omitempty"`
	IntervalReason string   `json:"interval_reason,omitempty"`
}

// Pictures are the programme's picture and every contractor's, alphabetically.
type Pictures struct {
	MethodVersion string    `json:"method_version"`
	Program       Picture   `json:"program"`
	Contractors   []Picture `json:"contractors"`
}

// PicturesOf makes the pictures. Every contractor of names has one. A job that
// comes twice with the same content counts once. Rates are fractions, times days
// of 24 h, readings tenths of cfm25.
//
// Refused: two rows of one job that differ, counts below 0, acceptance before
// assignment, a reading not above 0 or beyond MaxTenths, more broken than judged,
// a contractor and rule twice.
// Source: at Rate, Days and Retest; which rules are listed, Benjamini & Hochberg
// (1995) [pub] over Fisher's exact test [mem].
func PicturesOf(work []Work, rules []RuleCount, names map[domain.UUID]string) (Pictures, error) {
	sorted := slices.Clone(work)
	slices.SortStableFunc(sorted, func(a, b Work) int { return a.JobID.Compare(b.JobID) })
	return PicturesStream(func(yield func(Work, error) bool) {
		for _, w := range sorted {
			if !yield(w, nil) {
				return
			}
		}
	}, rules, names)
}

// PicturesStream is PicturesOf of jobs that come one by one, by ascending id.
// Refused: as by PicturesOf. Source: as there [pub].
func PicturesStream(work iter.Seq2[Work, error], rules []RuleCount, names map[domain.UUID]string) (Pictures, error) {
	broken, err := brokenRules(rules)
	if err != nil {
		return Pictures{}, err
	}
	all, byContractor := &workCounts{}, map[domain.UUID]*workCounts{}
	for id := range names {
		byContractor[id] = &workCounts{}
	}
	for id := range broken {
		byContractor[id] = &workCounts{}
	}
	var last *Work
	for w, err := range work {
		if err != nil {
			return Pictures{}, err
		}
		if last != nil && w.JobID == last.JobID {
			if w.same(last) {
				continue
			}
			return Pictures{}, stat.Refuse(stat.NotSorted, "/jobs/"+w.JobID.String(), "give each job once", "job %s comes twice and differs", w.JobID)
		}
		if err := w.check(); err != nil {
			return Pictures{}, err
		}
		if byContractor[w.ContractorID] == nil {
			byContractor[w.ContractorID] = &workCounts{}
		}
		all.add(&w)
		byContractor[w.ContractorID].add(&w)
		last = &w
	}
	p := Pictures{MethodVersion: MethodVersion, Contractors: make([]Picture, 0, len(byContractor))}
	quantiles := tTable{}
	if p.Program, err = all.picture(quantiles); err != nil {
		return Pictures{}, err
	}
	ids := make([]domain.UUID, 0, len(byContractor))
	for id := range byContractor {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, domain.UUID.Compare)
	for _, id := range ids {
		one, err := byContractor[id].picture(quantiles)
		if err != nil {
			return Pictures{}, err
		}
		one.ContractorID, one.Name, one.Rules = &id, names[id], broken[id]
		p.Contractors = append(p.Contractors, one)
	}
	slices.SortStableFunc(p.Contractors, func(a, b Picture) int { return byName(a.Name, b.Name) })
	return p, nil
}
