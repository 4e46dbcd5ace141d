package rules

import (
	"iter"

	"ductledger/domain"
)

var endClosureClearOfOutlets = Rule{
	Key: "end_closure_clear_of_outlets", Title: "The closure lies beyond the last outlet",
	Why:      "Upstream of the last outlet a closure makes a cold room and a drive back; upstream of a collar it starves a whole section. No leakage reading shows it.",
	Judged:   "What closes a trunk's end lies inside the trunk, between that end and its outermost register, takeoff or collar: by their places, or by how far past that outlet it stands.",
	None:     "no closure lies inside a trunk",
	Fix:      "Take it out and set it between the last outlet and the end of the trunk.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"clear_over_in", "in", 0, 0, 24, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Last register of trunk A at 51 ft, sloped blank at 53 ft, end of the trunk at 55 ft.",
		Broken: "Last register of trunk B at 51 ft, sloped blank at 49 ft: the register gets no air.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if e.form.Form == domain.CapFromBelow {
				c.notApplicable("the end is capped from below")
				continue
			}
			p := c.on(e.repair.Subject())
			switch {
			case e.end == "" || e.section == "":
				p.lack("which end of which trunk it closes")
			case e.form.BeyondOutletIn != nil:
				if beyond := *e.form.BeyondOutletIn; !over(beyond, c.limit("clear_over_in")) {
					p.fault("it stands ", inches(beyond), " past the last outlet; the program wants more than ", inches(c.limit("clear_over_in")))
				}
			case e.form.PositionFt == nil:
				p.lack("where it is, in ft from the front or in past the last outlet")
			default:
				c.clear(&p, e)
			}
			p.done()
		}
	},
}

// clear judges one closure against the outlets of its trunk.
func (c *check) clear(p *part, e closure) {
	at := *e.form.PositionFt
	beyond := at           // how far the outermost outlet lies toward the end
	outlets, gap := 0, 0.0 // in, between closure and outlet
	var name string
	for o := range c.job.outlets(e.section) {
		outlets++
		off := inchesPerFoot * (o.at - at) // in toward the rear
		if e.end == domain.Rear {
			off = -off
		}
		if over(off, c.limit("clear_over_in")) {
			continue
		}
		if name == "" || (o.at > beyond) == (e.end == domain.Rear) {
			name, beyond, gap = o.name(c.job), o.at, off
		}
	}
	switch {
	case outlets == 0 || name == "" && !c.job.outermostKnown(e.section, e.end):
		p.lack("where the outermost outlet of trunk ", string(e.section), " is")
	case name != "" && over(gap, 0):
		p.fault("it stands at ", feet(at), ", ", inches(rounded(gap)), " clear of ", name, " at ", feet(beyond), "; the program wants more than ", inches(c.limit("clear_over_in")))
	case name != "":
		p.fault("it stands at ", feet(at), ", on the wrong side of ", name, " at ", feet(beyond), ", which gets no air")
	case e.trunk == nil:
	case e.end == domain.Front && e.trunk.StartFt != nil && at < *e.trunk.StartFt:
		p.fault("it stands at ", feet(at), ", outside the trunk, which starts at ", feet(*e.trunk.StartFt))
	case e.end == domain.Rear && e.trunk.EndFt != nil && at > *e.trunk.EndFt:
		p.fault("it stands at ", feet(at), ", outside the trunk, which ends at ", feet(*e.trunk.EndFt))
	}
}

// outlet is anything that takes air from a trunk.
type outlet struct {
	at       float64 // ft from the front
	part     *domain.Component
	crossing *domain.Crossover
}

func (o outlet) name(a *Assembled) string {
	switch {
	case o.crossing != nil:
		return "the collar of crossover " + string(o.crossing.FromSection) + "→" + string(o.crossing.ToSection)
	case o.part.Component == domain.Trunk:
		return "an outlet"
	case o.part.Component == domain.Boot:
		return "register" + componentName(o.part)[len(domain.Boot):]
	}
	return componentName(o.part)
}

// outlets yields the outlets of a section's trunk whose place is recorded.
func (a *Assembled) outlets(section domain.Section) iter.Seq[outlet] {
	return func(yield func(outlet) bool) {
		for _, part := range a.Components {
			r := part.Record
			if r.Section != section {
				continue
			}
			switch r.Component {
			case domain.Boot, domain.BranchTakeoff:
				if r.PositionFt != nil && !yield(outlet{at: *r.PositionFt, part: r}) {
					return
				}
			case domain.Trunk:
				if r.FirstOutletFt != nil && !yield(outlet{at: *r.FirstOutletFt, part: r}) ||
					r.LastOutletFt != nil && !yield(outlet{at: *r.LastOutletFt, part: r}) {
					return
				}
			}
		}
		for _, x := range a.Crossovers {
			if end := endOf(x.Record, section); end != nil && end.PositionFt != nil && !yield(outlet{at: *end.PositionFt, crossing: x.Record}) {
				return
			}
		}
	}
}

// outermostKnown tells whether it is recorded where the outlet nearest to one
// end of a trunk is: by the trunk, or by the boot that is numbered first or
// last. Without a number any boot may be the one.
func (a *Assembled) outermostKnown(section domain.Section, end domain.End) bool {
	if t := a.trunkOf(section); t != nil && (end == domain.Front && t.FirstOutletFt != nil || end == domain.Rear && t.LastOutletFt != nil) {
		return true
	}
	outermost, placed := 0, true
	for _, b := range a.Components {
		r := b.Record
		if r.Component != domain.Boot || r.Section != section {
			continue
		}
		for _, part := range partsOf(r) {
			switch {
			case part.Number == nil:
				placed = placed && r.PositionFt != nil
			case outermost == 0 || (*part.Number < outermost) == (end == domain.Front):
				outermost, placed = *part.Number, r.PositionFt != nil && len(r.Numbers) == 0
			}
		}
	}
	return placed
}
