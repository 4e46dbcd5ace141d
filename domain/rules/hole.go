package rules

import "ductledger/domain"

var trunkSealed = Rule{
	Key: "trunk_sealed", Title: "Each trunk is sealed or was tight",
	Why:      "A seam or a hole in the trunk loses what the whole section should get.",
	Judged:   "Each trunk was found tight, or a repair covers it. One that was found holed has its holes on record, which are judged one by one. One out of reach, with a reason, is for a reviewer.",
	None:     "no trunk is recorded",
	Fix:      "Seal it where it leaks.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Trunk B found tight.",
		Broken: "Trunk B found leaky, and nothing repairs it.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		for _, t := range c.job.Components {
			if t.Record.Component != domain.Trunk {
				continue
			}
			p := c.on(t.Subject())
			if t.Record.Found != domain.FoundHoled || c.job.repaired(t.ID) {
				c.sealed(&p, t)
			} else if !c.job.holed(t.Record.Section) {
				p.lack("its holes, each as an opening")
			}
			p.done()
		}
	},
}

// holed tells whether a hole that was found in the ducts of a section is on
// record.
func (a *Assembled) holed(section domain.Section) bool {
	for _, o := range a.Openings {
		if o.Record.In == domain.InDuct && o.Record.Origin != domain.ByCrew && o.Record.Section == section {
			return true
		}
	}
	return false
}

var holeInDuctSealed = Rule{
	Key: "hole_in_duct_sealed", Title: "A hole found in a duct is sealed",
	Why:      "Air does not ask who made the hole.",
	Judged:   "Each hole that was found in a duct has a time at which it was closed. One out of reach, with a reason and a photo, is for a reviewer. Wrap that was found open is exempt.",
	None:     "no hole was found in a duct",
	Fix:      "Seal it as you would your own cut: patch, mastic under and over.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "A hole of a pipe fitter in trunk A, patched at 11:40.",
		Broken: "The same hole, left open.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InDuct || o.Record.Made() {
				continue
			}
			p := c.on(o.Subject())
			switch {
			case o.Record.ClosedAt != nil:
			case o.Record.Closure != nil:
				p.lack("when it was closed")
			case o.Record.NotReachedReason == "":
				p.fault("it is still open")
			case !c.job.photographed(o.ID):
				p.lackPhoto("why it could not be reached")
			default:
				p.forReviewer("could not be reached; a reason and a photo are recorded")
			}
			p.done()
		}
	},
}
