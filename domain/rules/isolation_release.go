package rules

import (
	"time"

	"ductledger/domain"
)

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
