package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

// asked tells whether this job owes leakage readings. Where a fixed sum is
// paid, the program names no method and nothing was read, it does not.
func (c *check) asked() bool {
	switch {
	case !c.job.worked():
		c.notApplicable("no work on ducts was done")
	case c.job.Job.Record.PayBasis == domain.Deemed && len(c.set.MethodsAsked) == 0 && !slices.ContainsFunc(c.job.Measurements, ofTheJob):
		c.notApplicable("a fixed sum is paid, the program names no method and nothing was read")
	default:
		return true
	}
	return false
}

// ofTheJob tells the readings by which a job is judged from interim ones and
// an inspector's.
func ofTheJob(m Of[domain.Measurement]) bool {
	return m.Record.Stage == domain.Before || m.Record.Stage == domain.After
}

var readingsInOrder = Rule{
	Key: "readings_in_order", Title: "Readings stand before and after the work",
	Why:      "A reading before that follows the first cut measures the cut, and one after that is older than the last patch measures the hole.",
	Judged:   "The reading before is older than the first opening or repair, the one after younger than the last repair and closure. The reading after can be taken again, the one before cannot. Weather puts the one after off to another visit; any other reason for a missing reading is for a reviewer.",
	None:     "no test is asked",
	Fix:      "Read the leakage again, now that all is closed.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Softens: true,
	Source: practice,
	Example: Example{
		Holds:  "Before 09:20, first opening 09:45; last closure 14:32, after 15:05.",
		Broken: "After 14:00, last closure 14:32.",
	},
	check: func(c *check) {
		if !c.asked() {
			return
		}
		before, after := c.readings()
		if before == nil || after == nil {
			p := c.on(c.job.subject())
			if before == nil {
				p.cure = NoCure
				p.lack(c.noReading(domain.Before))
			}
			if after == nil {
				p.cure, p.fix = OnSite, "Close everything, then read the leakage after."
				p.lack(c.noReading(domain.After))
			}
			c.unread(&p, before != nil)
			p.done()
		}
		if first := c.job.firstWork(); before != nil {
			p := c.on(before.Subject())
			p.cure = NoCure
			if first != nil && !before.Record.TakenAt.Before(*first) {
				p.fault("it was taken ", c.job.clock(before.Record.TakenAt), "; the program wants it before the work, which began ", c.job.clock(*first))
			}
			p.done()
		}
		if last := c.job.lastWork(); after != nil {
			p := c.on(after.Subject())
			if last != nil && !after.Record.TakenAt.After(*last) {
				p.fault("it was taken ", c.job.clock(after.Record.TakenAt), "; the program wants it after the last repair or closure, ", c.job.clock(*last))
			}
			p.done()
		}
	},
}

// unread judges the reason for which a reading is missing. Weather puts the one
// after off; any other reason is for a reviewer.
func (c *check) unread(p *part, before bool) {
	switch reason := c.job.Job.Record.NoReadingReason; {
	case reason == "":
	case reason == domain.NoReadingWeather && before:
		p.cure, p.fix = ReturnVisit, "Read the leakage after on another visit, with everything closed."
	default:
		p.lacks = nil
		p.soften(Check)
		p.cure, p.fix = ReturnVisit, "A reviewer decides whether the reason holds."
		if !before {
			p.cure = NoCure
		}
		p.fault("leakage was not read; the reason given is ", spaced(string(reason)))
	}
}

// readings are the two that the job is judged by: of leakage, or the pan
// passes where the program asks for nothing else.
func (c *check) readings() (before, after *Of[domain.Measurement]) {
	if c.set.asksLeakage() {
		if c.result.before != nil {
			before = &c.result.before.Of
		}
		if c.result.after != nil {
			after = &c.result.after.Of
		}
		return before, after
	}
	return c.job.pans(domain.Before), c.job.pans(domain.After)
}

// noReading says what is missing, and of one that cannot be computed why.
func (c *check) noReading(stage domain.Stage) string {
	for _, l := range c.result.LeftOut {
		if l.Stage == stage && l.Detail != "" {
			return "a reading " + string(stage) + " that can be computed (" + l.Detail + ")"
		}
	}
	return "the reading " + string(stage)
}

// pans is the last pan pass of a stage; nil where there is none.
func (a *Assembled) pans(stage domain.Stage) (last *Of[domain.Measurement]) {
	for i := range a.Measurements {
		m := &a.Measurements[i]
		if m.Record.Method == domain.Pan && m.Record.Stage == stage && (last == nil || !m.Record.TakenAt.Before(last.Record.TakenAt)) {
			last = m
		}
	}
	return last
}

// firstWork is when the crew first opened, took down or repaired anything.
func (a *Assembled) firstWork() (first *time.Time) {
	earlier := func(t *time.Time) {
		if t != nil && (first == nil || t.Before(*first)) {
			first = t
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() {
			earlier(o.Record.MadeAt)
		}
	}
	for _, x := range a.Crossovers {
		earlier(x.Record.TakenDownAt)
	}
	for r := range a.done() {
		earlier(r.Record.OpenedAt)
		earlier(&r.Record.DoneAt)
	}
	return first
}

// lastWork is when the crew last repaired or closed anything, before any
// complaint: work after one is judged by its own date.
func (a *Assembled) lastWork() (last *time.Time) {
	later := func(t *time.Time) {
		if t != nil && (last == nil || t.After(*last)) && !a.afterCallBack(*t) {
			last = t
		}
	}
	for _, o := range a.Openings {
		later(o.Record.ClosedAt)
	}
	for _, r := range a.Repairs {
		later(&r.Record.DoneAt)
	}
	return last
}
