package rules

import (
	"time"

	"ductledger/domain"
)

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
