package rules

import "ductledger/domain/leakage"

var leakageNotHigherAfter = Rule{
	Key: "leakage_not_higher_after", Title: "The ducts do not leak more than before",
	Why:      "Something came off, or one of the readings was prepared differently: either way somebody must look before the crew drives home.",
	Judged:   "The leakage after is not above the one before. Within the uncertainty of both readings it is a note only: they cannot tell it from no change.",
	None:     "one of the readings is lacking",
	Fix:      "Look for a part that came off, compare the preparation of both readings, and read again.",
	Severity: MustFix, Missing: Silent, Cure: OnSite, Softens: true, Hazard: CrawlSpace,
	Source: practice + "; JCGM 100 (GUM) for the uncertainty",
	Example: Example{
		Holds:  "318 cfm25 before, 120.7 cfm25 after.",
		Broken: "200 cfm25 before, 260 cfm25 after.",
	},
	check: func(c *check) {
		r := c.result
		if r.Reason == IsUndecided {
			c.undecided()
			return
		}
		if r.ReductionCFM25 == nil {
			return
		}
		p := c.on(r.after.Subject())
		if *r.AfterCFM25 > *r.BeforeCFM25 {
			words := ""
			if !c.increased() {
				p.soften(Note)
				words = ", not distinguishable from no change by these readings"
			}
			p.fault("the ducts leak ", fixed(*r.AfterCFM25, 1), " cfm25, before ", fixed(*r.BeforeCFM25, 1), " cfm25", words)
		}
		p.done()
	},
}

// increased tells a rise that is beyond the uncertainty of both readings.
func (c *check) increased() bool { return c.result.change == leakage.Increased }

// undecided asks for a reading that tells something: to be taken again while
// that is possible, else of the reviewer.
func (c *check) undecided() {
	for _, t := range []*taken{c.result.before, c.result.after} {
		if t.quality != leakage.Undecided {
			continue
		}
		p := c.on(t.Subject())
		for _, r := range c.job.Repairs {
			if r.Record.DoneAt.After(t.Record.TakenAt) { // the ducts are no longer those that were read
				p.soften(Check)
				break
			}
		}
		p.fault("this reading is too uncertain to decide anything: read again, or record it as below what the method can tell")
		p.done()
	}
}
