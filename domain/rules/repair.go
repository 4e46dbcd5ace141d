package rules

import (
	"math"
	"slices"

	"ductledger/domain"
)

// joint tells the repairs of which a gap is asked: those that seal a joint.
// What closes an end or carries air across has no gap of its own.
func joint(r *domain.Repair) bool {
	switch r.Repair {
	case domain.RepairFurnaceJoint, domain.RepairTrunkSeam, domain.RepairBoot,
		domain.RepairRiser, domain.RepairTakeoff, domain.RepairSupplyCollar:
		return true
	}
	return false
}

// gapOf is the widest gap that a repair closed, in in: as the repair says, or
// as its parts were found, whichever is wider.
func (a *Assembled) gapOf(r *domain.Repair) (gap float64, known bool) {
	if r.WidestGapIn != nil {
		gap, known = *r.WidestGapIn, true
	}
	if !joint(r) {
		return gap, known
	}
	for _, id := range r.ComponentIDs {
		if part, ok := find(a.Components, id); ok && part.Record.WidestGapIn != nil {
			gap, known = max(gap, *part.Record.WidestGapIn), true
		}
	}
	return gap, known
}

func reinforced(r *domain.Repair) bool {
	return r.Has(domain.Mesh, domain.SheetMetal, domain.Flashing)
}

var wideGapReinforced = Rule{
	Key: "wide_gap_reinforced", Title: "Wide gaps get mesh or metal under the mastic",
	Why:      "Mesh lets mastic span a gap instead of sagging into it and cracking.",
	Judged:   "A repair that closed a gap over the limit lists mesh or sheet metal; a gap of exactly the limit is not over it. A program may ask the same of any gap within a distance of the furnace, and metal over a second limit; 0 leaves either out.",
	None:     "no joint was repaired",
	Fix:      "Set mesh or sheet metal over the gap and coat it again.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{
		{"reinforce_over_in", "in", 0.25, 0.0625, 2, practice + "; SWS 5.0106.1 takes 0.125 in together with within_ft 10"},
		{"within_ft", "ft", 0, 0, 60, "SWS 5.0106.1 takes 10 ft; off until a program sets it"},
		{"metal_over_in", "in", 0, 0, 4, "SWS 5.0106.1, from memory, for 0.75 in; off until a program sets it"},
	},
	Source: practice + "; SWS 5.0106.1 for the settings",
	Example: Example{
		Holds:  "Gap of 1/2 in at boot A5, mesh and mastic.",
		Broken: "Gap of 1/2 in at boot A5, mastic alone.",
	},
	check: func(c *check) {
		metalOver := c.limit("metal_over_in")
		for _, r := range c.job.Repairs {
			gap, known := c.job.gapOf(r.Record)
			if !known && !joint(r.Record) {
				continue
			}
			p := c.on(r.Subject())
			near, placed := c.job.nearFurnace(r.Record, c.limit("within_ft"))
			switch {
			case !known:
				p.lack("the widest gap")
			case gap <= c.limit("reinforce_over_in") && !near:
				if !placed && !reinforced(r.Record) {
					p.lack("how far its parts are from the furnace")
				}
			case r.Record.Materials == nil:
				p.lack("what it was made of")
			case metalOver > 0 && gap > metalOver && !r.Record.Has(domain.SheetMetal, domain.Flashing):
				p.fault("a gap of ", inches(gap), " was closed without sheet metal; the program wants it over ", inches(metalOver))
			case reinforced(r.Record):
			case gap <= c.limit("reinforce_over_in"):
				p.fault("a gap of ", inches(gap), " was closed without mesh or sheet metal; the program wants either within ", feet(c.limit("within_ft")), " of the furnace")
			default:
				p.fault("a gap of ", inches(gap), " was closed without mesh or sheet metal; the program wants either over ", inches(c.limit("reinforce_over_in")))
			}
			p.done()
		}
	},
}

// nearFurnace tells whether a joint of a repair lies within a distance of the
// furnace along the trunk; not placed where a place that decides is missing.
func (a *Assembled) nearFurnace(r *domain.Repair, within float64) (near, placed bool) {
	if within == 0 || !joint(r) {
		return false, true
	}
	placed = true
	furnace := a.home().FurnacePositionFt
	for _, id := range r.ComponentIDs {
		low, high, section, known := a.reach(domain.Subject{Kind: domain.ComponentKind, ID: id}, "")
		switch {
		case section != "" && section != a.home().FurnaceSection:
		case !known || furnace == nil:
			placed = false
		case !over(max(low-*furnace, *furnace-high), within):
			return true, true
		}
	}
	return false, placed
}

var gapCheckedBeforeMastic = Rule{
	Key: "gap_checked_before_mastic", Title: "Reinforced joints are checked before they are coated",
	Why:      "Once coated, a missed gap is invisible.",
	Judged:   "Where a check photo of a reinforced wide gap was taken, it is older than the photo after, and from the same device.",
	None:     "no wide gap was reinforced",
	Severity: Note, Missing: Silent, Cure: NoCure,
	Source: practice,
	Example: Example{
		Holds:  "Boot A5 with mesh at 13:32, coated at 13:46.",
		Broken: "The check photo of boot A5 is younger than the photo after.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if gap, known := c.job.gapOf(r.Record); !known || gap <= c.wideGap || !reinforced(r.Record) {
				continue
			}
			p := c.on(r.Subject())
			for _, id := range r.Record.ComponentIDs {
				checked, seen := c.job.photoOf(id, domain.CheckStage)
				after, done := c.job.photoOf(id, domain.AfterStage)
				switch name := c.job.nameOf; {
				case !seen:
					p.lacks = append(p.lacks, "a check photo")
				case !done:
					p.lacks = append(p.lacks, "a photo after")
				case !checked.Record.TakenAt.Before(after.Record.TakenAt):
					p.fault("the check photo of ", name(domain.Subject{Kind: domain.ComponentKind, ID: id}), " was taken ",
						c.job.clock(checked.Record.TakenAt), "; the program wants it before the photo after, ", c.job.clock(after.Record.TakenAt))
				case deviceOf(checked) != deviceOf(after):
					p.fault("the check photo and the photo after of ", name(domain.Subject{Kind: domain.ComponentKind, ID: id}), " come from two devices")
				}
			}
			p.done()
		}
	},
}

// deviceOf is the device that took a photo, as the photo or the push says.
func deviceOf(p Of[domain.Photo]) domain.UUID {
	if p.Record.DeviceID != nil {
		return *p.Record.DeviceID
	}
	return p.Entry.DeviceID
}

var tapeAloneNoSeal = Rule{
	Key: "tape_alone_no_seal", Title: "A seal is made of sealant",
	Why:      "Tape and caulk dry out and let go, mesh and metal let air through; what they held leaks as before.",
	Judged:   "Each repair lists a material that the program takes for a seal at that joint: mastic, and at a crossover bands, unless its rule set names others. Closures from below and duct board are no exception. One that only fastens needs none where another repair seals the same parts.",
	None:     "nothing was repaired",
	Fix:      "Seal the joint with mastic, or what the program lists for it.",
	Severity: MustFix, Missing: Asks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Boot A3 sealed with mastic.",
		Broken: "Boot A3 sealed with tape.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			p := c.on(r.Subject())
			switch {
			case c.set.seals(r.Record) || c.sealedByAnother(r):
			case len(r.Record.Materials) == 0:
				p.lack("what it was made of")
			default:
				p.fault("it is made of ", materialWords(r.Record.Materials), "; the program wants ", materialWords(c.set.sealantsAt(r.Record.Repair)))
			}
			p.done()
		}
	},
}

// What is a seal where the program names nothing.
var (
	usualSealants     = []domain.Material{domain.Mastic}
	crossoverSealants = []domain.Material{domain.Mastic, domain.Bands}
)

// sealantsAt are the materials that the program takes for a seal at a joint.
func (s *Set) sealantsAt(joint domain.RepairSort) []domain.Material {
	for _, own := range s.sealants {
		if own.Repair == joint {
			return own.Materials
		}
	}
	if joint == domain.RepairCrossover {
		return crossoverSealants
	}
	return usualSealants
}

// seals tells whether a repair lists a sealant.
func (s *Set) seals(r *domain.Repair) bool { return r.Has(s.sealantsAt(r.Repair)...) }

// sealedByAnother tells whether a repair only fastens, and others seal every
// part that it names.
func (c *check) sealedByAnother(fastens Of[domain.Repair]) bool {
	if r := fastens.Record; len(r.ComponentIDs) == 0 || len(r.Materials)+len(r.Fasteners) == 0 ||
		slices.ContainsFunc(r.Materials, func(m domain.Material) bool { return m != domain.Bracket }) {
		return false
	}
	for _, id := range fastens.Record.ComponentIDs {
		sealed := false
		for r := range c.job.repairsOf(id) {
			sealed = sealed || r.ID != fastens.ID && c.set.seals(r.Record)
		}
		if !sealed {
			return false
		}
	}
	return true
}

// materialWords names materials: sheet metal and tape.
func materialWords(materials []domain.Material) string {
	var words string
	for i, m := range slices.Compact(slices.Clone(materials)) {
		switch {
		case i > 0 && i == len(materials)-1:
			words += " or "
		case i > 0:
			words += ", "
		}
		words += spaced(string(m))
	}
	return words
}

var bootSealed = Rule{
	Key: "boot_sealed", Title: "Each boot is sealed or was tight",
	Why:      "Air that leaves at a boot heats the belly, not the room above it.",
	Judged:   "Each boot, and each riser below one, was found tight or is covered by a repair: where joists run crosswise both joints, to the trunk and to the floor, lengthwise the one or two that are there. One that could not be reached, with a reason, is for a reviewer.",
	None:     "no boot is recorded",
	Fix:      "Seal its joints to trunk and floor.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Source: practice,
	Example: Example{
		Holds:  "Boot A3 found leaky, sealed with mastic.",
		Broken: "Boot A3 found leaky, covered by no repair.",
	},
	check: func(c *check) {
		if !c.job.worked() {
			return
		}
		asked := false
		for _, b := range c.job.Components {
			if b.Record.Component != domain.Boot && b.Record.Component != domain.Riser {
				continue
			}
			asked = true
			p := c.onPart(b)
			c.sealed(&p, b)
			p.done()
		}
		if asked && c.job.home().JoistDirection == "" {
			c.need(joistDirectionFact)
		}
	},
}

// sealed judges a part that a repair must cover unless it was found tight.
func (c *check) sealed(p *part, o Of[domain.Component]) {
	switch found := o.Record.Found; {
	case c.job.repaired(o.ID), found == domain.FoundTight:
	case found == domain.FoundNotAccessible && o.Record.FoundReason != "":
		p.forReviewer("could not be reached; the reason is recorded")
	case found == domain.FoundNotAccessible:
		p.lack("why it could not be reached")
	case found == "":
		p.lack("how it was found, or its repair")
	default:
		p.untreated(found)
	}
}

// forReviewer says what was left, with a reason.
func (p *part) forReviewer(words ...string) {
	p.soften(Check)
	p.cure, p.fix = ReturnVisit, "A reviewer decides whether the reason holds, or the crew goes back to it."
	p.fault(words...)
}

// untreated says that a part was found faulty and left so. On a job that says
// partial, and why, that is a question.
func (p *part) untreated(found domain.Found) {
	if job := p.c.job.Job.Record; job.Outcome == domain.Partial && job.OutcomeReason != "" {
		p.forReviewer("found ", spaced(string(found)), " and left so; the job says why")
		return
	}
	p.fault("found ", spaced(string(found)), ", and nothing repairs it")
}

var trunkBracketScrews = Rule{
	Key: "trunk_bracket_screws", Title: "An angle bracket is screwed on both legs",
	Why:      "A bracket that holds on one leg swings, and the joint cracks.",
	Judged:   "Each repair with an angle bracket has enough screws in the trunk, more of them in a long one, and the other leg is fastened.",
	None:     "no bracket was used",
	Fix:      "Set the missing screws.",
	Severity: Check, Missing: Silent, Cure: OnSite, Hazard: SharpMetal,
	Parameters: []Parameter{
		{"screws_count", "screws", 3, 1, 12, practice},
		{"screw_each_in", "in", 6, 1, 24, practice},
	},
	Source: practice,
	Example: Example{
		Holds:  "Bracket of 14 in with 3 screws in the trunk, other leg fastened.",
		Broken: "Bracket with 2 screws in the trunk.",
	},
	check: func(c *check) {
		for _, r := range c.job.Repairs {
			if !r.Record.Has(domain.Bracket) && r.Record.BracketTrunkScrewsCount == nil {
				continue
			}
			if c.job.home().JoistDirection == domain.Crosswise {
				c.notApplicable("joists run crosswise")
				continue
			}
			p := c.on(r.Subject())
			switch screws := r.Record.BracketTrunkScrewsCount; {
			case screws == nil:
				p.lack("its screws in the trunk")
			case *screws < c.bracketScrews(r.Record):
				p.fault("the bracket has ", some(float64(*screws), "screw"), " in the trunk; the program wants ", count(c.bracketScrews(r.Record)))
			}
			p.yes(r.Record.BracketOtherLegFastened, "the bracket's other leg is not fastened", "whether the other leg is fastened", "")
			p.done()
		}
	},
}

// bracketScrews is how many screws a bracket needs in the trunk: the least
// number, or one for each so many inches.
func (c *check) bracketScrews(r *domain.Repair) int {
	least := int(c.limit("screws_count"))
	if r.BracketLengthIn == nil {
		return least
	}
	return max(least, int(math.Ceil(*r.BracketLengthIn/c.limit("screw_each_in")-slack)))
}

var loosePartFastened = Rule{
	Key: "loose_part_fastened", Title: "Loose parts are fastened before they are sealed",
	Why:      "A part that moves cracks its seal.",
	Judged:   "Each boot, riser, trunk, takeoff or collar that was found detached, or is new, has enough nails, screws or brackets beside sealant: one, a round part three, a new boot one on each side. Of many parts in one repair the least number on any of them counts.",
	None:     "no part was found detached and none is new",
	Fix:      "Fasten it with nails, screws or a bracket, then seal it.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Hazard: CrawlSpace,
	Parameters: []Parameter{
		{"fasteners_count", "fasteners", 1, 1, 20, practice},
		{"round_part_count", "fasteners", 3, 1, 20, "SWS 5.0105.1"},
		{"new_boot_count", "fasteners", 4, 1, 20, "SWS 5.0105.5, all four sides"},
	},
	Source: practice + "; SWS 5.0105.1, 5.0105.5",
	Example: Example{
		Holds:  "Boot A5 found detached, nailed and sealed.",
		Broken: "Boot A5 found detached, sealed with mastic and no fastener.",
	},
	check: func(c *check) {
		if !c.job.worked() && !c.job.sealing() {
			c.notApplicable("no work on ducts was done")
			return
		}
		for _, part := range c.job.Components {
			switch part.Record.Component {
			case domain.Boot, domain.Riser, domain.Trunk, domain.BranchTakeoff, domain.SupplyCollar:
				if part.Record.Found == "" && c.job.repaired(part.ID) {
					c.notJudged() // whether it was loose is not known
				}
				if fresh := c.job.renewed(part.ID); fresh || part.Record.Found == domain.FoundDetached {
					c.fastened(part, fresh)
				}
			}
		}
		for _, x := range c.job.Crossovers {
			c.collarFastened(x)
		}
	},
}

// renewed tells whether a repair put a new part in place of the old one.
func (a *Assembled) renewed(component domain.UUID) bool {
	for r := range a.repairsOf(component) {
		if r.Record.NewPart != nil && *r.Record.NewPart {
			return true
		}
	}
	return false
}

// fastened judges one part by the repairs that cover it.
func (c *check) fastened(part Of[domain.Component], fresh bool) {
	wanted := int(c.limit("fasteners_count"))
	state := "was found detached"
	if fresh {
		state = "is new"
	}
	switch sort := part.Record.Component; {
	case sort == domain.BranchTakeoff, sort == domain.SupplyCollar:
		wanted = int(c.limit("round_part_count"))
	case fresh && sort == domain.Boot:
		wanted = int(c.limit("new_boot_count"))
	}
	held, said, unclear, repaired := 0, false, false, false
	for r := range c.job.repairsOf(part.ID) {
		repaired = true
		n, known := heldEach(r.Record)
		held += n
		said = said || known
		unclear = unclear || !known && r.Record.Fasteners != nil
	}
	p := c.on(part.Subject())
	switch {
	case held >= wanted:
	case unclear:
		p.lack("the least number of fasteners on each part of its repair")
	case said:
		p.fault("it ", state, " and has ", some(float64(held), "fastener"), "; the program wants ", count(wanted))
	case repaired:
		p.lack("what fastens it beside sealant")
	default:
		p.fault("it ", state, " and is not fastened")
	}
	p.done()
}

// heldEach is how many fasteners hold each part of a repair at least. Known
// also where a total cannot reach one for each, or all are on one part.
func heldEach(r *domain.Repair) (held int, known bool) {
	total := 0
	for _, f := range r.Fasteners {
		if f.Kind != "staple" {
			total += f.Count
		}
	}
	if r.BracketTrunkScrewsCount != nil {
		total += *r.BracketTrunkScrewsCount
	} else if r.Fasteners == nil && r.Has(domain.Bracket) {
		total++
	}
	switch {
	case r.FastenersEach != nil && r.Fasteners != nil && len(r.ComponentIDs) > 0: // both say it: the lower number counts
		return min(*r.FastenersEach, total/len(r.ComponentIDs)), true
	case r.FastenersEach != nil:
		return *r.FastenersEach, true
	case len(r.ComponentIDs) <= 1:
		return total, r.Fasteners != nil || total > 0
	case total < len(r.ComponentIDs): // one part at least has none
		return 0, r.Fasteners != nil
	}
	return 0, false
}

func (c *check) collarFastened(x Of[domain.Crossover]) {
	p := c.on(x.Subject())
	loose := false
	for _, section := range sections(x.Record) {
		end := endOf(x.Record, section)
		if end != nil && end.CollarFound == "" && !untouched(x.Record) && !unreached(x.Record) {
			c.notJudged() // whether it was loose is not known
		}
		if end == nil || end.CollarFound != domain.FoundDetached {
			continue
		}
		loose = true
		switch wanted := int(c.limit("round_part_count")); {
		case end.FastenersCount == nil:
			p.lack("what fastens the collar at end ", string(section))
		case *end.FastenersCount < wanted:
			p.fault("the collar at end ", string(section), " was found detached and has ", some(float64(*end.FastenersCount), "fastener"), "; the program wants ", count(wanted))
		}
	}
	if loose {
		p.done()
	}
}
