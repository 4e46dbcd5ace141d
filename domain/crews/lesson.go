package crews

import (
	"cmp"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Home is one accepted job in which rules of a lesson were judged.
type Home struct {
	JobID  domain.UUID
	LeadID domain.UUID
	On     domain.Date     // of its acceptance
	Broken map[string]bool // by rule that was judged
}

// WindowHomes are the homes before and after a lesson that are compared. Common
// practice, without a source [cp].
const WindowHomes = 10

// leastHomes are needed of the crew on both sides of a lesson.
const leastHomes = 3

// Sides are homes with a broken rule of a lesson, of those in which one was judged.
type Sides struct {
	BeforeCount       int `json:"before_count"`
	BeforeBrokenCount int `json:"before_broken_count"`
	AfterCount        int `json:"after_count"`
	AfterBrokenCount  int `json:"after_broken_count"`
}

// LessonShown is what a comparison shows.
type LessonShown string

// What the interval of a lesson's change says.
const (
	Fewer    LessonShown = "fewer"     // faults than without the lesson: the interval lies below 0
	More     LessonShown = "more"      // the interval lies above 0
	NotShown LessonShown = "not_shown" // the interval holds 0: these homes cannot tell
)

// Effect is the crew before and after its lesson, beside the crews that had none of it.
type Effect struct {
	Own    Sides `json:"own"`
	Others Sides `json:"others"`
	// The crew's change in the share of homes less that of the others; below 0: fewer faults.
	Change     *float64 `json:"change_ratio,omitempty"`
	ChangeLow  *float64 `json:"change_ratio_low,omitempty"`
	ChangeHigh *float64 `json:"change_ratio_high,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// What that shows.
	Shown LessonShown `json:"shown,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

// Why there is no change.
const (
	FewHomes = "too_few_homes" // of the crew before or after
	NoOthers = "no_other_crew" // with a home in the same weeks
	NoRules  = "no_rules"      // the lesson names none
)

// A Lesson is one crew lead's, on one day, about some rules.
type Lesson struct {
	LeadID domain.UUID
	On     domain.Date
	Rules  []string
}

// EffectOf compares the last WindowHomes homes of the crew before its lesson and the
// first after it with the homes that crews without a lesson of these rules did in the same
// weeks. A home on the day of the lesson stands on neither side.
//
// It refuses nothing: too few homes are a reason. Source: package comment [calc].
func EffectOf(l Lesson, homes []Home, taught func(lead domain.UUID) bool) (e Effect, err error) {
	if len(l.Rules) == 0 {
		e.Reason = NoRules
		return e, nil
	}
	judged := slices.DeleteFunc(slices.Clone(homes), func(h Home) bool { _, any := l.in(&h); return !any || h.On == l.On })
	slices.SortFunc(judged, func(a, b Home) int { return cmp.Or(cmp.Compare(a.On, b.On), a.JobID.Compare(b.JobID)) })
	var before, after []Home
	for _, h := range judged {
		switch {
		case h.LeadID != l.LeadID:
		case h.On < l.On:
			before = append(before, h)
		case len(after) < WindowHomes:
			after = append(after, h)
		}
	}
	before = before[max(0, len(before)-WindowHomes):]
	e.Own.BeforeCount, e.Own.BeforeBrokenCount = l.count(before)
	e.Own.AfterCount, e.Own.AfterBrokenCount = l.count(after)
	if len(before) < leastHomes || len(after) < leastHomes {
		e.Reason = FewHomes
		return e, nil
	}
	first, last := before[0].On, after[len(after)-1].On
	var theirs, theirsAfter []Home
	for _, h := range judged {
		switch {
		case h.LeadID == l.LeadID || h.On < first || h.On > last || taught(h.LeadID):
		case h.On < l.On:
			theirs = append(theirs, h)
		default:
			theirsAfter = append(theirsAfter, h)
		}
	}
	e.Others.BeforeCount, e.Others.BeforeBrokenCount = l.count(theirs)
	e.Others.AfterCount, e.Others.AfterBrokenCount = l.count(theirsAfter)
	if len(theirs) == 0 || len(theirsAfter) == 0 {
		e.Reason = NoOthers
		return e, nil
	}
	change, limits, err := stat.RateContrast([]stat.RateTerm{
		{Sign: 1, Count: e.Own.AfterBrokenCount, N: e.Own.AfterCount}, {Sign: -1, Count: e.Own.BeforeBrokenCount, N: e.Own.BeforeCount},
		{Sign: -1, Count: e.Others.AfterBrokenCount, N: e.Others.AfterCount}, {Sign: 1, Count: e.Others.BeforeBrokenCount, N: e.Others.BeforeCount},
	}, level)
	if err != nil {
		return e, err
	}
	e.Change, e.ChangeLow, e.ChangeHigh, e.Level, e.Shown = &change, &limits.Low, &limits.High, new(level), NotShown
	switch {
	case limits.High < 0:
		e.Shown = Fewer
	case limits.Low > 0:
		e.Shown = More
	}
	return e, nil
}

// in tells whether one of the lesson's rules was broken in a home, and whether any was judged.
func (l *Lesson) in(h *Home) (broken, judged bool) {
	for _, rule := range l.Rules {
		b, known := h.Broken[rule]
		broken, judged = broken || b, judged || known
	}
	return broken, judged
}

func (l *Lesson) count(homes []Home) (n, broken int) {
	for i := range homes {
		if b, _ := l.in(&homes[i]); b {
			broken++
		}
	}
	return len(homes), broken
}
