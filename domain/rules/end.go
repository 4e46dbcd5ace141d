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
				} else if e.form.PositionFt != nil { // its place may tell otherwise, and need not be known
					c.clear(&p, e)
					p.lacks = nil
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
	case name == "" && c.job.unplaced(e.section, e.end) != "":
		p.lack("where ", c.job.unplaced(e.section, e.end), " is along trunk ", string(e.section))
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
	if a.toldByTrunk(section, end) {
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

// unplaced names a collar or a takeoff that may be anywhere along a trunk, which
// does not tell its own outermost outlet toward the end; empty where there is none.
func (a *Assembled) unplaced(section domain.Section, end domain.End) string {
	if a.toldByTrunk(section, end) {
		return ""
	}
	for _, x := range a.Crossovers {
		if e := endOf(x.Record, section); e != nil && e.PositionFt == nil {
			return outlet{crossing: x.Record}.name(a)
		}
	}
	for _, t := range a.Components {
		if t.Record.Component == domain.BranchTakeoff && t.Record.Section == section && t.Record.PositionFt == nil {
			return componentName(t.Record)
		}
	}
	return ""
}

// toldByTrunk tells whether a trunk says where its outermost outlet toward one end is.
func (a *Assembled) toldByTrunk(section domain.Section, end domain.End) bool {
	t := a.trunkOf(section)
	return t != nil && (end == domain.Front && t.FirstOutletFt != nil || end == domain.Rear && t.LastOutletFt != nil)
}

var endClosureFacesAir = Rule{
	Key: "end_closure_faces_air", Title: "A sloped blank turns its back to the end wall",
	Why:      "A blank turned round sends the air the wrong way and loads its screws.",
	Judged:   "A sloped blank or flashing has its back to the home's end wall.",
	None:     "no sloped blank was set",
	Fix:      "Turn it round.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Sloped metal blank at the rear end of trunk A, its back to the end wall.",
		Broken: "The same blank with its back to the furnace.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			p := c.on(e.repair.Subject())
			p.yes(e.form.BackToEndWall, "its back is not to the end wall", "whether its back is to the end wall", "")
			p.done()
		}
	},
}

var endClosureFastened = Rule{
	Key: "end_closure_fastened", Title: "A sloped blank is screwed and sealed all round",
	Why:      "The air of the blower pushes on it day and night; what is only stuck there falls.",
	Judged:   "A sloped blank or flashing has screws, any number, and is sealed all round.",
	None:     "no sloped blank was set",
	Fix:      "Screw it and seal it all round.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"screws_count", "screws", 1, 1, 12, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Sloped metal blank with 6 screws, sealed all round.",
		Broken: "Sloped metal blank held by mastic alone.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			p := c.on(e.repair.Subject())
			switch screws := e.form.ScrewsCount; {
			case screws == nil:
				p.lack("its screws")
			case *screws < int(c.limit("screws_count")):
				p.fault("it has ", some(float64(*screws), "screw"), "; the program wants ", number(c.limit("screws_count")))
			}
			p.yes(e.form.Sealed, "it is not sealed all round", "whether it is sealed all round", "")
			p.done()
		}
	},
}

var endClosureBoardSet = Rule{
	Key: "end_closure_board_set", Title: "Duct board is tapered, foil to the air, mastic all round",
	Why:      "Foil is the barrier, the fiber side leaks; a tapered plug sits tight against the pressure.",
	Judged:   "A plug of duct board is cut on a taper, its foil faces the air, and mastic lies all round it.",
	None:     "no board was set",
	Fix:      "Set it again: tapered, foil to the air, mastic all round.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Board at the front end of trunk B, tapered, foil to the air, mastic all round.",
		Broken: "The same board with its fiber side to the air.",
	},
	check: func(c *check) {
		for e := range c.job.closures() {
			if e.form.Form != domain.BoardPlug {
				continue
			}
			p := c.on(e.repair.Subject())
			p.yes(e.form.Tapered, "the board is not cut on a taper", "whether the board is cut on a taper", "")
			p.yes(e.form.FoilToAir, "its foil does not face the air", "whether its foil faces the air", "")
			p.yes(e.form.MasticAllRound, "mastic does not lie all round it", "whether mastic lies all round it", "")
			p.done()
		}
	},
}

var endClosureBlank = Rule{
	Key: "end_closure_blank", Title: "The blank is cut larger than the duct",
	Why:      "A blank without a margin has nothing to screw to and leaks at all four sides.",
	Judged:   "Where blank and trunk are measured: the blank is larger than the inside of the duct by the margin on every side, and its corners are notched by the same. A sloped blank may be longer.",
	None:     "no size of a blank is recorded",
	Fix:      "Cut the next one larger.",
	Severity: Note, Missing: Silent, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{{"margin_in", "in", 0.25, 0.125, 2, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Duct 14 × 5 in inside, blank 14.5 × 5.5 in.",
		Broken: "Duct 14 × 5 in inside, blank 14 × 5.5 in.",
	},
	check: func(c *check) {
		margin := c.limit("margin_in")
		for e := range c.job.closures() {
			if !e.sloped() {
				continue
			}
			if e.form.BlankWidthIn == nil || e.form.BlankLengthIn == nil || e.trunk == nil ||
				e.trunk.InsideWidthIn == nil || e.trunk.InsideHeightIn == nil {
				c.notApplicable("no size of a blank is recorded")
				continue
			}
			width, length := *e.trunk.InsideWidthIn+2*margin, *e.trunk.InsideHeightIn+2*margin
			p := c.on(e.repair.Subject())
			if under(*e.form.BlankWidthIn, width) || under(*e.form.BlankLengthIn, length) {
				p.fault("the blank is ", number(*e.form.BlankWidthIn), " × ", inches(*e.form.BlankLengthIn),
					"; the program wants ", number(width), " × ", inches(length))
			}
			if notch := e.form.CornerNotchIn; notch == nil {
				p.lack("the notch at its corners")
			} else if under(*notch, margin) || over(*notch, margin) {
				p.fault("its corners are notched ", inches(*notch), "; the program wants ", inches(margin))
			}
			p.done()
		}
	},
}
