package rules

import (
	"slices"

	"ductledger/domain"
)

// Finding is one thing about a job that somebody must know of. It is known by
// its rule and its subjects: so a waiver, an answer or a reply names it.
type Finding struct {
	Rule string `json:"rule"`
	// broken or not_recorded.
	Outcome Outcome `json:"outcome"`
	// must_fix, check or note.
	Severity Severity `json:"severity"`
	// on_site, return_visit, office or none.
	Cure     Cure             `json:"cure"`
	Subjects []domain.Subject `json:"subjects"`
	// What was found with values and limits.
	Detail string `json:"detail"`
	// Why it matters.
	Why string `json:"why"`
	// What to do about it; absent where nothing on record can cure it.
	Fix string `json:"fix"`
	// Where the work can hurt.
	Caution string `json:"caution,omitzero"`
	// The limits that were applied.
	Parameters map[string]float64 `json:"parameters,omitzero"`
}

// Is tells whether ref names this finding, in whatever order its subjects.
func (f *Finding) Is(ref domain.FindingRef) bool {
	if f.Rule != ref.Rule || len(f.Subjects) != len(ref.Subjects) {
		return false
	}
	for _, s := range f.Subjects {
		if !slices.Contains(ref.Subjects, s) {
			return false
		}
	}
	return true
}

// Ref is how a record names the finding.
func (f *Finding) Ref() domain.FindingRef {
	return domain.FindingRef{Rule: f.Rule, Subjects: slices.Clone(f.Subjects)}
}

// Counts are the findings of one job by what they mean. The first three count
// what is broken; what is not recorded counts in the last only.
type Counts struct {
	MustFix     int `json:"must_fix_count"`
	Check       int `json:"check_count"`
	Note        int `json:"note_count"`
	NotRecorded int `json:"not_recorded_count"`
}

// Outcomes counts what one rule said about the subjects of a job.
type Outcomes struct {
	Holds         int `json:"holds,omitzero"`
	Broken        int `json:"broken,omitzero"`
	NotRecorded   int `json:"not_recorded,omitzero"`
	NotApplicable int `json:"not_applicable,omitzero"`
	NotJudged     int `json:"not_judged,omitzero"`
	Waived        int `json:"waived,omitzero"`
}

// RuleOutcomes is the tally of one rule.
type RuleOutcomes struct {
	Rule     string   `json:"rule"`
	Outcomes Outcomes `json:"outcomes"`
	Because  []string `json:"because,omitzero"` // the facts that make it not apply
}

// Verdict is what the rules make of a job.
type Verdict struct {
	Findings []Finding      `json:"findings"`
	Rules    []RuleOutcomes `json:"rules"`
	Counts   Counts         `json:"counts"`
}

// Open gives the findings that stop an acceptance: what must be fixed, what
// blocks because it is not recorded, and each check that no review answers.
func (v *Verdict) Open(reviews []Of[domain.Review]) []Finding {
	var open []Finding
	for _, f := range v.Findings {
		answered := slices.ContainsFunc(reviews, func(r Of[domain.Review]) bool {
			return r.Record.Decision == domain.Answer && r.Record.Finding != nil && f.Is(*r.Record.Finding)
		})
		if f.Severity == MustFix || f.Severity == Check && !answered {
			open = append(open, f)
		}
	}
	return open
}

// Of gives the tally of one rule; zero for a rule that is off or unknown.
func (v *Verdict) Of(rule string) RuleOutcomes {
	for _, r := range v.Rules {
		if r.Rule == rule {
			return r
		}
	}
	return RuleOutcomes{}
}
