package rules

import (
	"iter"
	"math"
	"slices"
	"time"

	"ductledger/domain"
)

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
			c.unplaced(&p, *r.Target, section)
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

// unplaced is what is said of a part whose place is not recorded. Where the furnace
// stands is asked of the home, where a further one does of its joint; boots between
// the first and the last need no place.
func (c *check) unplaced(p *part, target domain.Subject, section domain.Section) {
	joint, ok := c.job.record(target).(*domain.Component)
	switch {
	case !ok || joint.Component != domain.FurnaceJoint || c.job.home().FurnaceSection == "":
		c.notJudged()
	case section == c.job.home().FurnaceSection:
		c.need(furnacePositionFact)
	default:
		p.lack("where ", componentName(joint), " is, in ft from the front")
		p.done()
	}
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

var cutEdgeGuarded = Rule{
	Key: "cut_edge_guarded", Title: "Cut edges are taped",
	Why:      "A hand that reaches through a fresh cut in sheet metal bleeds.",
	Judged:   "Each opening of the crew in a duct has its edges taped.",
	None:     "the crew cut no duct",
	Severity: Note, Missing: Silent, Cure: NoCure, Hazard: SharpMetal,
	Source: practice,
	Example: Example{
		Holds:  "Hand opening of 8 × 8 in in trunk A, edges taped.",
		Broken: "Hand opening of 8 × 8 in in trunk A, edges not taped.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.In != domain.InDuct {
				continue
			}
			if trunk := c.job.trunkOf(o.Record.Section); trunk != nil && trunk.Material == domain.BoardTrunk {
				c.notApplicable("the trunk is of duct board")
				continue
			}
			p := c.on(o.Subject())
			p.yes(o.Record.EdgesTaped, "its edges were not taped", "whether its edges were taped", "")
			p.done()
		}
	},
}

var accessBelowFurnace = Rule{
	Key: "access_below_furnace", Title: "The opening for the furnace joint lies below the furnace",
	Why:      "From further off an arm does not reach the whole joint, and a second cut follows the first.",
	Judged:   "Each opening of the crew for the furnace joint lies close to the furnace's place.",
	None:     "no opening was made for the furnace joint",
	Severity: Note, Missing: Silent, Cure: NoCure, Hazard: CrawlSpace,
	Parameters: []Parameter{{"within_in", "in", 12, 3, 48, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Furnace at 20.0 ft, opening at 20.4 ft.",
		Broken: "Furnace at 20.0 ft, opening at 23.0 ft.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if !o.Record.Made() || o.Record.Target == nil {
				continue
			}
			joint, ok := c.job.record(*o.Record.Target).(*domain.Component)
			if !ok || joint.Component != domain.FurnaceJoint && joint.Component != domain.SupplyCollar {
				continue
			}
			if c.job.home().FurnaceAccess == domain.FromAbove {
				c.notApplicable("the furnace is worked on from above")
				continue
			}
			p := c.on(o.Subject())
			at, _, _, known := c.job.reach(*o.Record.Target, o.Record.Section)
			switch {
			case !known:
				p.lack("where the furnace is")
			case o.Record.PositionFt == nil:
				p.lack("where the opening is")
			default:
				off := inchesPerFoot * max(at-*o.Record.PositionFt, *o.Record.PositionFt-at)
				if over(off, c.limit("within_in")) {
					p.fault("it lies ", inches(rounded(off)), " from the furnace's place; the program wants at most ", inches(c.limit("within_in")))
				}
			}
			p.done()
		}
	},
}

var wrapCutRecorded = Rule{
	Key: "wrap_cut_recorded", Title: "The way through the wrap is recorded",
	Why:      "A cut that nobody wrote down is one that nobody closed.",
	Judged:   "Where the crew opened a duct, or repaired something inside the belly from below, an opening in the wrap of that section is recorded, made or found. One that was found owes a photo of the survey that shows it open and is older than the first work in that section; without one a reviewer decides. Where the wrap was missing, or there is none, nothing is asked.",
	None:     "nothing was done through the wrap",
	Fix:      "Record the opening in the wrap, made or found, and how it was closed.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Trunk opened at 20.4 ft of section A, wrap cut at 20.0 ft.",
		Broken: "Trunk opened at 20.4 ft of section A, no opening in the wrap of section A.",
	},
	check: func(c *check) {
		var alone, found []domain.Subject // each said once: it may have been one cut
		way := func(s domain.Subject, section domain.Section) {
			switch made, seen := c.job.throughWrap(section); {
			case made:
				c.holds()
			case len(seen) == 0:
				alone = append(alone, s)
			case c.job.seenOpen(seen, section):
				c.holds()
			default:
				for _, o := range seen {
					if !slices.Contains(found, o.Subject()) {
						found = append(found, o.Subject())
					}
				}
			}
		}
		switch home := c.job.home(); {
		case home.WrapKind == domain.NoWrap || home.WrapState == "missing":
			c.notApplicable("no wrap closes the belly")
			return
		case home.WrapKind == "":
			c.notJudged()
			return
		}
		for _, o := range c.job.Openings {
			if o.Record.Made() && o.Record.In == domain.InDuct {
				way(o.Subject(), o.Record.Section)
			}
		}
		for _, r := range c.job.Repairs {
			if inBelly(r.Record) {
				way(r.Subject(), c.job.sectionOf(r.Record))
			}
		}
		if len(alone) > 0 {
			p := c.onAll(alone...)
			p.lack("the opening in the wrap through which it was reached")
			p.done()
		}
		if len(found) > 0 {
			p := c.onAll(found...)
			p.cure = NoCure // a photo of today does not show how it was then
			p.lack("a photo of the survey, before any work there, that shows it open")
			p.done()
		}
	},
}

// throughWrap tells whether the crew made an opening in the wrap of a section, and
// which others are recorded; one without a section may be the one.
func (a *Assembled) throughWrap(section domain.Section) (made bool, found []Of[domain.Opening]) {
	for _, o := range a.Openings {
		if o.Record.In != domain.InWrap || section != "" && o.Record.Section != "" && o.Record.Section != section {
			continue
		}
		if o.Record.Made() {
			return true, nil
		}
		found = append(found, o)
	}
	return false, found
}

// seenOpen tells whether a photo of the survey shows one of the openings open, from
// before the first work in the section.
func (a *Assembled) seenOpen(openings []Of[domain.Opening], section domain.Section) bool {
	first := a.firstWorkIn(section)
	for _, o := range openings {
		for photo, s := range a.photosOf(o.ID) {
			if photo.Record.Stage == domain.SurveyStage && s.Shows == domain.ShowsOpen && (first == nil || photo.Record.TakenAt.Before(*first)) {
				return true
			}
		}
	}
	return false
}

// firstWorkIn is when the crew first opened a duct or worked in the belly of a
// section, as far as times are recorded.
func (a *Assembled) firstWorkIn(section domain.Section) (first *time.Time) {
	earlier := func(t *time.Time, in domain.Section) {
		if t != nil && (section == "" || in == "" || in == section) && (first == nil || t.Before(*first)) {
			first = t
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() {
			earlier(o.Record.MadeAt, o.Record.Section)
		}
	}
	for r := range a.done() {
		if inBelly(r.Record) {
			earlier(&r.Record.DoneAt, a.sectionOf(r.Record))
		}
	}
	return first
}

// inBelly tells work from below on parts that the wrap hides.
func inBelly(r *domain.Repair) bool {
	switch r.Repair {
	case domain.RepairFurnaceJoint, domain.RepairTrunkSeam, domain.RepairTrunk, domain.RepairBoot, domain.RepairRiser, domain.RepairTakeoff:
		return r.Access == domain.FromBelow
	case domain.RepairTrunkEnd:
		return r.EndClosure != nil && r.EndClosure.Form == domain.CapFromBelow
	}
	return false
}

// How wrap is joined, as the wire has it.
const (
	clinchedStaples      = "clinched_staples"
	stitched             = "stitched"
	fastenersWithWashers = "fasteners_with_washers"
)

var wrapClosureMaterial = Rule{
	Key: "wrap_closure_material", Title: "The wrap is closed with what holds",
	Why:      "Tape and plain staples let go within a winter; then insulation falls and the pipes freeze.",
	Judged:   "A fabric wrap is closed with fabric, joined by clinched staples or better; a rigid board with board, fasteners with washers, and a lap.",
	None:     "the crew closed no wrap",
	Fix:      "Close it again: fabric with clinched staples, board with a lap and fasteners with washers.",
	Severity: Check, Missing: Asks, Cure: ReturnVisit, Hazard: CrawlSpace,
	Source: practice + "; SWS 3.0102.7 for board",
	Example: Example{
		Holds:  "Fabric wrap closed with fabric and clinched staples.",
		Broken: "Fabric wrap closed with fabric and tape.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InWrap || !closed(o.Record) {
				continue
			}
			p := c.onWrap(o)
			switch c.job.home().WrapKind {
			case domain.NoWrap:
				c.notApplicable("the home has no wrap")
				continue
			case "":
				if o.Record.Made() {
					c.need(wrapKindFact)
				} else {
					c.notJudged()
				}
				continue
			case domain.RigidBoard:
				p.board(closureOf(o.Record))
			default:
				p.fabric(closureOf(o.Record))
			}
			p.done()
		}
	},
}

// onWrap begins the judgment of closed wrap. Closing what was found open is
// a kindness: what is not said of it stays unsaid.
func (c *check) onWrap(o Of[domain.Opening]) part {
	p := c.on(o.Subject())
	if !o.Record.Made() {
		p.missing = Silent
	}
	return p
}

func (p *part) fabric(w *domain.Closure) {
	switch w.WrapMaterial {
	case "":
		p.lack("what closes it")
	case string(domain.FabricWrap):
	default:
		p.fault("it is closed with ", spaced(w.WrapMaterial), "; the program wants fabric")
	}
	switch w.WrapJoining {
	case "":
		p.lack("how the fabric is joined")
	case clinchedStaples, stitched, fastenersWithWashers:
	default:
		p.fault("the fabric is joined by ", spaced(w.WrapJoining), "; the program wants clinched staples or better")
	}
}

func (p *part) board(w *domain.Closure) {
	switch w.WrapMaterial {
	case "":
		p.lack("what closes it")
	case string(domain.RigidBoard):
	default:
		p.fault("it is closed with ", spaced(w.WrapMaterial), "; the program wants board")
	}
	switch w.WrapJoining {
	case "":
		p.lack("how the board is fastened")
	case fastenersWithWashers:
	default:
		p.fault("the board is held by ", spaced(w.WrapJoining), "; the program wants fasteners with washers")
	}
	switch {
	case w.LapIn == nil:
		p.lack("the lap of board on board")
	case *w.LapIn <= 0:
		p.fault("board does not lap over board")
	}
}

var insulationPutBack = Rule{
	Key: "insulation_put_back", Title: "Insulation is back in the belly",
	Why:      "A bare patch of floor stays cold, and pipes in it freeze.",
	Judged:   "Under each opening of the wrap that the crew closed, insulation was put back.",
	None:     "the crew closed no wrap",
	Fix:      "Open it, put insulation back, and close it.",
	Severity: Check, Missing: Asks, Cure: OnSite, Hazard: OldMaterials,
	Source: practice,
	Example: Example{
		Holds:  "Wrap closed, insulation back.",
		Broken: "Wrap closed over an empty belly.",
	},
	check: func(c *check) {
		for _, o := range c.job.Openings {
			if o.Record.In != domain.InWrap || !closed(o.Record) {
				continue
			}
			if c.job.home().WrapKind == domain.NoWrap {
				c.notApplicable("the home has no wrap")
				continue
			}
			if o.Record.InsulationFound != nil && !*o.Record.InsulationFound {
				c.notApplicable("the cavity was found empty")
				continue
			}
			p := c.onWrap(o)
			p.yes(closureOf(o.Record).InsulationBack, "insulation was not put back", "whether insulation is back", "")
			p.done()
		}
	},
}

// patches yields the openings in ducts that the crew closed, whoever made them.
func (a *Assembled) patches() iter.Seq2[Of[domain.Opening], *domain.Closure] {
	return func(yield func(Of[domain.Opening], *domain.Closure) bool) {
		for _, o := range a.Openings {
			if o.Record.In == domain.InDuct && closed(o.Record) && !yield(o, closureOf(o.Record)) {
				return
			}
		}
	}
}

var ductPatchOverlap = Rule{
	Key: "duct_patch_overlap", Title: "The patch laps over the hole on all sides",
	Why:      "Mastic holds on a lap; on an edge it cracks at the first winter.",
	Judged:   "Each patch over a hole in a duct laps on all sides, whoever made the hole; a narrow one that is coated and fastened is a question. Where the lap is not recorded it follows from both sizes, the patch in the middle.",
	None:     "the crew patched no duct",
	Fix:      "Take the patch off and set a wider one.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Parameters: []Parameter{{"lap_in", "in", 1, 0.25, 6, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Patch of 10 × 10 in over a hole of 8 × 8 in: 1 in on all sides.",
		Broken: "Patch of 9 × 9 in over a hole of 8 × 8 in: 0.5 in.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			lap, known := lapOf(o.Record, patch)
			if yes(patch.MasticUnder) && yes(patch.MasticOver) && yes(patch.PatchFastened) {
				p.soften(Check) // a patch that holds is not torn off for a narrow lap
				p.fix = "A reviewer decides whether the patch stays: coated and fastened it may hold. Do not tear off one that does."
				if c.job.departed() {
					p.cure = NoCure
				}
			}
			switch {
			case !known:
				p.lack("how far the patch laps over the hole")
			case under(lap, c.limit("lap_in")):
				p.fault("the patch laps ", inches(rounded(lap)), "; the program wants ", inches(c.limit("lap_in")), " on all sides")
			}
			p.done()
		}
	},
}

// lapOf is the least lap of a patch, in in: as recorded, and not more than half of
// what the patch is wider and longer than the hole.
func lapOf(o *domain.Opening, patch *domain.Closure) (lap float64, known bool) {
	lap = math.Inf(1)
	if patch.PatchLapIn != nil {
		lap, known = *patch.PatchLapIn, true
	}
	if o.WidthIn != nil && o.LengthIn != nil && patch.PatchWidthIn != nil && patch.PatchLengthIn != nil {
		lap, known = min(lap, (*patch.PatchWidthIn-*o.WidthIn)/2, (*patch.PatchLengthIn-*o.LengthIn)/2), true
	}
	return lap, known
}

var ductPatchCoated = Rule{
	Key: "duct_patch_coated", Title: "Mastic lies under the patch and over it",
	Why:      "Under the patch it seals, over it it holds; one without the other lets go.",
	Judged:   "Each patch over a hole in a duct has mastic under it and over it.",
	None:     "the crew patched no duct",
	Fix:      "Set the patch in mastic and coat it.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: ReopenedDuct,
	Source: practice,
	Example: Example{
		Holds:  "Mastic under the patch and over it.",
		Broken: "A dry patch, coated from outside only.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			p.yes(patch.MasticUnder, "no mastic lies under the patch", "whether mastic lies under the patch", "")
			p.yes(patch.MasticOver, "no mastic lies over the patch", "whether mastic lies over the patch", "")
			p.done()
		}
	},
}

var masticThickness = Rule{
	Key: "mastic_thickness", Title: "Mastic on a patch is thick enough",
	Why:      "Thin mastic dries into a skin that cracks.",
	Judged:   "On the patch over the crew's opening the mastic reaches the limit. The crew measures it with a gauge and records yes or no; no other mastic is measured.",
	None:     "the crew patched no duct",
	Fix:      "Coat the patch once more.",
	Severity: Check, Missing: Silent, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{{"thickness_mils", "mils", 75, 10, 250, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "The gauge shows 80 mils, the limit is 75 mils.",
		Broken: "The gauge shows 40 mils, the limit is 75 mils.",
	},
	check: func(c *check) {
		for o, patch := range c.job.patches() {
			p := c.on(o.Subject())
			if patch.ThicknessReached != nil && !*patch.ThicknessReached {
				p.fault("the mastic is too thin by the gauge; the program wants ", number(c.limit("thickness_mils")), " mils")
			} else if patch.ThicknessReached == nil {
				p.lack("whether the mastic is thick enough by the gauge")
			}
			p.done()
		}
	},
}
