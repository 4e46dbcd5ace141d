package rules

import (
	"slices"

	"ductledger/domain"
)

var wrapCutRecorded = Rule{
	Key: "wrap_cut_recorded", Title: "The way through the wrap is recorded",
	Why:      "A cut that nobody wrote down is one that nobody closed.",
	Judged:   "Where the crew opened a duct, or repaired something inside the belly from below, an opening in the wrap of that section is recorded, made or found. Where the wrap was missing, or there is none, nothing is asked.",
	None:     "nothing was done through the wrap",
	Fix:      "Record the opening in the wrap, made or found, and how it was closed.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Trunk opened at 20.4 ft of section A, wrap cut at 20.0 ft.",
		Broken: "Trunk opened at 20.4 ft of section A, no opening in the wrap of section A.",
	},
	check: func(c *check) {
		var alone []domain.Subject // said once: it may have been one cut
		way := func(s domain.Subject, section domain.Section) {
			if c.job.throughWrap(section) {
				c.holds()
			} else {
				alone = append(alone, s)
			}
		}
		switch home := c.job.home(); {
		case home.WrapKind == domain.NoWrap || home.WrapState == "missing":
			c.notApplicable("no wrap closes the belly")
			return
		case home.WrapKind == "":
			c.notJudged()
			return
		}
		for _, o := range c.job.Openings {
			if o.Record.Made() && o.Record.In == domain.InDuct {
				way(o.Subject(), o.Record.Section)
			}
		}
		for _, r := range c.job.Repairs {
			if inBelly(r.Record) {
				way(r.Subject(), c.job.sectionOf(r.Record))
			}
		}
		if len(alone) > 0 {
			p := c.onAll(alone...)
			p.lack("the opening in the wrap through which it was reached")
			p.done()
		}
	},
}

// throughWrap tells whether an opening in the wrap of a section is recorded;
// one without a section may be the one.
func (a *Assembled) throughWrap(section domain.Section) bool {
	return slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool {
		return o.Record.In == domain.InWrap && (section == "" || o.Record.Section == "" || o.Record.Section == section)
	})
}

// inBelly tells work from below on parts that the wrap hides.
func inBelly(r *domain.Repair) bool {
	switch r.Repair {
	case domain.RepairFurnaceJoint, domain.RepairTrunkSeam, domain.RepairTrunk, domain.RepairBoot, domain.RepairRiser, domain.RepairTakeoff:
		return r.Access == domain.FromBelow
	case domain.RepairTrunkEnd:
		return r.EndClosure != nil && r.EndClosure.Form == domain.CapFromBelow
	}
	return false
}
