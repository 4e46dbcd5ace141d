package rules

import "ductledger/domain"

var furnaceJointTreated = Rule{
	Key: "furnace_joint_treated", Title: "The joint between furnace and trunk is sealed or was tight",
	Why:      "Pressure is high next to the blower and the air is hot: a gap here loses more air and heat than one further on.",
	Judged:   "The furnace joint is covered by a repair, or was found tight and a photo shows it. Of a packaged outdoor unit it is its supply collar. Without access, a reason and a photo make it a question for a reviewer.",
	None:     "no work on ducts was done",
	Fix:      "Seal the joint, from below if no licensed person may open the cabinet.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Furnace joint found leaky, sealed from below with metal, mesh and mastic.",
		Broken: "Furnace joint found leaky, covered by no repair.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		home := c.job.home()
		asked, other := domain.FurnaceJoint, domain.SupplyCollar
		if home.FurnaceKind == domain.PackagedOutdoor {
			asked, other = other, asked
		}
		joints := 0
		for _, j := range c.job.Components {
			if j.Record.Component == asked || home.FurnaceKind == "" && j.Record.Component == other {
				joints++
				c.furnaceJoint(j)
			}
		}
		switch {
		case home.FurnaceKind == "":
			c.need(furnaceKindFact)
		case joints < max(1, furnaces(home)):
			p := c.on(c.job.subject())
			p.lack("the ", spaced(string(asked)), " of each furnace, as it was found")
			p.done()
		}
	},
}

func furnaces(h *domain.Home) int { return 1 + len(h.OtherFurnaceSections) }

func (c *check) furnaceJoint(j Of[domain.Component]) {
	home := c.job.home()
	found := j.Record.Found
	reason := j.Record.FoundReason != "" || home.FurnaceAccess == domain.NoAccess && home.FurnaceAccessReason != ""
	p := c.on(j.Subject())
	switch {
	case c.job.repaired(j.ID):
	case found == domain.FoundTight:
		if !c.job.photographed(j.ID) {
			p.lackPhoto("it tight")
		}
	case found == domain.FoundNotAccessible, home.FurnaceAccess == domain.NoAccess:
		switch {
		case !reason:
			p.lack("why it could not be reached")
		case !c.job.photographed(j.ID):
			p.lackPhoto("why it could not be reached")
		default:
			p.forReviewer("could not be reached; a reason and a photo are recorded")
		}
	case found == "":
		p.lack("how it was found, or its repair")
	default:
		p.untreated(found)
	}
	p.done()
}
