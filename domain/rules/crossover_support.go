package rules

import "ductledger/domain"

var crossoverOffGround = Rule{
	Key: "crossover_off_ground", Title: "The crossover hangs clear of the soil",
	Why:      "Soil eats the jacket, then the insulation drinks.",
	Judged:   "The whole run is clear of the soil, measured or so that a hand passes under everywhere, on straps or blocks; or it lies on closed-cell foam board.",
	None:     "no crossover is recorded",
	Fix:      "Lift it off the soil on straps, blocks or foam board.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"clearance_over_in", "in", 0, 0, 12, "24 CFR 3285.606(e)"}},
	Source:     practice + "; 24 CFR 3285.606(e)",
	Example: Example{
		Holds:  "2.5 in above the soil, on straps.",
		Broken: "Lying on the soil.",
	},
	check: func(c *check) {
		for _, x := range c.job.Crossovers {
			if c.lifted(x.Record) {
				continue
			}
			p := c.on(x.Subject())
			p.unseen(x.Record)
			if x.Record.Support == domain.FoamBoard { // it lies on board, and the board on the soil
				p.done()
				continue
			}
			switch under := x.Record.HandPassesUnder; {
			case x.Record.Sag == domain.Touching:
				p.fault("it touches the soil")
			case x.Record.ClearanceIn == nil && under != nil:
				if !*under {
					p.fault("a hand does not pass under it everywhere")
				}
			case x.Record.ClearanceIn == nil:
				p.lack("its least distance to the soil")
			case *x.Record.ClearanceIn <= c.limit("clearance_over_in"):
				p.fault("it is ", inches(*x.Record.ClearanceIn), " above the soil at its lowest; the program wants more than ", inches(c.limit("clearance_over_in")))
			}
			switch x.Record.Support {
			case "":
				p.lack("what holds it up")
			case domain.Unheld:
				p.fault("nothing holds it up")
			}
			p.done()
		}
	},
}

// unseen keeps silent about a crossover that could not be reached.
func (p *part) unseen(x *domain.Crossover) {
	if unreached(x) {
		p.missing = Silent
	}
}

// lifted counts a crossover that lies in the belly or the floor, where no
// soil is near and nothing hangs.
func (c *check) lifted(x *domain.Crossover) bool {
	switch x.Support {
	case domain.InBelly:
		c.notApplicable("the crossover lies in the belly")
	case domain.InFloor:
		c.notApplicable("the crossover lies in the floor")
	default:
		return false
	}
	return true
}

var crossoverSupported = Rule{
	Key: "crossover_supported", Title: "The crossover is held often enough",
	Why:      "Between supports that stand too far apart the duct sags, and its bands carry the load.",
	Judged:   "Supports stand no further apart than the limit: as measured, or by their number and the length of the run.",
	None:     "no crossover is recorded",
	Fix:      "Add a strap or a block where the distance is too wide.",
	Severity: Check, Missing: Silent, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"spacing_ft", "ft", 4, 1, 10, "24 CFR 3285.606(e)"}},
	Source:     "24 CFR 3285.606(e)",
	Example: Example{
		Holds:  "Straps 4.0 ft apart.",
		Broken: "Straps 6.0 ft apart.",
	},
	check: func(c *check) {
		for _, x := range c.job.Crossovers {
			if c.lifted(x.Record) {
				continue
			}
			if x.Record.Support == domain.FoamBoard {
				c.notApplicable("the crossover lies on foam board all along")
				continue
			}
			p := c.on(x.Subject())
			switch spacing := spacingOf(x.Record); {
			case spacing == nil:
				p.unseen(x.Record)
				p.lack("how far its supports stand apart")
			case *spacing > c.limit("spacing_ft"):
				p.fault("its supports stand ", feet(*spacing), " apart; the program wants at most ", feet(c.limit("spacing_ft")))
			}
			p.done()
		}
	},
}

// spacingOf is how far supports stand apart: as measured, or the length of
// the run over the gaps between its supports and both collars.
func spacingOf(x *domain.Crossover) *float64 {
	if x.SupportSpacingFt != nil || x.SupportsCount == nil || x.LengthFt == nil {
		return x.SupportSpacingFt
	}
	spacing := *x.LengthFt / float64(*x.SupportsCount+1)
	return &spacing
}

var flexSag = Rule{
	Key: "flex_sag", Title: "The flexible duct does not sag",
	Why:      "Each dip slows the air and gathers water.",
	Judged:   "Between supports the duct sags no more than the limit, or is seen not to.",
	None:     "no crossover is recorded",
	Fix:      "Pull the duct straight, or add a support.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"sag_in_per_ft", "in per ft", 0.5, 0.1, 2, "PNNL Building America Solution Center, flex duct support"}},
	Source:     "PNNL Building America Solution Center, flex duct support",
	Example: Example{
		Holds:  "0.5 in of sag per ft.",
		Broken: "1 in of sag per ft.",
	},
	check: func(c *check) {
		for _, x := range c.job.Crossovers {
			if !x.Record.Flexible() {
				c.notApplicable("the crossover is rigid")
				continue
			}
			if x.Record.Support == domain.FoamBoard {
				c.notApplicable("the crossover lies on foam board all along")
				continue
			}
			p := c.on(x.Subject())
			switch sag := x.Record.SagInPerFt; {
			case sag == nil && x.Record.Sag != "":
				if x.Record.Sag != domain.NoSag {
					p.fault("it sags between its supports")
				}
			case sag == nil:
				p.lack("its sag")
			case *sag > c.limit("sag_in_per_ft"):
				p.fault("it sags ", number(*sag), " in per ft; the program wants at most ", number(c.limit("sag_in_per_ft")), " in per ft")
			}
			p.done()
		}
	},
}
