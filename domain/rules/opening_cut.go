package rules

import "ductledger/domain"

var cutEdgeGuarded = Rule{
	Key: "cut_edge_guarded", Title: "Cut edges are taped",
	Why:      "A hand that reaches through a fresh cut in sheet metal bleeds.",
	Judged:   "Each opening of the crew in a duct has its edges taped.",
	None:     "the crew cut no duct",
	Severity: Note, Missing: Silent, Cure: NoCure, Hazard: SharpMetal,
	Source: practice,
	Example: Example{
		Holds:  "Hand opening of 8 × 8 in in trunk A, edges taped.",
		Broken: "Hand opening of 8 × 8 in in trunk A, edges not taped.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.In != domain.InDuct {
				continue
			}
			if trunk := c.job.trunkOf(o.Record.Section); trunk != nil && trunk.Material == domain.BoardTrunk {
				c.notApplicable("the trunk is of duct board")
				continue
			}
			p := c.on(o.Subject())
			p.yes(o.Record.EdgesTaped, "its edges were not taped", "whether its edges were taped", "")
			p.done()
		}
	},
}

var accessBelowFurnace = Rule{
	Key: "access_below_furnace", Title: "The opening for the furnace joint lies below the furnace",
	Why:      "From further off an arm does not reach the whole joint, and a second cut follows the first.",
	Judged:   "Each opening of the crew for the furnace joint lies close to the furnace's place.",
	None:     "no opening was made for the furnace joint",
	Severity: Note, Missing: Silent, Cure: NoCure, Hazard: CrawlSpace,
	Parameters: []Parameter{{"within_in", "in", 12, 3, 48, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Furnace at 20.0 ft, opening at 20.4 ft.",
		Broken: "Furnace at 20.0 ft, opening at 23.0 ft.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.Target == nil {
				continue
			}
			joint, ok := c.job.record(*o.Record.Target).(*domain.Component)
			if !ok || joint.Component != domain.FurnaceJoint && joint.Component != domain.SupplyCollar {
				continue
			}
			if c.job.home().FurnaceAccess == domain.FromAbove {
				c.notApplicable("the furnace is worked on from above")
				continue
			}
			p := c.on(o.Subject())
			at, _, _, known := c.job.reach(*o.Record.Target, o.Record.Section)
			switch {
			case !known:
				p.lack("where the furnace is")
			case o.Record.PositionFt == nil:
				p.lack("where the opening is")
			default:
				off := inchesPerFoot * max(at-*o.Record.PositionFt, *o.Record.PositionFt-at)
				if over(off, c.limit("within_in")) {
					p.fault("it lies ", inches(rounded(off)), " from the furnace's place; the program wants at most ", inches(c.limit("within_in")))
				}
			}
			p.done()
		}
	},
}
