package rules

import (
	"iter"

	"ductledger/domain"
)

// trunkOf is the trunk of a section; nil where none is recorded.
func (a *Assembled) trunkOf(section domain.Section) *domain.Component {
	for _, t := range a.Components {
		if t.Record.Component == domain.Trunk && t.Record.Section == section {
			return t.Record
		}
	}
	return nil
}

var trunkEndTreated = Rule{
	Key: "trunk_end_treated", Title: "Both ends of each trunk are closed",
	Why:      "Air past the last outlet heats the belly, not a room.",
	Judged:   "Each end of each trunk is closed, capped from below, or was found tight and a photo shows it. One out of reach, with a reason, is for a reviewer.",
	None:     "no trunk is recorded",
	Fix:      "Close the end, or cap it from below.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Rear end of trunk A found missing, closed with a sloped metal blank.",
		Broken: "Rear end of trunk A found missing, nothing closes it.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		for _, e := range c.job.Components {
			switch e.Record.Component {
			case domain.TrunkEnd:
				c.trunkEnd(e)
			case domain.Trunk:
				c.bothEnds(e)
			}
		}
	},
}

func (c *check) trunkEnd(e Of[domain.Component]) {
	p := c.on(e.Subject())
	for r := range c.job.repairsOf(e.ID) {
		if r.Record.EndClosure == nil {
			p.lack("how it was closed")
		}
		p.done()
		return
	}
	if c.job.closedFromTrunk(e.Record.Section, e.Record.End) {
		p.done()
		return
	}
	if e.Record.Found == domain.FoundTight {
		if !c.job.photographed(e.ID) {
			p.lackPhoto("it tight")
		}
	} else {
		c.sealed(&p, e)
	}
	p.done()
}

// bothEnds asks for an end that nobody described: a trunk has two.
func (c *check) bothEnds(trunk Of[domain.Component]) {
	p := c.on(trunk.Subject())
	for _, end := range [2]domain.End{domain.Front, domain.Rear} {
		if !c.job.describesEnd(trunk.Record.Section, end) && !c.job.closedFromTrunk(trunk.Record.Section, end) {
			p.lack("its ", string(end), " end")
		}
	}
	if len(p.lacks) > 0 {
		p.done()
	}
}

func (a *Assembled) describesEnd(section domain.Section, end domain.End) bool {
	for _, e := range a.Components {
		if e.Record.Component == domain.TrunkEnd && e.Record.Section == section && e.Record.End == end {
			return true
		}
	}
	return false
}

// closedFromTrunk tells whether a closure names the trunk instead of its end.
func (a *Assembled) closedFromTrunk(section domain.Section, end domain.End) bool {
	for e := range a.closures() {
		if e.ofTrunk && e.section == section && e.end == end {
			return true
		}
	}
	return false
}

// closure is what closes one end of one trunk.
type closure struct {
	repair  Of[domain.Repair]
	form    *domain.EndClosure
	section domain.Section
	end     domain.End
	trunk   *domain.Component // nil where it is not recorded
	ofTrunk bool              // the repair names the trunk, not the end
}

// closures yields the end closures of the job. A repair that names a trunk in
// place of its end closed the end that lies nearer.
func (a *Assembled) closures() iter.Seq[closure] {
	return func(yield func(closure) bool) {
		for _, r := range a.Repairs {
			if r.Record.EndClosure == nil {
				continue
			}
			e := closure{repair: r, form: r.Record.EndClosure}
			for _, id := range r.Record.ComponentIDs {
				part, ok := find(a.Components, id)
				if !ok {
					continue
				}
				if part.Record.Component == domain.TrunkEnd {
					e.section, e.end, e.ofTrunk = part.Record.Section, part.Record.End, false
					break
				}
				if part.Record.Component == domain.Trunk {
					e.section, e.end, e.ofTrunk = part.Record.Section, nearerEnd(part.Record, e.form), true
				}
			}
			e.trunk = a.trunkOf(e.section)
			if !yield(e) {
				return
			}
		}
	}
}

func nearerEnd(trunk *domain.Component, form *domain.EndClosure) domain.End {
	if trunk.StartFt == nil || trunk.EndFt == nil || form.PositionFt == nil {
		return ""
	}
	if *form.PositionFt-*trunk.StartFt < *trunk.EndFt-*form.PositionFt {
		return domain.Front
	}
	return domain.Rear
}

// sloped tells whether the end is closed by a sloped or curved blank.
func (e closure) sloped() bool {
	return e.form.Form == domain.SlopedBlank
}
