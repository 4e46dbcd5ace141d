package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

// Also where nothing is recorded: what was not read is not to be typed in.
const combustionFix = "Stop. A qualified person reads the air and tests before anybody works on; record only what was really read."

var combustionChecked = Rule{
	Key: "combustion_checked", Title: "Air is read before entry, combustion is tested after sealing",
	Why:      "Sealing ducts changes how air moves in a home, and with it the draft of whatever burns there.",
	Judged:   "Where a combustion appliance is in the home: on each visit ambient carbon monoxide is read before work begins and is not above the limit; after the last repair a qualified person did the combustion safety test, and it passed. With only a packaged outdoor unit: ambient carbon monoxide alone.",
	None:     "no visit is recorded",
	Fix:      combustionFix,
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CombustionGas,
	Parameters: []Parameter{{"ambient_co_ppm", "ppm", 35, 5, 35, "BPI Building Analyst 2005"}},
	Source:     "BPI Building Analyst 2005; local code governs",
	Example: Example{
		Holds:  "0 ppm at 08:12, test passed at 15:20 by a certified tester, last repair 13:40.",
		Broken: "40 ppm at 08:12, limit 35 ppm.",
	},
	check: func(c *check) {
		home := c.job.home()
		switch {
		case len(c.job.Visits) == 0 || !c.job.worked():
			return
		case home.CombustionAppliances == nil && !burns(home):
			c.need(combustionFact)
			return
		case len(home.CombustionAppliances) == 0 && !burns(home):
			c.notApplicable("no combustion appliance is in the home")
			return
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
	if ppm := *v.Combustion.AmbientCOPpm; ppm > c.limit("ambient_co_ppm") {
		p.fault("ambient carbon monoxide was ", number(ppm), " ppm, above ", number(c.limit("ambient_co_ppm")), " ppm: work stops")
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
	switch test.TestResult {
	case "":
		p.lack("the result of the combustion safety test")
	case "passed":
	default:
		p.fault("the combustion safety test ", test.TestResult)
	}
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

var stopRespected = Rule{
	Key: "stop_respected", Title: "Nobody works on through a stop",
	Why:      "A stop is there because somebody could be hurt.",
	Judged:   "No repair is later than a stop that was not lifted by then.",
	None:     "work was not stopped",
	Severity: MustFix, Missing: Silent, Cure: NoCure, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Stopped 10:00 for wet wiring, lifted 11:30, next repair 12:05.",
		Broken: "Stopped 10:00 for wet wiring, repair at 10:40, never lifted.",
	},
	check: func(c *check) {
		stops := 0
		for _, v := range c.job.Visits {
			stops += len(v.Record.Stops)
		}
		if stops == 0 {
			return
		}
		for _, r := range c.job.Repairs {
			p := c.on(r.Subject())
			for _, v := range c.job.Visits {
				for _, s := range v.Record.Stops {
					if r.Record.DoneAt.After(s.At) && (s.ClearedAt == nil || r.Record.DoneAt.Before(*s.ClearedAt)) {
						p.hazard = hazardOfStop(s.Reason)
						p.fault("it was done ", c.job.clock(r.Record.DoneAt), ", work had been stopped ", c.job.clock(s.At), " for ", spaced(s.Reason))
					}
				}
			}
			p.done()
		}
		if len(c.job.Repairs) == 0 {
			c.holds()
		}
	},
}

// hazardOfStop is what a stop is about.
func hazardOfStop(reason string) Hazard {
	switch reason {
	case "gas", "co":
		return CombustionGas
	case "wet_wiring":
		return Electricity
	case "old_material":
		return OldMaterials
	case "heat":
		return HeatInSpace
	}
	return CrawlSpace
}
