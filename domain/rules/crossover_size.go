package rules

import "ductledger/domain"

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
