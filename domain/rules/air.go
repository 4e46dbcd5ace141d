package rules

import "ductledger/domain"

var airAtEveryOutlet = Rule{
	Key: "air_at_every_outlet", Title: "Air comes from every outlet when the furnace runs again",
	Why:      "A closure in the wrong place, a crushed duct or a boot that was sealed shut makes a cold room, and no leakage reading shows it.",
	Judged:   "After the last repair and closure, with the furnace running, air was felt at every outlet. Where the furnace was handed over without running, with a reason, it is a question.",
	None:     "no work on ducts was done",
	Fix:      "With everybody clear and the ducts closed, run the furnace, feel at every outlet, and open the way where no air comes.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: Electricity,
	Source: practice,
	Example: Example{
		Holds:  "Air felt at all outlets at 14:50, last closure 14:32.",
		Broken: "No air at boot B7.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		v, air := c.job.airFelt()
		if air == nil || air.EveryOutlet == nil && len(air.WithoutIDs) == 0 {
			p := c.on(c.job.subject())
			if v != nil {
				p = c.on(v.Subject())
			}
			if c.job.handedOver() {
				p.forReviewer("air was not felt; the furnace was handed over with a reason")
			} else {
				p.lack("whether air comes from every outlet")
			}
			p.done()
			return
		}
		p := c.on(v.Subject())
		switch last := c.job.lastWork(); {
		case len(air.WithoutIDs) > 0:
			for _, id := range air.WithoutIDs {
				p.fault("no air at ", c.job.nameOf(domain.Subject{Kind: domain.ComponentKind, ID: id}))
			}
		case !*air.EveryOutlet:
			p.fault("air does not come from every outlet")
		case air.FeltAt == nil:
			p.lack("when air was felt at the outlets")
		case last != nil && !air.FeltAt.After(*last):
			p.fault("air was felt ", c.job.clock(*air.FeltAt), "; the last repair or closure was ", c.job.clock(*last))
		}
		p.done()
	},
}

// airFelt is the latest check of the outlets, with its visit; without one the
// last visit.
func (a *Assembled) airFelt() (visit *Of[domain.Visit], air *domain.AirCheck) {
	last := a.lastVisit()
	for i := range a.Visits {
		v := &a.Visits[i]
		felt := v.Record.Air
		switch {
		case felt == nil:
			if air == nil && v.ID == last {
				visit = v
			}
		case air == nil || air.FeltAt == nil || felt.FeltAt != nil && felt.FeltAt.After(*air.FeltAt):
			visit, air = v, felt
		}
	}
	return visit, air
}

// handedOver tells a furnace that was left off, with a reason.
func (a *Assembled) handedOver() bool {
	for _, i := range a.Isolations {
		if i.Record.HandoverReason != "" && (i.Record.FurnaceRan == nil || !*i.Record.FurnaceRan) {
			return true
		}
	}
	return false
}
