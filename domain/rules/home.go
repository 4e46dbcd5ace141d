package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

// The facts of a home that several rules rest on. A missing one is one
// finding on that fact, however many rules ask for it.
type homeFact int

const (
	furnaceKindFact homeFact = iota
	furnaceSectionFact
	furnacePositionFact
	ductedSectionsFact
	joistDirectionFact
	wrapKindFact
	combustionFact
	factsCount
)

// need says that the rule cannot tell because a fact of the home is missing.
func (c *check) need(fact homeFact) {
	if c.missing == Silent {
		c.notJudged()
	} else {
		c.tally().Outcomes.NotRecorded++
	}
	if c.missing == Blocks || c.missing == Asks && c.needs[fact] != Blocks {
		c.needs[fact] = c.missing
	}
}

// homeFactRule makes the rule that stands for one fact.
func homeFactRule(key, title, why, what string, fact homeFact, known func(*domain.Home) bool) Rule {
	return Rule{
		Key: key, Title: title, Why: why,
		Judged:   "Asked for only where another rule needs the fact on this job; as heavy as the heaviest of them.",
		None:     "no rule needs the fact on this job",
		Severity: MustFix, Missing: Blocks, Cure: OnSite,
		Fix:     "Look at the home and record " + what + ".",
		Source:  practice,
		Example: Example{Holds: "The home says " + what + ".", Broken: "A rule asks for it and the home does not say " + what + "."},
		check: func(c *check) {
			switch {
			case known(c.job.home()):
				c.holds()
			case c.needs[fact] == Blocks, c.needs[fact] == Asks:
				p := c.on(c.job.homeSubject())
				p.missing = c.needs[fact]
				p.lack(what)
				p.done()
			}
		},
	}
}

var furnaceKindRecorded = homeFactRule("furnace_kind_recorded", "What heats the home is recorded",
	"What must be isolated, and which joint is the one next to the blower, follow from the kind of furnace.",
	"what kind of furnace heats it", furnaceKindFact,
	func(h *domain.Home) bool { return h.FurnaceKind != "" })

var furnaceSectionRecorded = homeFactRule("furnace_section_recorded", "The section that holds the furnace is recorded",
	"Only from there can be told which sections get warm air.",
	"which section holds the furnace", furnaceSectionFact,
	func(h *domain.Home) bool { return h.FurnaceSection != "" })

var furnacePositionRecorded = homeFactRule("furnace_position_recorded", "The furnace's place along the home is recorded",
	"Where the trunk is cut open, and what lies near the furnace, is told from there.",
	"how far from the front the furnace stands, ft", furnacePositionFact,
	func(h *domain.Home) bool { return h.FurnacePositionFt != nil })

// furnacePlaced tells whether it is recorded where the furnace stands along the
// home, of it or of its joint. A packaged unit stands outside.
func (a *Assembled) furnacePlaced() bool {
	home := a.home()
	return home.FurnacePositionFt != nil || home.FurnaceKind == domain.PackagedOutdoor ||
		slices.ContainsFunc(a.Components, func(c Of[domain.Component]) bool {
			return c.Record.Component == domain.FurnaceJoint && c.Record.PositionFt != nil && (c.Record.Section == "" || c.Record.Section == home.FurnaceSection)
		})
}

var ductedSectionsRecorded = homeFactRule("ducted_sections_recorded", "The sections that hold ducts are recorded",
	"A section with ducts and no way to a furnace stays cold, and nobody sees it from below.",
	"which sections hold ducts", ductedSectionsFact,
	func(h *domain.Home) bool { return len(h.DuctedSections) > 0 })

var joistDirectionRecorded = homeFactRule("joist_direction_recorded", "The direction of the joists is recorded",
	"Crosswise joists put a riser between trunk and floor, and with it a second joint that leaks.",
	"which way the floor joists run", joistDirectionFact,
	func(h *domain.Home) bool { return h.JoistDirection != "" })

var wrapKindRecorded = homeFactRule("wrap_kind_recorded", "What closes the belly is recorded",
	"Fabric is stapled and board is screwed: how a cut is closed follows from what was cut.",
	"what closes the belly: fabric, board or nothing", wrapKindFact,
	func(h *domain.Home) bool { return h.WrapKind != "" })

var combustionAppliancesRecorded = homeFactRule("combustion_appliances_recorded", "Combustion appliances are recorded",
	"Sealing ducts changes how air moves in a home, and with it the draft of whatever burns there.",
	"which combustion appliances are in it, or that there is none", combustionFact,
	func(h *domain.Home) bool { return h.CombustionAppliances != nil || burns(h) })

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

var someoneHome = Rule{
	Key: "someone_home", Title: "Somebody lets the crew in",
	Why:      "A visit to a locked home costs a day; the office calls before the next one.",
	Judged:   "No visit found nobody at home.",
	None:     "no visit is recorded",
	Severity: Note, Missing: Silent, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "The resident opened at 08:10.",
		Broken: "Nobody opened at 08:10.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			if yes(v.Record.NoShow) {
				p.fault("nobody let the crew in")
			}
			p.done()
		}
	},
}

var appointmentKept = Rule{
	Key: "appointment_kept", Title: "The crew comes when it was announced",
	Why:      "A resident who waited in vain does not open the next time, and a missed day costs both.",
	Judged:   "Each appointment was kept: somebody opened, a visit of that day is recorded, and the crew came no later than was told. One that was moved or canceled, or is still to come, is not judged.",
	None:     "no appointment was made",
	Fix:      "Call the resident, make another appointment, and record what became of this one.",
	Severity: Note, Missing: Silent, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "Told from 08:00 to 10:00, the crew came 08:10.",
		Broken: "Told from 08:00 to 10:00, the crew came 10:40.",
	},
	check: func(c *check) {
		for _, a := range c.job.Appointments {
			r := a.Record
			came, arrived := c.job.arrivedOn(r.PlannedOn)
			switch {
			case r.State == domain.AppointmentMoved, r.State == domain.AppointmentCanceled:
				c.notApplicable("the appointment was moved or canceled")
				continue
			case r.State == domain.AppointmentMade && !came && c.job.WorkedOn() <= r.PlannedOn:
				c.notApplicable("the appointment is still to come")
				continue
			}
			p := c.on(a.Subject())
			switch {
			case r.State == domain.AppointmentMissed:
				p.fault("nobody let the crew in")
			case !came:
				p.fault("no visit of that day is recorded")
			case r.UntilAt == nil:
			case arrived == nil:
				p.lack("when the crew arrived")
			case arrived.After(*r.UntilAt):
				p.fault("the crew came ", c.job.clock(*arrived), "; it was told for ", c.job.clock(*r.UntilAt), " at the latest")
			}
			p.done()
		}
	},
}

// arrivedOn tells whether a crew came on a day, and when the first one did.
func (a *Assembled) arrivedOn(day domain.Date) (came bool, first *time.Time) {
	for _, v := range a.Visits {
		if v.Record.VisitedOn != day {
			continue
		}
		came = true
		if at := v.Record.ArrivedAt; at != nil && (first == nil || at.Before(*first)) {
			first = at
		}
	}
	return came, first
}

var priorDamageShown = Rule{
	Key: "prior_damage_shown", Title: "What was damaged before is photographed",
	Why:      "Without a photo the crew is held to have done it.",
	Judged:   "Each damage that was there before the crew began names a photo that shows it.",
	None:     "no damage before the work is recorded",
	Fix:      "Take a photo of it and name it beside the damage.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Cracked floor register in section B, photo of 08:15.",
		Broken: "Cracked floor register in section B, no photo.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			if len(v.Record.DamageBefore) == 0 {
				continue
			}
			p := c.on(v.Subject())
			for i, d := range v.Record.DamageBefore {
				if d.PhotoID == nil {
					p.fault("no photo shows damage ", count(i+1), " of ", count(len(v.Record.DamageBefore)))
				} else if _, ok := find(c.job.Photos, *d.PhotoID); !ok {
					p.lack("the photo of damage ", count(i+1))
				}
			}
			p.done()
		}
	},
}

// HazardRead is the key of the rule whose finding the office answers within a
// day, whatever its severity is set to.
const HazardRead = "hazard_read"

var hazardRead = Rule{
	Key: HazardRead, Title: "A hazard that was seen is read by a reviewer",
	Why:      "Work went on, so nobody stopped to think about it; the resident still lives with it.",
	Judged:   "Each hazard that a crew saw although work went on is a question to a reviewer, to be read within a day.",
	None:     "no visit is recorded",
	Fix:      "Read it within a day: send a licensed person, stop the work, or tell the resident; then answer.",
	Severity: Check, Missing: Silent, Cure: Office, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "No hazard was seen.",
		Broken: "A bare wire seen at 09:10, work went on.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			p := c.on(v.Subject())
			for _, h := range v.Record.Hazards {
				p.hazard = hazardOfKind(h.Kind)
				p.fault(spaced(h.Kind), " was seen ", c.job.clock(h.SeenAt), " and work went on")
			}
			p.done()
		}
	},
}

// hazardOfKind is the caution that goes with a hazard.
func hazardOfKind(kind string) Hazard {
	switch kind {
	case "gas_smell", "carbon_monoxide", "damaged_vent":
		return CombustionGas
	case "bare_wire":
		return Electricity
	case "loose_piers":
		return LoosePiers
	case "suspect_material":
		return OldMaterials
	case "droppings":
		return Droppings
	case "mold":
		return Mold
	}
	return CrawlSpace
}

var returnDrawsCrawlAir = Rule{
	Key: "return_draws_crawl_air", Title: "The return draws no air from the crawl space",
	Why:      "A return that draws from below brings soil air into the home, and can pull the draft of what burns there backward.",
	Judged:   "Where the return draws crawl-space air: at an electric home it is handed over; where something burns that is not sealed, the furnace is not left running until the combustion safety test passed.",
	None:     "the return was not looked at",
	Fix:      "Close the way of the crawl-space air or leave the furnace off, hand it over, and record to whom.",
	Severity: MustFix, Missing: Silent, Cure: OnSite, Hazard: CombustionGas,
	Source: practice + "; local code governs",
	Example: Example{
		Holds:  "Return draws crawl-space air, gas furnace left off and handed over.",
		Broken: "Return draws crawl-space air, gas furnace left running, no test.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			if v.Record.Return == nil {
				continue
			}
			p := c.on(v.Subject())
			switch r := v.Record.Return; {
			case r.DrawsCrawlAir == nil:
				p.lack("whether the return draws crawl-space air")
			case *r.DrawsCrawlAir:
				c.crawlAir(&p, v.Record)
			}
			p.done()
		}
	},
}

// crawlAir judges what was done about a return that draws crawl-space air.
func (c *check) crawlAir(p *part, v *domain.Visit) {
	home := c.job.home()
	burning := burns(home) || len(home.CombustionAppliances) > 0
	vented := v.Combustion == nil || v.Combustion.Appliance != domain.SealedCombustion
	passed := v.Combustion != nil && v.Combustion.TestResult == "passed"
	switch running := v.Return.LeftRunning; {
	case !burning || !vented || passed:
		p.soften(Check)
		p.cure = ReturnVisit
		p.fault("the return draws crawl-space air")
	case running == nil:
		p.missing = Blocks
		p.lack("whether the furnace was left running")
	case *running:
		p.fault("the return draws crawl-space air, something burns in the home, and the furnace was left running")
	default:
		p.soften(Check)
		p.cure = ReturnVisit
		p.fault("the return draws crawl-space air; the furnace was left off")
	}
	if v.Return.Handover == "" {
		p.lack("to whom it was handed over")
	}
}

var closetPressure = Rule{
	Key: "closet_pressure", Title: "The furnace closet is not drawn far below the home",
	Why:      "A closet short of air overheats the furnace and can pull gas back down a vent.",
	Judged:   "With the blower high and the door closed the closet is no further below the home than the limit.",
	None:     "the pressure in the closet was not read",
	Fix:      "Open the way of the return air: a larger grille, a cut door, an open register.",
	Severity: Check, Missing: Silent, Cure: ReturnVisit, Hazard: CombustionGas,
	Parameters: []Parameter{{"below_pa", "Pa", 12.45, 1, 50, "furnace manufacturers' conditions, 0.05 in of water"}},
	Source:     "furnace manufacturers' conditions",
	Example: Example{
		Holds:  "The closet is 8 Pa below the home.",
		Broken: "The closet is 20 Pa below the home.",
	},
	check: func(c *check) {
		for _, v := range c.job.Visits {
			if v.Record.Return == nil || v.Record.Return.ClosetPa == nil {
				continue
			}
			p := c.on(v.Subject())
			if below := -*v.Record.Return.ClosetPa; over(below, c.limit("below_pa")) {
				p.fault("the closet is ", number(below), " Pa below the home; the program wants at most ", number(c.limit("below_pa")), " Pa")
			}
			p.done()
		}
	},
}

var outcomeShown = Rule{
	Key: "outcome_shown", Title: "What came of the job is said, and why",
	Why:      "An outcome that nothing stands behind tells the next reader nothing: nobody knows whether to go there, and why.",
	Judged:   "A job that is sent in has an outcome, and its records agree with it. Work that was done, and ducts that needed none, owe a visit, the latter a photo too. A deferral owes a code and what would let the work begin; every other outcome but completed a reason, and so does the code other. Ducts that were sealed are completed or partial; completed without a seal is a question.",
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
			if slices.Contains(job.DeferCodes, domain.DeferOther) && job.OutcomeReason == "" {
				p.lack("why it was put off")
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
		switch {
		case job.Outcome == "":
		case !c.job.worked() && c.job.sealing():
			p.fault("it says ", spaced(string(job.Outcome)), ", and work on the ducts is recorded; begun and left is partial")
		case job.Outcome == domain.Completed && len(p.lacks) == 0 && !c.job.workShown():
			p.soften(Check)
			p.fault("it says completed, and nothing was sealed; ducts that need no work are nothing to do")
		}
		p.done()
	},
}
