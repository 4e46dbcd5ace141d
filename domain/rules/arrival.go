package rules

import (
	"time"

	"ductledger/domain"
)

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

var hazardRead = Rule{
	Key: "hazard_read", Title: "A hazard that was seen is read by a reviewer",
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
