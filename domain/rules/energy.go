package rules

import (
	"time"

	"ductledger/domain"
)

var energyIsolated = Rule{
	Key: "energy_isolated", Title: "Energy is cut and verified before anything is opened",
	Why:      "A blower that starts while an arm is in the trunk takes fingers, and an electric furnace holds line voltage; many have two breakers or more.",
	Judged:   "Before the cabinet, a trunk or the crossover of an electric home was opened, the furnace was isolated at every point and that was verified, by whom and under which rule. The crossover of another furnace gives a note only.",
	None:     "nothing was opened for which energy must be cut",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Hazard: Electricity,
	Source: practice + "; the crew names the rule worked under, such as 29 CFR 1926.417 or 1910.147, which excludes construction",
	Example: Example{
		Holds:  "Isolated 09:40, verified 09:42, trunk opened 09:58.",
		Broken: "Trunk opened 09:58, isolated 10:04, verified 10:06.",
	},
	check: func(c *check) {
		opened := c.job.openedForEnergy()
		if len(opened) == 0 {
			return
		}
		var alone []domain.Subject // opened, and no isolation at all is recorded
		heavy := false
		for _, o := range opened {
			p := c.on(o.subject)
			if o.light {
				p.soften(Note)
			}
			heavy = heavy || !o.light
			switch {
			case o.unknownFurnace:
				c.need(furnaceKindFact)
				continue
			case len(c.job.Isolations) > 0:
				if !c.isolatedBefore(&p, o) {
					c.notJudged()
					continue
				}
			case o.light:
				p.fault("it was opened ", c.job.clock(*o.at), " and no isolation of energy is recorded")
			default:
				alone = append(alone, o.subject)
				continue
			}
			p.done()
		}
		if len(alone) > 0 {
			p := c.onAll(alone...)
			p.lack("that energy was isolated and verified before the opening")
			p.done()
		}
		for _, i := range c.job.Isolations {
			c.isolation(i, heavy)
		}
	},
}

// energyOpening is something behind which energy waits.
type energyOpening struct {
	subject        domain.Subject
	at             *time.Time
	light          bool // the crossover of a furnace that is not electric
	unknownFurnace bool // a crossover, and what heats the home is not recorded
}

// openedForEnergy lists what must not be opened under energy, by id in each kind.
func (a *Assembled) openedForEnergy() (opened []energyOpening) {
	for _, x := range a.Crossovers {
		if x.Record.TakenDownAt != nil {
			opened = append(opened, energyOpening{
				subject: x.Subject(), at: x.Record.TakenDownAt,
				light: !electric(a.home()), unknownFurnace: a.home().FurnaceKind == "",
			})
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() && o.Record.In == domain.InDuct {
			opened = append(opened, energyOpening{subject: o.Subject(), at: o.Record.MadeAt})
		}
	}
	for _, r := range a.Repairs {
		inside, _ := insideCabinet(r.Record)
		switch {
		case r.Record.OpenedAt != nil:
			opened = append(opened, energyOpening{subject: r.Subject(), at: r.Record.OpenedAt})
		case inside: // the latest moment at which it can have been opened
			opened = append(opened, energyOpening{subject: r.Subject(), at: &r.Record.DoneAt})
		}
	}
	return opened
}

// isolatedBefore judges one opening against the isolations of the job; false
// where an isolation lacks its times, which is said once, of the isolation.
func (c *check) isolatedBefore(p *part, o energyOpening) bool {
	if o.at == nil {
		p.lack("when it was opened")
		return true
	}
	var nearest *domain.EnergyIsolation
	for _, i := range c.job.Isolations {
		r := i.Record
		switch {
		case r.IsolatedAt == nil || r.VerifiedAt == nil:
			return false
		case r.IsolatedAt.Before(*o.at) && r.VerifiedAt.Before(*o.at) && (r.ReleasedAt == nil || r.ReleasedAt.After(*o.at)):
			return true
		case nearest == nil || distance(*r.IsolatedAt, *o.at) < distance(*nearest.IsolatedAt, *o.at):
			nearest = r
		}
	}
	clock := c.job.clock
	if nearest.ReleasedAt != nil && !nearest.ReleasedAt.After(*o.at) {
		p.fault("it was opened ", clock(*o.at), ", energy had been released ", clock(*nearest.ReleasedAt))
		return true
	}
	p.fault("it was opened ", clock(*o.at), ", energy was isolated ", clock(*nearest.IsolatedAt), " and verified ", clock(*nearest.VerifiedAt), "; the program wants both before")
	return true
}

func distance(x, y time.Time) time.Duration { return x.Sub(y).Abs() }

// isolation judges what is recorded of one isolation.
func (c *check) isolation(i Of[domain.EnergyIsolation], heavy bool) {
	p := c.on(i.Subject())
	if !heavy {
		p.soften(Note)
	}
	r := i.Record
	if r.IsolatedAt == nil {
		p.lack("when energy was cut")
	}
	if r.VerifiedAt == nil {
		p.lack("when it was verified")
	}
	if r.VerifiedByID == nil {
		p.lack("who verified it")
	}
	if r.RuleWorkedUnder == "" {
		p.lack("the rule that the crew worked under")
	}
	switch {
	case r.AllPoints != nil && !*r.AllPoints:
		p.fault("not every point of supply was cut")
	case r.PointsCount == nil && r.AllPoints == nil:
		p.lack("how many points of supply were cut")
	case r.PointsCount != nil && *r.PointsCount < 1:
		p.fault("no point of supply was cut")
	}
	p.done()
}
