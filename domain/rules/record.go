package rules

import (
	"iter"
	"slices"
	"strings"

	"ductledger/domain"
)

var replacedTwice = Rule{
	Key: "replaced_twice", Title: "One record is corrected once",
	Why:      "Two corrections of one reading cannot both be right, and nothing is computed from either.",
	Judged:   "No two measurements or photos in force replace the same one.",
	None:     "nothing was corrected",
	Fix:      "Void the wrong one, or correct it with a new record that replaces it.",
	Severity: MustFix, Missing: Silent, Cure: Office,
	Source: "how the service keeps corrections",
	Example: Example{
		Holds:  "The reading of 15:05 replaces the one of 14:50.",
		Broken: "The readings of 15:05 and 15:10 both replace the one of 14:50.",
	},
	check: func(c *check) {
		for _, d := range c.job.Disputed {
			subjects := make([]domain.Subject, len(d.By))
			for i, e := range d.By {
				subjects[i] = domain.Subject{Kind: d.Kind, ID: e.ID}
			}
			p := c.onAll(subjects...)
			p.fault("both replace the ", c.job.nameOf(domain.Subject{Kind: d.Kind, ID: d.Replaced}))
			p.done()
		}
		for _, m := range c.job.Measurements {
			if m.Record.Replaces != nil {
				c.holds()
			}
		}
		for _, m := range c.job.Photos {
			if m.Record.Replaces != nil {
				c.holds()
			}
		}
	},
}

var parentNotVoided = Rule{
	Key: "parent_not_voided", Title: "No record rests on a voided one",
	Why:      "A repair of a part that was voided covers nothing.",
	Judged:   "No record of the job refers to a record that was voided; replacing a voided one is fine.",
	None:     "nothing was voided",
	Fix:      "Name the record that stands for the voided one, or void this one too.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: "how the service keeps voided records",
	Example: Example{
		Holds:  "Boot A5 was described twice, one voided; the repair names the other.",
		Broken: "The repair still names the voided one.",
	},
	check: func(c *check) {
		if len(c.job.Voided) == 0 {
			return
		}
		for e := range c.job.entries() {
			p := c.on(domain.Subject{Kind: e.Record.Kind(), ID: e.ID})
			for _, ref := range e.Record.Refs() {
				if !strings.HasSuffix(ref.Pointer, "/replaces") && c.job.voided(domain.Subject{Kind: ref.Kind, ID: ref.ID}) {
					p.fault("it refers to ", c.job.nameOf(domain.Subject{Kind: ref.Kind, ID: ref.ID}), ", which was voided")
				}
			}
			p.done()
		}
	},
}

// voided tells whether a record that something names was voided.
func (a *Assembled) voided(s domain.Subject) bool {
	return slices.ContainsFunc(a.Voided, func(e *domain.Entry) bool { return e.ID == s.ID && e.Record.Kind() == s.Kind })
}

// entries yields the crew's records that count, in a fixed order.
func (a *Assembled) entries() iter.Seq[*domain.Entry] {
	return func(yield func(*domain.Entry) bool) {
		_ = each(a.Visits, yield) && each(a.Components, yield) && each(a.Crossovers, yield) &&
			each(a.Openings, yield) && each(a.Repairs, yield) && each(a.Isolations, yield) &&
			each(a.Measurements, yield) && each(a.Photos, yield)
	}
}

func each[T any](list []Of[T], yield func(*domain.Entry) bool) bool {
	for _, o := range list {
		if !yield(o.Entry) {
			return false
		}
	}
	return true
}
