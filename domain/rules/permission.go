package rules

import "ductledger/domain"

var ownerPermission = Rule{
	Key: "owner_permission", Title: "The owner permits the work",
	Why:      "Who lives in a home does not always own it; work without the owner's word is a claim for damages.",
	Judged:   "While a job is assigned and nobody was there yet, the home has the owner's permission with its kind and day. Once a crew was there it is not asked any more, except that the day is not later than the first visit.",
	None:     "the job was refused or put off",
	Fix:      "Ask for the owner's permission before a crew is sent, and record its kind, day and reference.",
	Severity: MustFix, Missing: Blocks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Permission of the landlord of 2026-09-30, first visit 2026-10-14.",
		Broken: "Permission of the landlord of 2026-10-20, first visit 2026-10-14.",
	},
	check: func(c *check) {
		switch c.job.Job.Record.Outcome {
		case domain.DeferredWork, domain.NotSuitable, domain.Refused, domain.NothingToDo:
			return
		}
		p := c.on(c.job.homeSubject())
		p.office = true
		day := c.job.WorkedOn()
		if day != "" || c.job.Job.Record.State != domain.Assigned {
			p.missing = Silent
		}
		switch given := c.job.home().Permission; {
		case given == nil:
			p.lack("the owner's permission")
		case day != "" && given.GivenOn > day:
			p.fault("the owner's permission is of ", string(given.GivenOn), ", the first visit was ", string(day))
		}
		p.done()
	},
}

var residentConsent = Rule{
	Key: "resident_consent", Title: "The resident consents before work begins",
	Why:      "A home is entered only with the word of whoever lives there.",
	Judged:   "Where the resident's consent is recorded, its day is not later than the first visit.",
	None:     "no visit is recorded",
	Severity: Check, Missing: Silent, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "Consent in writing of 2026-10-14, first visit on that day.",
		Broken: "Consent of 2026-10-15, first visit 2026-10-14.",
	},
	check: func(c *check) {
		day := c.job.WorkedOn()
		if day == "" {
			return
		}
		p := c.on(c.job.subject())
		switch given := c.job.Job.Record.ConsentOn; {
		case given == "":
			p.lack("the resident's consent")
		case given > day:
			p.fault("the resident's consent is of ", string(given), ", the first visit was ", string(day))
		case c.job.Job.Record.ConsentKind == "":
			p.lack("how the resident consented")
		}
		p.done()
	},
}
