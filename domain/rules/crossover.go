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
			case turns == nil && end.TurnsFelt != nil:
				if !*end.TurnsFelt {
					p.fault("less than ", some(c.limit("turns_count"), "turn"), " felt", where, "; the program wants ", number(c.limit("turns_count")))
				}
			case turns == nil:
				p.lack("the turns of the helix over the collar", where)
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
