package rules

import "ductledger/domain"

var takeoffSealed = Rule{
	Key: "takeoff_sealed", Title: "Takeoffs and collars are sealed to the trunk",
	Why:      "A collar that leaks loses the air of a whole branch or section.",
	Judged:   "Each branch takeoff and both collars of each crossover are sealed to the trunk, or were found tight and a photo shows it. A takeoff out of reach, with a reason, is for a reviewer.",
	None:     "no takeoff and no crossover is recorded",
	Fix:      "Seal it to the trunk with mastic.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Both collars of crossover A→B sealed to their trunks.",
		Broken: "The collar at end B not sealed.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		for _, t := range c.job.Components {
			if t.Record.Component != domain.BranchTakeoff {
				continue
			}
			p := c.onPart(t)
			switch {
			case c.job.repaired(t.ID):
			case t.Record.Found == domain.FoundTight:
				if !c.job.photographed(t.ID) {
					p.lackPhoto("it tight")
				}
			default:
				c.sealed(&p, t)
			}
			p.done()
		}
		for _, x := range c.job.Crossovers {
			if unreached(x.Record) {
				c.notApplicable("the crossover could not be reached")
				continue
			}
			p := c.on(x.Subject())
			for _, section := range sections(x.Record) {
				c.collar(&p, x, section)
			}
			p.done()
		}
	},
}

// collar judges the collar at one end of a crossover.
func (c *check) collar(p *part, x Of[domain.Crossover], section domain.Section) {
	end := endOf(x.Record, section)
	switch {
	case end == nil:
		p.lack("the collar at end ", string(section))
	case end.CollarSealed != nil && *end.CollarSealed:
	case end.CollarFound == domain.FoundTight:
		for _, s := range c.job.photosOf(x.ID) {
			if s.Section == section {
				return
			}
		}
		p.lackPhoto("the collar at end " + string(section) + " tight")
	case end.CollarSealed == nil:
		p.lack("whether the collar at end ", string(section), " is sealed to the trunk")
	default:
		p.fault("the collar at end ", string(section), " is not sealed to the trunk")
	}
}
