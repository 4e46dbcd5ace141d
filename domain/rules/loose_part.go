package rules

import "ductledger/domain"

var loosePartFastened = Rule{
	Key: "loose_part_fastened", Title: "Loose parts are fastened before they are sealed",
	Why:      "A part that moves cracks its seal.",
	Judged:   "Each boot, riser, trunk or collar that was found detached has a nail, a screw or a bracket, not sealant alone.",
	None:     "no part was found detached",
	Fix:      "Fasten it with nails, screws or a bracket, then seal it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"fasteners_count", "fasteners", 1, 1, 20, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Boot A5 found detached, nailed and sealed.",
		Broken: "Boot A5 found detached, sealed with mastic and no fastener.",
	},
	check: func(c *check) {
		for _, part := range c.job.Components {
			if part.Record.Found != domain.FoundDetached {
				continue
			}
			switch part.Record.Component {
			case domain.Boot, domain.Riser, domain.Trunk, domain.SupplyCollar:
				c.fastened(part)
			}
		}
		for _, x := range c.job.Crossovers {
			c.collarFastened(x)
		}
	},
}

func (c *check) fastened(part Of[domain.Component]) {
	held, said, repaired := 0, false, false
	for r := range c.job.repairsOf(part.ID) {
		repaired = true
		for _, f := range r.Record.Fasteners {
			if f.Kind != "staple" {
				held += f.Count
			}
		}
		if r.Record.BracketTrunkScrewsCount != nil {
			held += *r.Record.BracketTrunkScrewsCount
		} else if r.Record.Has(domain.Bracket) {
			held++
		}
		said = said || r.Record.Fasteners != nil
	}
	p := c.on(part.Subject())
	switch asked := int(c.limit("fasteners_count")); {
	case held >= asked:
	case said:
		p.fault("it was found detached and has ", count(held), " nails, screws or brackets; the program wants at least ", count(asked))
	case repaired:
		p.lack("what fastens it beside sealant")
	default:
		p.fault("it was found detached and is not fastened")
	}
	p.done()
}

func (c *check) collarFastened(x Of[domain.Crossover]) {
	p := c.on(x.Subject())
	loose := false
	for _, section := range sections(x.Record) {
		end := endOf(x.Record, section)
		if end == nil || end.CollarFound != domain.FoundDetached {
			continue
		}
		loose = true
		switch asked := int(c.limit("fasteners_count")); {
		case end.FastenersCount == nil:
			p.lack("what fastens the collar at end ", string(section))
		case *end.FastenersCount < asked:
			p.fault("the collar at end ", string(section), " was found detached and has ", count(*end.FastenersCount), " fasteners; the program wants at least ", count(asked))
		}
	}
	if loose {
		p.done()
	}
}
