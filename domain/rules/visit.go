package rules

import (
	"slices"
	"strconv"
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
	Judged:   "Where a combustion appliance is in the home: on each visit ambient carbon monoxide is read before work begins and is not above the limit; after the last repair a qualified person did the combustion safety test. An appliance that failed is a referral and a question, not the crew's fault. With only a packaged outdoor unit, or where ducts were opened and none sealed: ambient carbon monoxide alone.",
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
		case !c.job.worked() && !c.job.handsOn():
			return
		case home.CombustionAppliances == nil && !burns(home):
			c.need(combustionFact)
			return
		case len(home.CombustionAppliances) == 0 && !burns(home):
			c.notApplicable("no combustion appliance is in the home")
			return
		}
		tested := !onlyOutdoors(home) && (c.job.worked() || c.job.sealing())
		if len(c.job.Visits) == 0 {
			p := c.on(c.job.subject())
			p.fix = combustionFix
			p.lack("ambient carbon monoxide before entry")
			if tested {
				c.combustionTest(&p)
			}
			p.done()
		}
		last := c.job.lastVisit()
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			p.fix = combustionFix
			c.ambient(&p, v.Record)
			if v.ID == last && tested {
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
	if day := c.job.Day(*at); day != v.VisitedOn {
		p.fault("ambient carbon monoxide was read on ", string(day), "; the program wants it on the day of the visit")
	} else if begun := c.job.workBegan(v.VisitedOn); begun != nil && !at.Before(*begun) {
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
	Judged:   "On each visit with a reading of ambient carbon monoxide: it is not above the limit of advice. Over the limit of combustion_checked at which everybody goes out, that is what is told.",
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
				if ppm > c.evacuate {
					p.fix = evacuateFix
				}
				p.fault("ambient carbon monoxide was ", number(ppm), " ppm; the program wants it told over ", number(c.limit("advise_co_ppm")), " ppm")
			}
			p.done()
		}
	},
}

var stopRespected = Rule{
	Key: "stop_respected", Title: "Nobody works on through a stop",
	Why:      "A stop is there because somebody could be hurt.",
	Judged:   "No opening, taking down or repair is later than a stop that was not lifted by then. Closing what is open, putting back a crossover that was down, cutting energy, withdrawing and reading the air are allowed.",
	None:     "work was not stopped",
	Severity: MustFix, Missing: Silent, Cure: NoCure, Hazard: CrawlSpace, SafetyTalk: true,
	Source: practice,
	Example: Example{
		Holds:  "Stopped 10:00 for wet wiring, lifted 11:30, next repair 12:05.",
		Broken: "Stopped 10:00 for wet wiring, repair at 10:40, never lifted.",
	},
	check: func(c *check) {
		stops := c.job.stops()
		if len(stops) == 0 {
			return
		}
		acts := 0
		for _, act := range c.job.acts() {
			acts++
			p := c.on(act.subject)
			for _, s := range stops {
				closes := act.begun != nil && !act.begun.After(s.At)
				if act.at.After(s.At) && (s.ClearedAt == nil || act.at.Before(*s.ClearedAt)) && !closes {
					p.hazard = hazardOfStop(s.Reason)
					p.fault(act.words, c.job.clock(act.at), ", work had been stopped ", c.job.clock(s.At), " for ", spaced(s.Reason))
				}
			}
			p.done()
		}
		if acts == 0 {
			c.holds()
		}
	},
}

// act is something that a crew did and a stop forbids.
type act struct {
	subject domain.Subject
	at      time.Time
	begun   *time.Time // when what it closes was opened; nil where it closes nothing
	words   string
}

// acts lists the openings, takings down and repairs whose time is recorded.
func (a *Assembled) acts() (list []act) {
	for _, x := range a.Crossovers {
		if x.Record.TakenDownAt != nil {
			list = append(list, act{subject: x.Subject(), at: *x.Record.TakenDownAt, words: "it was taken down "})
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() && o.Record.MadeAt != nil {
			list = append(list, act{subject: o.Subject(), at: *o.Record.MadeAt, words: "it was opened "})
		}
	}
	for _, r := range a.Repairs {
		done := act{subject: r.Subject(), at: r.Record.DoneAt, words: "it was done "}
		if r.Record.CrossoverID != nil {
			if x, ok := find(a.Crossovers, *r.Record.CrossoverID); ok {
				done.begun = x.Record.TakenDownAt
			}
		}
		list = append(list, done)
	}
	return list
}

// stops lists those of all visits.
func (a *Assembled) stops() (list []domain.Stop) {
	for _, v := range a.Visits {
		list = append(list, v.Record.Stops...)
	}
	return list
}

var stopCleared = Rule{
	Key: "stop_cleared", Title: "Who may lift a stop lifted it",
	Why:      "Gas, carbon monoxide and wet wiring are not judged by a crew: what looks over may be there still.",
	Judged:   "A stop for gas, carbon monoxide or wiring that was lifted was lifted by the utility, the fire service or a licensed person, named; one for carbon monoxide with a new reading within the limit.",
	None:     "no stop for gas, carbon monoxide or wiring was lifted",
	Fix:      "Ask who lifted the stop and record it; nobody works on until the utility, the fire service or a licensed person has.",
	Severity: MustFix, Missing: Blocks, Cure: Office, Hazard: CombustionGas, SafetyTalk: true,
	Parameters: []Parameter{{"stop_co_ppm", "ppm", 35, 1, 35, "SWS 2.0105.1 (2016), written for combustion testing; that all work stops is the program's own"}},
	Source:     practice + "; local code governs",
	Example: Example{
		Holds:  "Gas smelled 10:00, lifted 11:30 by the gas utility, whose technician is named.",
		Broken: "Gas smelled 10:00, lifted 10:20 by the crew.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p, lifted := c.on(v.Subject()), false
			for _, s := range v.Record.Stops {
				if s.ClearedAt != nil && (s.Reason == "gas" || s.Reason == "co" || s.Reason == "wet_wiring") {
					lifted = true
					p.hazard = hazardOfStop(s.Reason)
					c.cleared(&p, s)
				}
			}
			if !lifted {
				continue
			}
			if len(p.faults) > 0 {
				p.cure = NoCure
			}
			p.done()
		}
	},
}

// cleared judges how one stop was lifted.
func (c *check) cleared(p *part, s domain.Stop) {
	of := " the stop of " + c.job.clock(s.At) + " for " + spaced(s.Reason)
	switch {
	case s.ClearedAs == domain.ClearedByCrew:
		p.fault("the crew itself lifted", of)
	case s.ClearedAs == "" || s.ClearedBy == "":
		p.lack("who lifted", of, ", by name and capacity")
	}
	if s.Reason != "co" {
		return
	}
	switch limit := c.limit("stop_co_ppm"); {
	case s.ClearedCOPpm == nil:
		p.lack("the reading with which it was lifted")
	case *s.ClearedCOPpm > limit:
		p.fault("it was lifted at ", number(*s.ClearedCOPpm), " ppm; the program wants at most ", number(limit), " ppm")
	}
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

var visitTimesRecorded = Rule{
	Key: "visit_times_recorded", Title: "Each visit tells when the crew came and left",
	Why:      "Whether the home was left with heat, and who was where, is told from these two times.",
	Judged:   "Each visit has the times at which the crew arrived and left, both of its own day, like the times of its stops. One at which nobody let the crew in has the first; when it left is not asked before the job is sent in.",
	None:     "no visit is recorded",
	Fix:      "Ask the crew, and record when it arrived and left.",
	Severity: Check, Missing: Asks, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Visit of 2026-10-14, from 08:10 to 15:40.",
		Broken: "Visit of 2026-10-14, arrived 2026-10-15.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			on := func(at *time.Time, did string) {
				if at == nil {
					p.lack("when the crew ", did)
				} else if day := c.job.Day(*at); day != v.Record.VisitedOn {
					p.fault("the crew ", did, " on ", string(day))
				}
			}
			on(v.Record.ArrivedAt, "arrived")
			if v.Record.LeftAt != nil || !yes(v.Record.NoShow) && !c.job.early() {
				on(v.Record.LeftAt, "left")
			}
			for _, s := range v.Record.Stops {
				on(&s.At, "stopped work")
			}
			p.done()
		}
	},
}

var crewCertified = Rule{
	Key: "crew_certified", Title: "The lead is certified on the day",
	Why:      "The lead decides under the home what is cut and what is left.",
	Judged:   "On each visit the lead's duct-sealing certificate covers the day.",
	None:     "no visit is recorded",
	Severity: MustFix, Missing: Blocks, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "Visit of 2026-10-14, certificate to 2027-02-28.",
		Broken: "Visit of 2026-10-14, certificate to 2026-09-30.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			switch lead := v.Record.LeadID; {
			case lead == nil:
				p.lack("who led the crew")
			case !c.job.certified(*lead, domain.DuctSealingCertificate, v.Record.VisitedOn):
				p.fault("no duct-sealing certificate of the lead covers ", string(v.Record.VisitedOn))
			}
			p.done()
		}
	},
}

var crewMemberSupervised = Rule{
	Key: "crew_member_supervised", Title: "A new lead works beside an experienced member",
	Why:      "The first homes of a lead are where most is missed.",
	Judged:   "A lead who has led fewer homes than the limit works with a named member who has led as many or more.",
	None:     "no visit with a lead is recorded",
	Severity: Check, Missing: Silent, Cure: NoCure,
	Parameters: []Parameter{{"homes_count", "homes", 10, 1, 100, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "A lead with 3 homes, beside a member with 41.",
		Broken: "A lead with 3 homes, beside a member with 5.",
	},
	check: func(c *check) {
		asked := int(c.limit("homes_count"))
		for _, v := range c.job.Visits {
			if v.Record.LeadID == nil {
				continue
			}
			p := c.on(v.Subject())
			led, known := c.job.homesLed(*v.Record.LeadID)
			switch {
			case led >= asked:
			case !known:
				p.lack("how many homes the lead has led")
			default:
				c.supervised(&p, v.Record, led, asked)
			}
			p.done()
		}
	},
}

// supervised looks for an experienced member beside a new lead.
func (c *check) supervised(p *part, v *domain.Visit, led, asked int) {
	unknown := false
	for _, member := range v.CrewIDs {
		if member == *v.LeadID {
			continue
		}
		homes, known := c.job.homesLed(member)
		if homes >= asked {
			return
		}
		unknown = unknown || !known
	}
	if unknown {
		p.lack("how many homes the other members have led")
		return
	}
	p.fault("the lead has led ", some(float64(led), "home"), " and no member with ", count(asked), " or more worked beside")
}

// homesLed is how many homes a member has led: before the program recorded
// them and since. What is known is a least number where the first is not.
func (a *Assembled) homesLed(member domain.UUID) (homes int, known bool) {
	homes = a.Outside.HomesLed[member]
	if m, ok := find(a.Members, member); ok && m.Record.HomesLedBeforeCount != nil {
		return homes + *m.Record.HomesLedBeforeCount, true
	}
	return homes, false
}

var homeNotTreatedBefore = Rule{
	Key: "home_not_treated_before", Title: "The home was not treated before",
	Why:      "The funder does not pay twice for one home within the term.",
	Judged:   "No duct sealing at this home was accepted within the term before the day of the work; before any visit, before the day on which the job was recorded. The term of the program's own funds may differ.",
	None:     "no visit is recorded, nor when the job was",
	Fix:      "Charge the work to a fund that allows it, or void the job.",
	Severity: Check, Missing: Silent, Cure: Office,
	Parameters: []Parameter{{"years", "years", 15, 0, 50, statute}},
	Source:     statute + " for weatherization; other terms differ",
	Example: Example{
		Holds:  "Accepted 2011-10-14, worked on again 2026-10-14: 15 years.",
		Broken: "Accepted 2019-05-02, worked on again 2026-10-14.",
	},
	check: func(c *check) {
		day := c.job.WorkedOn()
		if recorded := c.job.Job.RecordedAt; day == "" && !recorded.IsZero() {
			day = c.job.Day(recorded)
		}
		if day == "" {
			return
		}
		var latest domain.Date
		for _, e := range c.job.Outside.Earlier {
			if e.JobID != c.job.ID && e.AcceptedOn <= day && e.AcceptedOn > latest {
				latest = e.AcceptedOn
			}
		}
		p := c.on(c.job.subject())
		if years := int(c.limit("years")); latest != "" && day < yearsAfter(latest, years) {
			p.fault("duct sealing at this home was accepted on ", string(latest), ", less than ", count(years), " years before ", string(day))
		}
		p.done()
	},
}

// yearsAfter is the same day so many years on. 29 February of a year without
// one stands after 28 February and before 1 March, as text and in the calendar.
func yearsAfter(day domain.Date, years int) domain.Date {
	year, err := strconv.Atoi(string(day[:min(4, len(day))]))
	if err != nil || len(day) < 4 {
		return day
	}
	text := strconv.Itoa(year + years)
	for len(text) < 4 {
		text = "0" + text
	}
	return domain.Date(text) + day[4:]
}
