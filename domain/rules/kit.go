package rules

import "ductledger/domain"

var kitConfirmed = Rule{
	Key: "kit_confirmed", Title: "What a form filled in was confirmed on this job",
	Why:      "A form that fills in the usual says what is usual, not what was done here.",
	Judged:   "Where a patch, an end closure or the bands of a crossover were filled in as a kit, somebody confirmed it on this job. Facts that were entered one by one need none. Once the crew has left it is a question.",
	None:     "no kit was filled in",
	Fix:      "Look at the part, open the form and confirm what is there, or correct it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Patch of the usual kit, confirmed when it was set.",
		Broken: "None: a kit that nobody confirmed is not recorded.",
	},
	check: func(c *check) {
		kit := func(s domain.Subject, what string, confirmed ...*bool) {
			p, said := c.hidden(s), false
			for _, yes := range confirmed {
				if yes != nil {
					said = true
					if !*yes && len(p.lacks) == 0 {
						p.lack("that somebody confirmed ", what)
					}
				}
			}
			if said {
				p.done()
			}
		}
		for _, o := range c.job.Openings {
			kit(o.Subject(), "how it was closed", closureOf(o.Record).KitConfirmed)
		}
		for _, r := range c.job.Repairs {
			if r.Record.EndClosure != nil {
				kit(r.Subject(), "what closes it", r.Record.EndClosure.KitConfirmed)
			}
		}
		for _, x := range c.job.Crossovers {
			var ends []*bool
			for i := range x.Record.Ends {
				ends = append(ends, x.Record.Ends[i].KitConfirmed)
			}
			kit(x.Subject(), "the bands at its ends", ends...)
		}
	},
}
