package rules

import "ductledger/domain"

var furnaceAccessLicensed = Rule{
	Key: "furnace_access_licensed", Title: "Only licensed people work inside the cabinet",
	Why:      "Behind the panel wait line voltage and gas; local law says who may open it. Everybody else seals the joint from below.",
	Judged:   "Work inside the furnace cabinet was done by a member with a cabinet license, at a gas furnace a gas license, that was valid on that day. Sealing the furnace joint from above counts as such work.",
	None:     "nobody worked inside the furnace cabinet",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Hazard: Electricity,
	Source: practice + "; local licensing law",
	Example: Example{
		Holds:  "Joint sealed through the cabinet by a member with a license to the end of the year.",
		Broken: "Joint sealed through the cabinet by a member without one.",
	},
	check: func(c *check) {
		for r := range c.job.done() {
			p := c.on(r.Subject())
			inside, known := insideCabinet(r.Record)
			switch {
			case !known:
				p.lack("whether it was done inside the cabinet")
			case !inside:
				continue
			case r.Record.MemberID == nil:
				p.lack("who worked inside the cabinet")
			case !c.job.licensed(*r.Record.MemberID, c.job.Day(r.Record.DoneAt)):
				p.fault("the member who worked inside the cabinet had no license that was valid on ", string(c.job.Day(r.Record.DoneAt)))
			}
			p.done()
		}
	},
}

// insideCabinet tells whether a repair was done inside the furnace cabinet.
// What seals the furnace joint from above goes through it.
func insideCabinet(r *domain.Repair) (inside, known bool) {
	if r.InCabinet != nil {
		return *r.InCabinet, true
	}
	if r.Repair != domain.RepairFurnaceJoint {
		return false, true
	}
	return r.Access == domain.FromAbove, r.Access != ""
}

func (a *Assembled) licensed(member domain.UUID, day domain.Date) bool {
	return a.certified(member, domain.CabinetLicense, day) ||
		a.home().FurnaceKind == domain.GasFurnace && a.certified(member, domain.GasLicense, day)
}

// certified tells whether a member's paper of that sort covers a day.
func (a *Assembled) certified(member domain.UUID, sort domain.CredentialSort, day domain.Date) bool {
	for _, paper := range a.Credentials {
		if paper.Record.Credential == sort && paper.Record.CrewMemberID != nil && *paper.Record.CrewMemberID == member && paper.Record.ValidOn(day) {
			return true
		}
	}
	return false
}
