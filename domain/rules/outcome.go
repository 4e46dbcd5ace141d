package rules

import "ductledger/domain"

var outcomeShown = Rule{
	Key: "outcome_shown", Title: "What came of the job is said, and why",
	Why:      "An outcome that nothing stands behind tells the next reader nothing: nobody knows whether to go there, and why.",
	Judged:   "A job that is sent in has an outcome. Work that was done, and ducts that needed none, owe a visit, the latter a photo too. A deferral owes a code and what would let the work begin; every other outcome but completed a reason.",
	None:     "the job was not sent in",
	Fix:      "Record what came of the job, and why.",
	Severity: MustFix, Missing: Blocks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Deferred for sewage; work can begin when the leak is mended and the soil is dry.",
		Broken: "Deferred, and no reason.",
	},
	check: func(c *check) {
		job := c.job.Job.Record
		if c.job.early() && job.Outcome == "" {
			return
		}
		p := c.on(c.job.subject())
		switch job.Outcome {
		case "":
			p.lack("what came of it")
		case domain.Completed, domain.Partial, domain.NothingToDo:
			if len(c.job.Visits) == 0 {
				p.lack("a visit")
			}
		case domain.DeferredWork:
			if len(job.DeferCodes) == 0 {
				p.lack("the code for which work was put off")
			}
			if job.DeferLiftedBy == "" {
				p.lack("what would let the work begin")
			}
		}
		switch job.Outcome {
		case domain.Partial, domain.NotSuitable, domain.Refused, domain.NothingToDo:
			if job.OutcomeReason == "" {
				p.lack("why it was ", spaced(string(job.Outcome)))
			}
		}
		if job.Outcome == domain.NothingToDo && len(c.job.Photos) == 0 {
			p.lack("a photo of the ducts")
		}
		p.done()
	},
}
