package rules

import "ductledger/domain"

var trunkSeamInReach = Rule{
	Key: "trunk_seam_in_reach", Title: "A hand opening seals the seam in reach",
	Why:      "The arm is in the trunk already; the seam beside it leaks, and nobody opens the trunk for it again.",
	Judged:   "Where the crew opened a trunk by hand, a seam of that trunk was sealed, or the trunk was found tight.",
	None:     "the crew opened no trunk",
	Fix:      "Seal the seam that can be reached through the opening.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Hand opening in trunk A, seam of trunk A sealed.",
		Broken: "Hand opening in trunk A, no seam sealed.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.In != domain.InDuct {
				continue
			}
			p := c.on(o.Subject())
			switch {
			case o.Record.Section == "":
				p.lack("its section")
			case !c.job.seamSealed(o.Record.Section):
				p.fault("no seam of trunk ", string(o.Record.Section), " was sealed through it")
			}
			p.done()
		}
	},
}

// seamSealed tells whether a seam of the trunk in a section was sealed, or
// the trunk was found tight.
func (a *Assembled) seamSealed(section domain.Section) bool {
	for _, part := range a.Components {
		if part.Record.Component != domain.Trunk || part.Record.Section != section {
			continue
		}
		if part.Record.Found == domain.FoundTight {
			return true
		}
		for r := range a.repairsOf(part.ID) {
			if r.Record.Repair == domain.RepairTrunkSeam {
				return true
			}
		}
	}
	return false
}
