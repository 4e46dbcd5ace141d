package rules

import (
	"iter"
	"slices"
	"time"

	"ductledger/domain"
)

var surveyBeforeCutting = Rule{
	Key: "survey_before_cutting", Title: "Look inside before you cut",
	Why:      "Each cut in the wrap is a hole to close again; a look through the registers tells where to cut.",
	Judged:   "For each trunk in whose section the crew opened anything: enough boots have a survey photo both ways that is older than the first opening there.",
	None:     "the crew opened nothing",
	Severity: Check, Missing: Asks, Cure: NoCure, Hazard: CrawlSpace,
	Parameters: []Parameter{{"boots_count", "boots", 2, 1, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Boots A2 and A5 photographed both ways at 08:40, first opening in section A at 09:45.",
		Broken: "Only boot A2 photographed before the first opening in section A.",
	},
	check: func(c *check) {
		for _, t := range c.job.Components {
			if t.Record.Component != domain.Trunk || !c.job.openedIn(t.Record.Section) {
				continue
			}
			c.survey(t)
		}
	},
}

// survey judges the look into one trunk before the first opening below it.
func (c *check) survey(trunk Of[domain.Component]) {
	first := c.job.firstOpening(trunk.Record.Section)
	boots, looked, late := 0, 0, 0
	for _, b := range c.job.Components {
		if b.Record.Component != domain.Boot || b.Record.Section != trunk.Record.Section {
			continue
		}
		boots += b.Record.Parts()
		for at := range c.job.looks(b) {
			if first == nil || at.Before(*first) {
				looked++
			} else {
				late++
			}
		}
	}
	asked := min(int(c.limit("boots_count")), boots)
	p := c.on(trunk.Subject())
	switch {
	case boots == 0:
		p.lack("its boots")
	case looked+late == 0:
		p.lack("a look into ", count(asked), " of its boots, both ways, before the first opening")
	case looked < asked:
		p.fault("boots looked into both ways before the first opening: ", count(looked), "; the program wants ", count(asked))
	case first == nil || c.job.untimed(trunk.Record.Section):
		p.lack("when the first opening was made")
	}
	p.done()
}

// looks yields when survey photos showed each boot of a record both ways. A
// photo of a statement that names no number shows one of its boots.
func (a *Assembled) looks(boot Of[domain.Component]) iter.Seq[time.Time] {
	return func(yield func(time.Time) bool) {
		for i := range boot.Record.Numbers {
			if at, seen := a.lookedInto(boot.ID, &boot.Record.Numbers[i]); seen && !yield(at) {
				return
			}
		}
		if at, seen := a.lookedInto(boot.ID, nil); seen {
			yield(at)
		}
	}
}

// lookedInto tells whether survey photos show a boot both ways, and when the
// later of them was taken.
func (a *Assembled) lookedInto(boot domain.UUID, number *int) (at time.Time, seen bool) {
	var front, rear time.Time
	for photo, s := range a.photosOf(boot) {
		if photo.Record.Stage != domain.SurveyStage || !equal(s.Number, number) {
			continue
		}
		t := photo.Record.TakenAt
		switch s.Shows {
		case domain.ShowsBothWays:
			if !seen || t.Before(at) {
				at, seen = t, true
			}
		case domain.ShowsFront:
			front = t
		case domain.ShowsRear:
			rear = t
		}
	}
	if !seen && !front.IsZero() && !rear.IsZero() {
		at, seen = front, true
		if rear.After(front) {
			at = rear
		}
	}
	return at, seen
}

func (a *Assembled) openedIn(section domain.Section) bool {
	for _, o := range a.Openings {
		if o.Record.Made() && o.Record.Section == section {
			return true
		}
	}
	return false
}

// untimed tells whether an opening of the crew in a section has no time: it may
// have been the first.
func (a *Assembled) untimed(section domain.Section) bool {
	return slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool {
		return o.Record.Made() && o.Record.Section == section && o.Record.MadeAt == nil
	})
}

// firstOpening is when the crew first opened anything in a section; nil when
// no opening there has a time.
func (a *Assembled) firstOpening(section domain.Section) *time.Time {
	var first *time.Time
	for _, o := range a.Openings {
		if at := o.Record.MadeAt; o.Record.Made() && o.Record.Section == section && at != nil && (first == nil || at.Before(*first)) {
			first = at
		}
	}
	return first
}
