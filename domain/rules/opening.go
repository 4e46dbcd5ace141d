package rules

import "ductledger/domain"

var openingHasTarget = Rule{
	Key: "opening_has_target", Title: "Each opening serves a part close to it",
	Why:      "Each cut in the wrap is a hole to close again: one that serves no part was made in the wrong place.",
	Judged:   "Each opening of the crew names a part of the ducts that lies close to it, in the same section.",
	None:     "the crew made no opening",
	Fix:      "Name the part for which it was made, or correct its place.",
	Severity: Check, Missing: Asks, Cure: Office,
	Parameters: []Parameter{{"within_ft", "ft", 2, 0.5, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "An opening at 20.4 ft of section A, made for the furnace joint at 20.0 ft.",
		Broken: "An opening at 30.0 ft of section A, made for the furnace joint at 20.0 ft.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() {
				continue
			}
			c.target(o)
		}
	},
}

// target judges whether an opening lies near the part that it names.
func (c *check) target(o Of[domain.Opening]) {
	p := c.on(o.Subject())
	r := o.Record
	switch {
	case r.Target == nil:
		p.lack("the part for which it was made")
	case c.job.voided(*r.Target): // parent_not_voided says so
	case c.job.record(*r.Target) == nil:
		p.fault("it names a part that is not on this job")
	case r.Section == "" && c.job.home().SectionCount != 1:
		p.lack("in which section it is")
	case r.PositionFt == nil:
		p.lack("where it is, in ft from the front")
	default:
		low, high, section, known := c.job.reach(*r.Target, r.Section)
		if !known {
			c.notJudged()
			return
		}
		if r.Section != "" && section != "" && section != r.Section {
			p.fault("the part is in section ", string(section))
		} else if d := max(low-*r.PositionFt, *r.PositionFt-high); over(d, c.limit("within_ft")) {
			p.fault("it lies ", feet(d), " from the part; the program wants at most ", feet(c.limit("within_ft")))
		}
	}
	p.done()
}

// reach is where a part lies along the home, in ft from the front. Not known:
// positions between the first and the last outlet need not be recorded.
func (a *Assembled) reach(s domain.Subject, near domain.Section) (low, high float64, section domain.Section, known bool) {
	at := func(ft *float64, section domain.Section) (float64, float64, domain.Section, bool) {
		if ft == nil {
			return 0, 0, section, false
		}
		return *ft, *ft, section, true
	}
	switch r := a.record(s).(type) {
	case *domain.Crossover:
		if end := endOf(r, near); end != nil {
			return at(end.PositionFt, near)
		}
	case *domain.Component:
		switch {
		case r.PositionFt != nil:
			return at(r.PositionFt, r.Section)
		case r.Component == domain.Trunk && r.StartFt != nil && r.EndFt != nil:
			return *r.StartFt, *r.EndFt, r.Section, true
		case r.Component == domain.FurnaceJoint, r.Component == domain.SupplyCollar:
			if r.Section == "" || r.Section == a.home().FurnaceSection {
				return at(a.home().FurnacePositionFt, a.home().FurnaceSection)
			}
			return at(nil, r.Section) // of another furnace, whose place the home does not tell
		case r.Component == domain.TrunkEnd:
			if trunk := a.trunkOf(r.Section); trunk != nil && r.End == domain.Front {
				return at(trunk.StartFt, r.Section)
			} else if trunk != nil {
				return at(trunk.EndFt, r.Section)
			}
		}
	}
	return 0, 0, "", false
}

var crewOpeningClosed = Rule{
	Key: "crew_opening_closed", Title: "What the crew opened is closed",
	Why:      "An open duct heats the belly, and an open wrap lets its insulation fall and animals in.",
	Judged:   "Each opening that the crew made or enlarged has a time at which it was closed. One that was found and left as it was is never asked for.",
	None:     "the crew made no opening",
	Fix:      "Close it before you leave, and record how.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice + "; Illinois 77 Adm. Code 870.120(c) asks the same",
	Example: Example{
		Holds:  "Wrap cut at 09:45 for the furnace joint, closed at 14:20.",
		Broken: "Wrap cut at 09:45 for the furnace joint, no time of closing when the job is sent in.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() {
				continue
			}
			p := c.on(o.Subject())
			switch {
			case o.Record.ClosedAt != nil:
			case o.Record.Closure != nil:
				p.lack("when it was closed")
			default:
				p.fault("it is still open")
			}
			p.done()
		}
	},
}

var foundDamageNotCharged = Rule{
	Key: "found_damage_not_charged", Title: "Closing what was found open is not charged",
	Why:      "The program pays for sealed ducts. Wrap that was torn before may be closed; it need not be.",
	Judged:   "Counts the found openings that the crew closed. The schedule of prices has no line for them unless the rule set says that it pays them.",
	None:     "no found opening was closed",
	Fix:      "Nothing is to be done on site.",
	Severity: Check, Missing: Silent, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "A tear in the wrap, found and closed, without pay.",
		Broken: "None: the service itself makes the lines that are paid, and makes none for found openings.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			switch {
			case o.Record.Made() || !closed(o.Record):
			case c.set.PaysFoundWrap:
				c.notApplicable("the rule set pays for closing found openings")
			default:
				c.holds()
			}
		}
	},
}

// closed tells whether an opening was closed, as far as is recorded.
func closed(o *domain.Opening) bool { return o.ClosedAt != nil || o.Closure != nil }

// closureOf is how an opening was closed; without any fact where that is not
// recorded.
func closureOf(o *domain.Opening) *domain.Closure {
	if o.Closure == nil {
		return &domain.Closure{}
	}
	return o.Closure
}
