package rules

import "ductledger/domain"

// untouched tells a crossover that the crew left up. That is one fault, said
// once: what nobody could see at its ends is not asked for on top.
func untouched(x *domain.Crossover) bool {
	return x.Action == domain.LeftAlone && x.TakenDownAt == nil
}

// unreached tells a crossover that could not be taken down, with a reason: it
// is one question for the reviewer.
func unreached(x *domain.Crossover) bool { return x.TakenDownAt == nil && x.NotReachedReason != "" }

// onEnds judges both ends of each crossover that takes bands.
func (c *check) onEnds(judge func(p *part, x *domain.Crossover, end *domain.CrossoverEnd, where string)) {
	for _, x := range c.job.Crossovers {
		if !x.Record.Flexible() {
			c.notApplicable("the crossover is rigid")
			continue
		}
		p := c.on(x.Subject())
		if untouched(x.Record) || unreached(x.Record) {
			p.missing = Silent
		}
		for _, section := range sections(x.Record) {
			if end := endOf(x.Record, section); end != nil {
				judge(&p, x.Record, end, " at end "+string(section))
			} else {
				p.lack("the work at end ", string(section))
			}
		}
		p.done()
	}
}

var crossoverTakenDown = Rule{
	Key: "crossover_taken_down", Title: "Each round flexible crossover comes down",
	Why:      "The collar hides behind the duct: a crossover that looks fine may hang on its jacket alone.",
	Judged:   "Each round flexible crossover was off both collars on this job. How it looked exempts none. One out of reach, with a reason, is for a reviewer.",
	None:     "no crossover is recorded",
	Fix:      "With energy cut and verified where the furnace is electric, take it down, seal both collars, and refit it with new bands.",
	Severity: MustFix, Missing: Blocks, Cure: ReturnVisit, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Crossover A→B down at 11:20 and replaced.",
		Broken: "Crossover A→B looked at and left alone.",
	},
	check: func(c *check) {
		for _, x := range c.job.Crossovers {
			switch x.Record.Crossover {
			case domain.Rigid:
				c.notApplicable("the crossover is rigid")
				continue
			case domain.FlexOval:
				c.notApplicable("the crossover is oval")
				continue
			}
			p := c.on(x.Subject())
			switch {
			case x.Record.TakenDownAt != nil:
			case unreached(x.Record):
				p.forReviewer("could not be taken down; the reason is recorded")
			case x.Record.Action == domain.LeftAlone:
				p.fault("it was not taken down")
			default:
				p.lack("when it was off both collars")
			}
			p.done()
		}
	},
}

var crossoverTiesTensioned = Rule{
	Key: "crossover_ties_tensioned", Title: "Core and jacket have new bands, drawn with the tool",
	Why:      "Hand-tight bands slip when the duct warms, and then the whole crossover blows into the crawl space.",
	Judged:   "At both ends core and jacket are banded separately, with new bands drawn by the tensioning tool. An oval duct, which takes no band, has another mechanical fastener.",
	None:     "no crossover is recorded",
	Fix:      "Put new bands on core and jacket and draw them with the tool.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice + "; SWS 5.0105.1, 3.1601.5 (2017)",
	Example: Example{
		Holds:  "Both ends: new band on the core, new band on the jacket, both drawn with the tool.",
		Broken: "The jacket's band at end B drawn by hand.",
	},
	check: func(c *check) {
		c.onEnds(func(p *part, x *domain.Crossover, end *domain.CrossoverEnd, where string) {
			if x.Crossover == domain.FlexOval {
				if end.OtherFastener == "" {
					p.lack("what fastens the oval duct", where)
				}
				return
			}
			p.yes(end.InnerBandNew, "the band on the core is not new", "whether the band on the core is new", where)
			p.yes(end.InnerBandToolTightened, "the band on the core was not drawn with the tool", "whether the band on the core was drawn with the tool", where)
			p.yes(end.OuterBandNew, "the band on the jacket is not new", "whether the band on the jacket is new", where)
			p.yes(end.OuterBandToolTightened, "the band on the jacket was not drawn with the tool", "whether the band on the jacket was drawn with the tool", where)
		})
	},
}

var crossoverLinerDepth = Rule{
	Key: "crossover_liner_depth", Title: "The core covers the collar far enough",
	Why:      "A core that sits on the collar's rim pulls off when the duct moves.",
	Judged:   "At both ends the core covers the collar by enough turns of its helix, counted or felt. Once it is banded, which hides it, that is a question: no sound band is cut for it. Mastic between core and collar is not asked for: wet, it lets the core slide off.",
	None:     "no crossover is recorded",
	Fix:      "Push the core further over the collar before you band it.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"turns_count", "turns", 2, 1, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "2 turns of the helix over the collar at end A, 3 at end B.",
		Broken: "1 turn over the collar at end A.",
	},
	check: func(c *check) {
		c.onEnds(func(p *part, _ *domain.Crossover, end *domain.CrossoverEnd, where string) {
			if end.InnerBandToolTightened != nil || end.InnerBandNew != nil || end.OtherFastener != "" {
				p.soften(Check)
				if c.job.departed() {
					p.cure = NoCure
				}
			}
			switch turns := end.LinerTurnsCount; {
			case end.TurnsFelt != nil && !*end.TurnsFelt:
				p.fault("less than ", some(c.limit("turns_count"), "turn"), " felt", where, "; the program wants ", number(c.limit("turns_count")))
			case turns == nil && end.TurnsFelt == nil:
				p.lack("the turns of the helix over the collar", where)
			case turns == nil: // enough were felt
			case *turns < c.limit("turns_count"):
				p.fault("the core covers the collar by ", some(*turns, "turn"), where, "; the program wants ", some(c.limit("turns_count"), "turn"))
			}
		})
	},
}

var crossoverCollarScrews = Rule{
	Key: "crossover_collar_screws", Title: "The collar is screwed through its folded tabs",
	Why:      "A part that moves cracks its seal: tabs alone let the collar twist.",
	Judged:   "At both ends enough fasteners go through the folded tabs or a connector that is screwed down; sound old ones count.",
	None:     "no crossover is recorded",
	Fix:      "Fold the tabs and set the missing screws, then seal them.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"fasteners_count", "fasteners", 4, 1, 12, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "4 screws through the tabs at both ends.",
		Broken: "3 screws through the tabs at end A.",
	},
	check: func(c *check) {
		c.onEnds(func(p *part, _ *domain.Crossover, end *domain.CrossoverEnd, where string) {
			switch held := end.FastenersCount; {
			case held == nil:
				p.lack("the fasteners through the tabs", where)
			case *held < int(c.limit("fasteners_count")):
				p.fault(some(float64(*held), "fastener"), " through the tabs", where, "; the program wants ", number(c.limit("fasteners_count")))
			}
			switch {
			case yes(end.TabsFolded) || yes(end.ScrewConnector):
			case end.TabsFolded == nil && end.ScrewConnector == nil:
				p.lack("whether the tabs are folded or a connector is screwed down", where)
			default:
				p.fault("neither folded tabs nor a screwed connector hold the collar", where)
			}
		})
	},
}

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
			case under != nil && !*under:
				p.fault("a hand does not pass under it everywhere")
			case x.Record.ClearanceIn == nil && under == nil:
				p.lack("its least distance to the soil")
			case x.Record.ClearanceIn == nil: // a hand passes
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
// the run over the gaps between its supports and both collars, whichever is wider.
func spacingOf(x *domain.Crossover) *float64 {
	if x.SupportsCount == nil || x.LengthFt == nil {
		return x.SupportSpacingFt
	}
	spacing := *x.LengthFt / float64(*x.SupportsCount+1)
	if x.SupportSpacingFt != nil {
		spacing = max(spacing, *x.SupportSpacingFt)
	}
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

var crossoverSizeKept = Rule{
	Key: "crossover_size_kept", Title: "A new crossover has the width of its collars, and insulation",
	Why:      "A narrower duct starves the section behind it; a thin one cools the air on the way.",
	Judged:   "A replaced duct has the diameter of both collars and enough insulation.",
	None:     "no crossover was replaced",
	Fix:      "Replace it with a duct of the collars' size, insulated to the limit.",
	Severity: Check, Missing: Asks, Cure: ReturnVisit, Hazard: CrawlSpace,
	Parameters: []Parameter{{"insulation_r", "h·ft²·°F/Btu", 8, 2, 20, "SWS 5.0105.3"}},
	Source:     "SWS 5.0105.3",
	Example: Example{
		Holds:  "Duct of 12 in on collars of 12 in, R 8.",
		Broken: "Duct of 10 in on collars of 12 in.",
	},
	check: func(c *check) {
		for _, x := range c.job.Crossovers {
			if x.Record.Action != domain.Replaced {
				c.notApplicable("the crossover was not replaced")
				continue
			}
			p := c.on(x.Subject())
			c.size(&p, x.Record)
			p.done()
		}
	},
}

func (c *check) size(p *part, x *domain.Crossover) {
	duct := x.DuctDiameterIn
	if duct == nil {
		p.lack("the duct's diameter")
	}
	for _, section := range sections(x) {
		end := endOf(x, section)
		switch {
		case end == nil || end.CollarDiameterIn == nil:
			p.lack("the collar's diameter at end ", string(section))
		case duct != nil && *duct != *end.CollarDiameterIn:
			p.fault("a duct of ", inches(*duct), " sits on a collar of ", inches(*end.CollarDiameterIn), " at end ", string(section))
		}
	}
	switch {
	case x.InsulationR == nil:
		p.lack("the duct's insulation")
	case *x.InsulationR < c.limit("insulation_r"):
		p.fault("the duct has R ", number(*x.InsulationR), "; the program wants R ", number(c.limit("insulation_r")))
	}
}
