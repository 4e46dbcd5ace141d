package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

var energyIsolated = Rule{
	Key: "energy_isolated", Title: "Energy is off and verified while hands may be inside",
	Why:      "A blower that starts while an arm is in the trunk takes fingers, and an electric furnace holds line voltage; many have two breakers or more.",
	Judged:   "Through each interval in which hands are, or may be, inside cabinet or duct, each furnace that feeds the duct is cut at every point that was found, and verified. Energy may come back in between once people are clear and the ducts are closed; then it is cut and verified again. Times closer than the clocks tell apart are for a reviewer, and so are a crossover of a furnace that is not electric, boots, and the closing of a hole that was found.",
	None:     "nothing was opened for which energy must be cut",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Hazard: Electricity, SafetyTalk: true,
	Parameters: []Parameter{{"clocks_min", "min", 5, 0, 30, practice}},
	Source:     practice + "; 29 CFR 1926.417 (all points off and tagged), where it applies; the crew names the rule worked under",
	Example: Example{
		Holds:  "Isolated 09:40, verified 09:42, trunk open 09:58 to 11:05, released 14:45.",
		Broken: "Trunk opened 09:58, isolated 10:04, verified 10:06.",
	},
	check: func(c *check) {
		inside := c.job.handsInside()
		if len(inside) == 0 {
			return
		}
		var alone []domain.Subject // and no isolation at all is recorded
		heavy := false
		for _, h := range inside {
			p := c.on(h.subject)
			if h.light {
				p.soften(Check)
			}
			heavy = heavy || !h.light
			switch {
			case h.unknownFurnace:
				c.need(furnaceKindFact)
				continue
			case len(c.job.Isolations) > 0:
				if !c.covered(&p, h) {
					c.notJudged()
					continue
				}
			case !h.light:
				alone = append(alone, h.subject)
				continue
			case h.from == nil:
				p.lack("when it was opened")
			default:
				p.fault("hands may have been inside at ", c.job.clock(*h.from), " and no isolation of energy is recorded")
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

var meterProven = Rule{
	Key: "meter_proven", Title: "The meter is tried before and after",
	Why:      "A dead meter finds every wire dead.",
	Judged:   "At each isolation the meter was tried on something known to be live before the furnace was tested, and again after.",
	None:     "no energy was isolated",
	Severity: Check, Missing: Silent, Cure: NoCure, Hazard: Electricity, SafetyTalk: true,
	Source: "NFPA 70E, from memory; local code governs",
	Example: Example{
		Holds:  "Meter tried on a live outlet, furnace tested, meter tried again.",
		Broken: "Furnace tested with a meter that nobody tried.",
	},
	check: func(c *check) {
		for _, i := range c.job.Isolations {
			p := c.on(i.Subject())
			p.yes(i.Record.MeterProven, "the meter was not tried before and after", "whether the meter was tried before and after", "")
			p.done()
		}
	},
}

// inside is a time during which hands are, or may be, in a duct or a cabinet.
type inside struct {
	subject        domain.Subject
	from, to       *time.Time // to is nil where the end is not known
	section        domain.Section
	light          bool // a crossover of a furnace that is not electric, a boot, or a hole that was found
	verb           string
	unknownFurnace bool // a crossover, and what heats the home is not recorded
}

// handsInside lists these times: crossovers that are down, ducts that the
// crew opened, work in the cabinet, and repairs that reach into a duct where
// none of the others covers them.
func (a *Assembled) handsInside() (list []inside) {
	for _, x := range a.Crossovers {
		if x.Record.TakenDownAt != nil {
			list = append(list, inside{
				subject: x.Subject(), verb: "taken down ", from: x.Record.TakenDownAt, to: a.refitted(x.ID), section: x.Record.FromSection,
				light: !electric(a.home()), unknownFurnace: a.home().FurnaceKind == "",
			})
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() && o.Record.In == domain.InDuct {
			list = append(list, inside{subject: o.Subject(), verb: "opened ", from: o.Record.MadeAt, to: o.Record.ClosedAt, section: o.Record.Section})
		}
	}
	openings := slices.Clone(list)
	covered := func(h inside) bool {
		return slices.ContainsFunc(openings, func(o inside) bool { return o.spans(h) })
	}
	for _, o := range a.Openings {
		if at := o.Record.ClosedAt; o.Record.In == domain.InDuct && !o.Record.Made() && at != nil {
			if h := (inside{subject: o.Subject(), verb: "closed ", from: at, to: at, section: o.Record.Section, light: true}); !covered(h) {
				list = append(list, h)
			}
		}
	}
	for _, r := range a.Repairs {
		h := inside{subject: r.Subject(), verb: "done ", from: &r.Record.DoneAt, to: &r.Record.DoneAt, section: a.sectionOf(r.Record)}
		if r.Record.OpenedAt != nil {
			h.from, h.verb = r.Record.OpenedAt, "opened "
		}
		cabinet, _ := insideCabinet(r.Record)
		switch r.Record.Repair {
		case domain.RepairFurnaceJoint, domain.RepairSupplyCollar, domain.RepairTrunk, domain.RepairTrunkSeam, domain.RepairTrunkEnd:
		case domain.RepairBoot, domain.RepairRiser:
			if r.Record.Access != domain.FromAbove && r.Record.OpenedAt == nil && !cabinet {
				continue
			}
			h.light = r.Record.OpenedAt == nil && !cabinet
		default:
			if r.Record.OpenedAt == nil && !cabinet {
				continue
			}
		}
		if cabinet || r.Record.OpenedAt != nil || !covered(h) {
			list = append(list, h)
		}
	}
	if len(a.Isolations) == 0 { // one fault, said once, of what weighs most
		list = a.weightiest(list)
	}
	return list
}

// weightiest keeps what was opened, else repairs that reach into a duct, else
// boots and holes that were found.
func (a *Assembled) weightiest(list []inside) []inside {
	weight := func(h inside) int {
		r, repair := a.record(h.subject).(*domain.Repair)
		switch {
		case h.verb == "closed ":
			return 2
		case !repair || r.OpenedAt != nil || yes(r.InCabinet):
			return 0
		case !h.light:
			return 1
		}
		return 2
	}
	least := 2
	for _, h := range list {
		least = min(least, weight(h))
	}
	return slices.DeleteFunc(list, func(h inside) bool { return weight(h) > least })
}

// spans tells whether one time covers another in the same section.
func (h inside) spans(o inside) bool {
	return h.section == o.section && h.from != nil && h.to != nil && !o.from.Before(*h.from) && !o.to.After(*h.to)
}

// refitted is when the last repair of a crossover was done; nil where none is
// recorded.
func (a *Assembled) refitted(crossover domain.UUID) (last *time.Time) {
	for _, r := range a.Repairs {
		if r.Record.CrossoverID != nil && *r.Record.CrossoverID == crossover && (last == nil || r.Record.DoneAt.After(*last)) {
			last = &r.Record.DoneAt
		}
	}
	return last
}

// sectionOf is the section of a repair's first part.
func (a *Assembled) sectionOf(r *domain.Repair) domain.Section {
	for _, id := range r.ComponentIDs {
		if part, ok := find(a.Components, id); ok {
			return part.Record.Section
		}
	}
	return ""
}

// covered judges one time against the isolations of each furnace that feeds
// the section; false where an isolation lacks its times, which is said once,
// of the isolation.
func (c *check) covered(p *part, h inside) bool {
	if h.from == nil {
		p.lack("when it was opened")
		return true
	}
	for _, furnace := range c.job.furnacesOf(h.section) {
		list := c.job.isolationsOf(furnace)
		if len(list) == 0 {
			p.lack("that the furnace of section ", string(furnace), " was isolated")
			continue
		}
		if slices.ContainsFunc(list, func(r *domain.EnergyIsolation) bool { return r.IsolatedAt == nil || r.VerifiedAt == nil }) {
			return false
		}
		c.coveredBy(p, h, list)
	}
	return true
}

// furnacesOf are the sections whose furnaces feed a section: all, where that
// cannot be told.
func (a *Assembled) furnacesOf(section domain.Section) []domain.Section {
	all := append([]domain.Section{a.home().FurnaceSection}, a.home().OtherFurnaceSections...)
	if section == "" || len(all) == 1 {
		return all
	}
	joined := a.joinedTo(section)
	feeding := slices.DeleteFunc(slices.Clone(all), func(s domain.Section) bool { return !joined[place(s)] })
	if len(feeding) == 0 {
		return all
	}
	return feeding
}

// isolationsOf are the isolations of one furnace, in the order of time. Where
// a home has one furnace, each is of that one.
func (a *Assembled) isolationsOf(furnace domain.Section) (list []*domain.EnergyIsolation) {
	for _, i := range a.Isolations {
		if r := i.Record; len(a.home().OtherFurnaceSections) == 0 || r.FurnaceSection == furnace || r.FurnaceSection == "" {
			list = append(list, r)
		}
	}
	slices.SortStableFunc(list, func(x, y *domain.EnergyIsolation) int {
		if x.IsolatedAt == nil || y.IsolatedAt == nil {
			return 0
		}
		return x.IsolatedAt.Compare(*y.IsolatedAt)
	})
	return list
}

// coveredBy judges whether energy was off from the first moment to the last,
// and what happened each time it came back in between.
func (c *check) coveredBy(p *part, h inside, list []*domain.EnergyIsolation) {
	clock := c.job.clock
	at := 0
	for i, r := range list { // the last that had begun
		if !r.IsolatedAt.After(*h.from) {
			at = i
		}
	}
	r := list[at]
	if at+1 < len(list) && r.ReleasedAt != nil && !r.ReleasedAt.After(*h.from) && list[at+1].VerifiedAt.Sub(*h.from) < h.from.Sub(*r.ReleasedAt) {
		at++ // the next one is nearer
		r = list[at]
	}
	switch {
	case r.ReleasedAt != nil && !r.ReleasedAt.After(*h.from):
		c.breach(p, h.from.Sub(*r.ReleasedAt), "it was ", h.verb, clock(*h.from), ", energy had been released ", clock(*r.ReleasedAt))
		return
	case r.VerifiedAt.After(*h.from):
		c.breach(p, r.VerifiedAt.Sub(*h.from), "it was ", h.verb, clock(*h.from), ", energy was isolated ", clock(*r.IsolatedAt),
			" and verified ", clock(*r.VerifiedAt), "; the program wants both before")
		return
	case c.close(h.from.Sub(*r.VerifiedAt)):
		c.unclear(p, "it was ", h.verb, clock(*h.from), ", energy was verified ", clock(*r.VerifiedAt), "; clocks do not tell these apart")
		return
	}
	if h.to == nil {
		return
	}
	for ; r.ReleasedAt != nil && r.ReleasedAt.Before(*h.to); at++ {
		if at+1 == len(list) || list[at+1].VerifiedAt.After(*h.to) {
			c.breach(p, h.to.Sub(*r.ReleasedAt), "it was closed ", clock(*h.to), ", energy had been released ", clock(*r.ReleasedAt))
			return
		}
		switch {
		case r.ClearAtRelease == nil:
			p.lack("whether people were clear and ducts closed at ", clock(*r.ReleasedAt), ", when energy came back")
		case !*r.ClearAtRelease:
			p.fault("energy came back ", clock(*r.ReleasedAt), " before people were clear and ducts closed")
		}
		r = list[at+1]
	}
}

// close tells moments that clocks cannot put in order.
func (c *check) close(apart time.Duration) bool {
	return apart.Minutes() < c.limit("clocks_min")
}

// breach is a fault; of moments too close to be told apart a question.
func (c *check) breach(p *part, by time.Duration, words ...string) {
	if c.close(by) {
		c.unclear(p, words...)
		return
	}
	p.fault(words...)
}

func (c *check) unclear(p *part, words ...string) {
	if len(p.faults) == 0 {
		p.soften(Check)
	}
	p.fault(words...)
}

// isolation judges what is recorded of one isolation.
func (c *check) isolation(i Of[domain.EnergyIsolation], heavy bool) {
	p := c.on(i.Subject())
	if !heavy {
		p.soften(Check)
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
	if len(c.job.home().OtherFurnaceSections) > 0 && r.FurnaceSection == "" {
		p.lack("which furnace was cut")
	}
	switch {
	case r.AllPoints != nil && !*r.AllPoints:
		p.fault("not every point of supply was cut")
	case r.PointsCount != nil && r.PointsFoundCount != nil && *r.PointsCount != *r.PointsFoundCount:
		p.fault("it cut ", some(float64(*r.PointsCount), "point"), " of supply, found: ", count(*r.PointsFoundCount))
	case r.PointsCount != nil && *r.PointsCount < 1:
		p.fault("no point of supply was cut")
	case r.PointsCount == nil || r.PointsFoundCount == nil: // that all were cut is a word, not a count
		p.lack("how many points of supply were found, and how many cut")
	}
	p.done()
}

var isolationReleased = Rule{
	Key: "isolation_released", Title: "Energy is given back before the crew leaves",
	Why:      "A home left without heat in winter is an emergency, and a lock left behind is opened by somebody who does not know why it hangs there.",
	Judged:   "Each isolation ends before the crew leaves, by whom, and the furnace was seen to run; or the furnace was handed over without heat, with a reason. No home is left overnight without heat otherwise.",
	None:     "no energy was isolated",
	Fix:      "Release it, see the furnace run or hand it over with a reason, and record both.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Released 14:45 by the lead, furnace ran, crew left 15:40.",
		Broken: "No release when the crew left at 15:40.",
	},
	check: func(c *check) {
		for _, i := range c.job.Isolations {
			p := c.on(i.Subject())
			c.released(&p, i.Record)
			p.done()
		}
	},
}

func (c *check) released(p *part, r *domain.EnergyIsolation) {
	switch {
	case r.ReleasedAt == nil && r.HandoverReason != "":
		return
	case r.ReleasedAt == nil:
		p.fault("it was not released, and no reason for a hand-over is recorded")
		return
	case r.HandoverReason == "" && r.IsolatedAt != nil && c.job.Day(*r.IsolatedAt) < c.job.Day(*r.ReleasedAt):
		p.fault("energy was off overnight, to ", c.job.clock(*r.ReleasedAt), ", and no reason for a hand-over is recorded")
	}
	if left := c.job.leftOn(c.job.Day(*r.ReleasedAt)); left != nil && r.ReleasedAt.After(*left) {
		p.fault("it was released ", c.job.clock(*r.ReleasedAt), ", the crew had left ", c.job.clock(*left))
	}
	if r.ReleasedByID == nil {
		p.lack("who released it")
	}
	switch {
	case r.HandoverReason != "":
	case r.FurnaceRan == nil:
		p.lack("whether the furnace ran afterwards")
	case !*r.FurnaceRan:
		p.fault("the furnace did not run afterwards and no reason for the hand-over is recorded")
	}
}

// leftOn is when the crew last left on a day; nil where that is not recorded.
func (a *Assembled) leftOn(day domain.Date) (left *time.Time) {
	for _, v := range a.Visits {
		if v.Record.VisitedOn == day && v.Record.LeftAt != nil && (left == nil || v.Record.LeftAt.After(*left)) {
			left = v.Record.LeftAt
		}
	}
	return left
}
