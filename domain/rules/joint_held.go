package rules

import "ductledger/domain"

var furnaceJointHeld = Rule{
	Key: "furnace_joint_held", Title: "The furnace joint is held by more than sealant",
	Why:      "The furnace shakes the joint each time it starts; a joint that moves cracks its seal.",
	Judged:   "Where the joint between furnace and trunk was sealed, its tabs are folded, or a connector is screwed down, or fasteners stand no further apart than the limit. A trunk of duct board has no tabs: there the fasteners alone count.",
	None:     "no furnace joint was sealed",
	Fix:      "Fold the tabs, screw down a connector, or set the missing fasteners; then seal it again.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{{"apart_in", "in", 6, 1, 24, "SWS 5.0105.1, duct board to cabinet"}},
	Source:     practice + "; SWS 5.0105.1",
	Example: Example{
		Holds:  "Tabs folded, then metal, mesh and mastic.",
		Broken: "Metal, mesh and mastic over a joint without tabs or connector.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if r.Record.Repair != domain.RepairFurnaceJoint && r.Record.Repair != domain.RepairSupplyCollar {
				continue
			}
			p := c.on(r.Subject())
			board := c.job.atBoard(r.Record)
			switch apart := r.Record.FastenersApartIn; {
			case board && apart == nil:
				p.lack("how far its fasteners stand apart at the duct board")
			case !board && (yes(r.Record.TabsFolded) || yes(r.Record.ScrewConnector)):
			case apart != nil && over(*apart, c.limit("apart_in")):
				p.fault("its fasteners stand ", inches(*apart), " apart; the program wants at most ", inches(c.limit("apart_in")))
			case apart != nil:
			case r.Record.TabsFolded == nil && r.Record.ScrewConnector == nil:
				p.lack("whether its tabs are folded or a connector is screwed down")
			default:
				p.fault("neither tabs nor a screwed connector hold it, and no distance of fasteners is recorded")
			}
			p.done()
		}
	},
}

// atBoard tells whether a joint of a repair lies at a trunk of duct board.
func (a *Assembled) atBoard(r *domain.Repair) bool {
	for _, id := range r.ComponentIDs {
		if part, ok := find(a.Components, id); ok {
			if trunk := a.trunkOf(part.Record.Section); trunk != nil && trunk.Material == domain.BoardTrunk {
				return true
			}
		}
	}
	return false
}

// yes tells a fact that is recorded and true.
func yes(fact *bool) bool { return fact != nil && *fact }
