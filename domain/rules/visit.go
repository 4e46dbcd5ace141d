package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

// Also where nothing is recorded: what was not read is not to be typed in.
const (
	combustionFix = "Stop. A qualified person reads the air and tests before anybody works on; record only what was really read."
	evacuateFix   = "Everybody out, residents too. Call the fire department or gas utility from outside; nobody returns until they allow it."
)

var combustionChecked = Rule{
	Key: "combustion_checked", Title: "Air is read before entry, combustion is tested after sealing",
	Why:      "Sealing ducts changes how air moves in a home, and with it the draft of whatever burns there.",
	Judged:   "Where a combustion appliance is in the home: on each visit ambient carbon monoxide is read before work begins and is not above the limit; after the last repair a qualified person did the combustion safety test. An appliance that failed is a referral and a question, not the crew's fault. With only a packaged outdoor unit: ambient carbon monoxide alone.",
	None:     "no work on ducts was done",
	Fix:      combustionFix,
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CombustionGas,
	Parameters: []Parameter{
		{"stop_co_ppm", "ppm", 35, 1, 35, "SWS 2.0105.1 (2016), written for combustion testing; that all work stops is the program's own"},
		{"evacuate_co_ppm", "ppm", 70, 1, 70, "ANSI/BPI-1200, from memory"},
	},
	Source: "SWS 2.0105.1; ANSI/BPI-1200, from memory; local code governs",
	Example: Example{
		Holds:  "0 ppm at 08:12, test passed at 15:20 by a certified tester, last repair 13:40.",
		Broken: "40 ppm at 08:12, limit 35 ppm.",
	},
	check: func(c *check) {
		home := c.job.home()
		switch {
		case !c.job.worked():
			return
		case home.CombustionAppliances == nil && !burns(home):
			c.need(combustionFact)
			return
		case len(home.CombustionAppliances) == 0 && !burns(home):
			c.notApplicable("no combustion appliance is in the home")
			return
		}
		if len(c.job.Visits) == 0 {
			p := c.on(c.job.subject())
			p.fix = combustionFix
			p.lack("ambient carbon monoxide before entry")
			if !onlyOutdoors(home) {
				c.combustionTest(&p)
			}
			p.done()
		}
		last := c.job.lastVisit()
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			p.fix = combustionFix
			c.ambient(&p, v.Record)
			if v.ID == last && !onlyOutdoors(home) {
				c.combustionTest(&p)
			}
			p.done()
		}
	},
}

// burns tells a furnace inside the home that is known to burn something.
func burns(h *domain.Home) bool {
	return h.FurnaceKind == domain.GasFurnace || h.FurnaceKind == domain.OilFurnace
}

// onlyOutdoors tells a home in which nothing burns but a packaged unit outside.
func onlyOutdoors(h *domain.Home) bool {
	return h.FurnaceKind == domain.PackagedOutdoor &&
		!slices.ContainsFunc(h.CombustionAppliances, func(appliance string) bool { return appliance != "furnace" })
}

// ambient judges the air before entry.
func (c *check) ambient(p *part, v *domain.Visit) {
	if v.Combustion == nil || v.Combustion.AmbientCOPpm == nil {
		p.lack("ambient carbon monoxide before entry")
		return
	}
	switch ppm := *v.Combustion.AmbientCOPpm; {
	case ppm > c.limit("evacuate_co_ppm"):
		p.fix = evacuateFix
		p.fault("ambient carbon monoxide was ", number(ppm), " ppm; over ", number(c.limit("evacuate_co_ppm")), " ppm everybody goes out")
	case ppm > c.limit("stop_co_ppm"):
		p.fault("ambient carbon monoxide was ", number(ppm), " ppm; over ", number(c.limit("stop_co_ppm")), " ppm work stops")
	}
	at := v.Combustion.AmbientCOAt
	if at == nil {
		p.lack("when ambient carbon monoxide was read")
		return
	}
	if begun := c.job.workBegan(v.VisitedOn); begun != nil && !at.Before(*begun) {
		p.fault("ambient carbon monoxide was read ", c.job.clock(*at), "; the program wants it before the work, which began ", c.job.clock(*begun))
	}
}

// workBegan is the first opening or repair on a day; nil where there is none.
func (a *Assembled) workBegan(day domain.Date) (first *time.Time) {
	earlier := func(t *time.Time) {
		if t != nil && a.Day(*t) == day && (first == nil || t.Before(*first)) {
			first = t
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() {
			earlier(o.Record.MadeAt)
		}
	}
	for _, r := range a.Repairs {
		earlier(&r.Record.DoneAt)
	}
	return first
}

// combustionTest judges the last combustion safety test of the job.
func (c *check) combustionTest(p *part) {
	var test *domain.CombustionCheck
	for _, v := range c.job.Visits {
		if t := v.Record.Combustion; t != nil && t.TestedAt != nil && (test == nil || t.TestedAt.After(*test.TestedAt)) {
			test = t
		}
	}
	if test == nil {
		p.lack("the combustion safety test after sealing")
		return
	}
	if last := c.job.lastRepair(); last != nil && !test.TestedAt.After(*last) {
		p.fault("the combustion safety test was made ", c.job.clock(*test.TestedAt), "; the program wants it after the last repair, ", c.job.clock(*last))
	}
	if test.TestResult == "" {
		p.lack("the result of the combustion safety test")
	}
	defer c.failedAppliance(p, test)
	day := c.job.Day(*test.TestedAt)
	if test.CredentialID == nil {
		if test.TestedBy == "" {
			p.lack("who did the combustion safety test")
		}
		return
	}
	if paper, ok := find(c.job.Credentials, *test.CredentialID); !ok {
		p.lack("the tester's certificate")
	} else if paper.Record.Credential != domain.CombustionTester || !paper.Record.ValidOn(day) {
		p.fault("the tester's certificate does not cover the test of ", string(day))
	}
}

// failedAppliance asks about an appliance that did not pass: it was old
// before the crew came, and somebody else puts it right.
func (c *check) failedAppliance(p *part, test *domain.CombustionCheck) {
	if test.TestResult != "failed" {
		return
	}
	if len(p.faults)+len(p.lacks) == 0 {
		p.soften(Check)
		p.cure, p.fix = Office, "Leave it off, send the resident to a licensed person, and record to whom."
	}
	p.fault("an appliance failed the combustion safety test")
	if test.ReferredTo == "" {
		p.lack("to whom the resident was sent")
	}
}

func (a *Assembled) lastRepair() (last *time.Time) {
	for _, r := range a.Repairs {
		if last == nil || r.Record.DoneAt.After(*last) {
			last = &r.Record.DoneAt
		}
	}
	return last
}

// lastVisit is the id of the latest visit; of two on one day the one whose id
// is greater.
func (a *Assembled) lastVisit() (id domain.UUID) {
	var day domain.Date
	for _, v := range a.Visits {
		if v.Record.VisitedOn >= day {
			day, id = v.Record.VisitedOn, v.ID
		}
	}
	return id
}

var carbonMonoxideTold = Rule{
	Key: "carbon_monoxide_told", Title: "Some carbon monoxide is told to the resident",
	Why:      "A low reading has a source, and it can rise when the home is closed in winter.",
	Judged:   "On each visit with a reading of ambient carbon monoxide: it is not above the limit of advice. One above the limit at which work stops belongs to combustion_checked.",
	None:     "ambient carbon monoxide was not read",
	Fix:      "Tell the resident, open windows, and ask for the source to be looked for by a qualified person.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: CombustionGas,
	Parameters: []Parameter{{"advise_co_ppm", "ppm", 9, 1, 35, "ANSI/BPI-1200, from memory"}},
	Source:     "ANSI/BPI-1200, from memory; local code governs",
	Example: Example{
		Holds:  "3 ppm at 08:12.",
		Broken: "12 ppm at 08:12.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			if v.Record.Combustion == nil || v.Record.Combustion.AmbientCOPpm == nil {
				continue
			}
			p := c.on(v.Subject())
			if ppm := *v.Record.Combustion.AmbientCOPpm; ppm > c.limit("advise_co_ppm") {
				p.fault("ambient carbon monoxide was ", number(ppm), " ppm; the program wants it told over ", number(c.limit("advise_co_ppm")), " ppm")
			}
			p.done()
		}
	},
}
