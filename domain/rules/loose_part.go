package rules

import "ductledger/domain"

var loosePartFastened = Rule{
	Key: "loose_part_fastened", Title: "Loose parts are fastened before they are sealed",
	Why:      "A part that moves cracks its seal.",
	Judged:   "Each boot, riser, trunk, takeoff or collar that was found detached, or is new, has enough nails, screws or brackets beside sealant: one, a round part three, a new boot one on each side. Of many parts in one repair the least number on any of them counts.",
	None:     "no part was found detached and none is new",
	Fix:      "Fasten it with nails, screws or a bracket, then seal it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{
		{"fasteners_count", "fasteners", 1, 1, 20, practice},
		{"round_part_count", "fasteners", 3, 1, 20, "SWS 5.0105.1"},
		{"new_boot_count", "fasteners", 4, 1, 20, "SWS 5.0105.5, all four sides"},
	},
	Source: practice + "; SWS 5.0105.1, 5.0105.5",
	Example: Example{
		Holds:  "Boot A5 found detached, nailed and sealed.",
		Broken: "Boot A5 found detached, sealed with mastic and no fastener.",
	},
	check: func(c *check) {
		for _, part := range c.job.Components {
			switch part.Record.Component {
			case domain.Boot, domain.Riser, domain.Trunk, domain.BranchTakeoff, domain.SupplyCollar:
				if part.Record.Found == "" && c.job.repaired(part.ID) {
					c.notJudged() // whether it was loose is not known
				}
				if fresh := c.job.renewed(part.ID); fresh || part.Record.Found == domain.FoundDetached {
					c.fastened(part, fresh)
				}
			}
		}
		for _, x := range c.job.Crossovers {
			c.collarFastened(x)
		}
	},
}

// renewed tells whether a repair put a new part in place of the old one.
func (a *Assembled) renewed(component domain.UUID) bool {
	for r := range a.repairsOf(component) {
		if r.Record.NewPart != nil && *r.Record.NewPart {
			return true
		}
	}
	return false
}

// fastened judges one part by the repairs that cover it.
func (c *check) fastened(part Of[domain.Component], fresh bool) {
	wanted := int(c.limit("fasteners_count"))
	state := "was found detached"
	if fresh {
		state = "is new"
	}
	switch sort := part.Record.Component; {
	case sort == domain.BranchTakeoff, sort == domain.SupplyCollar:
		wanted = int(c.limit("round_part_count"))
	case fresh && sort == domain.Boot:
		wanted = int(c.limit("new_boot_count"))
	}
	held, said, unclear, repaired := 0, false, false, false
	for r := range c.job.repairsOf(part.ID) {
		repaired = true
		n, known := heldEach(r.Record)
		held += n
		said = said || known
		unclear = unclear || !known && r.Record.Fasteners != nil
	}
	p := c.on(part.Subject())
	switch {
	case held >= wanted:
	case unclear:
		p.lack("the least number of fasteners on each part of its repair")
	case said:
		p.fault("it ", state, " and has ", some(float64(held), "fastener"), "; the program wants ", count(wanted))
	case repaired:
		p.lack("what fastens it beside sealant")
	default:
		p.fault("it ", state, " and is not fastened")
	}
	p.done()
}

// heldEach is how many fasteners hold each part of a repair at least. Known
// also where a total cannot reach one for each, or all are on one part.
func heldEach(r *domain.Repair) (held int, known bool) {
	total := 0
	for _, f := range r.Fasteners {
		if f.Kind != "staple" {
			total += f.Count
		}
	}
	if r.BracketTrunkScrewsCount != nil {
		total += *r.BracketTrunkScrewsCount
	} else if r.Fasteners == nil && r.Has(domain.Bracket) {
		total++
	}
	switch {
	case r.FastenersEach != nil:
		return *r.FastenersEach, true
	case len(r.ComponentIDs) <= 1:
		return total, r.Fasteners != nil || total > 0
	case total < len(r.ComponentIDs): // one part at least has none
		return 0, r.Fasteners != nil
	}
	return 0, false
}

func (c *check) collarFastened(x Of[domain.Crossover]) {
	p := c.on(x.Subject())
	loose := false
	for _, section := range sections(x.Record) {
		end := endOf(x.Record, section)
		if end != nil && end.CollarFound == "" && !untouched(x.Record) && !unreached(x.Record) {
			c.notJudged() // whether it was loose is not known
		}
		if end == nil || end.CollarFound != domain.FoundDetached {
			continue
		}
		loose = true
		switch wanted := int(c.limit("round_part_count")); {
		case end.FastenersCount == nil:
			p.lack("what fastens the collar at end ", string(section))
		case *end.FastenersCount < wanted:
			p.fault("the collar at end ", string(section), " was found detached and has ", some(float64(*end.FastenersCount), "fastener"), "; the program wants ", count(wanted))
		}
	}
	if loose {
		p.done()
	}
}
