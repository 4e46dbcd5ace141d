package rules

import (
	"math"

	"ductledger/domain"
	"ductledger/domain/cutlist"
)

// CutList is what to cut for a job and how much material it takes, done or
// still to do, with what was recorded as used beside it.
type CutList struct {
	cutlist.List
	// What the records say was used, set beside the list.
	Used []cutlist.AgainstList `json:"used,omitempty"`
	// What the crew says it used otherwise than listed, of the whole job.
	Exceptions []cutlist.AgainstList `json:"exceptions,omitempty"`
	// What no record says and the list had to take.
	Assumed []CutListNote `json:"assumed"`
	// What cannot be listed, and why.
	LeftOut []CutListNote `json:"left_out"`
	// The records that the list was made from.
	Records []domain.Subject `json:"records"`
}

// CutListNote says one thing about one or more records.
type CutListNote struct {
	Subjects []domain.Subject `json:"subjects"`
	What     string           `json:"what"`
}

// What crews find where a size is not asked for, in in; all [cp] and told in
// CutList.Assumed.
const (
	usualRegisterLengthIn = 10.0 // a floor register is 4 × 10 in
	usualRegisterWidthIn  = 4.0
	usualFurnaceJointIn   = 60.0 // once round the duct under a furnace
	usualSeamIn           = 24.0 // what a hand reaches of a seam through an opening
	usualTakeoffIn        = 6.0  // diameter of a branch
	usualCollarIn         = 12.0 // diameter of the supply collar of an outdoor unit
	usualBracketLegIn     = 2.0
)

// CutList makes the list of a job from what its records know: inside sizes of
// the trunks, ends that are not tight, openings that the crew made or that
// were closed, parts found detached, crossovers that come down, joints to
// seal. Units are those of package cutlist. Refused: what cutlist.ForJob
// refuses, which is a size beyond any duct. Source: package cutlist; sizes
// that no record has are common practice and named [cp].
func (a *Assembled) CutList(p cutlist.Parameters) (CutList, error) {
	l := cutLister{job: a, p: p, out: CutList{Assumed: []CutListNote{}, LeftOut: []CutListNote{}, Records: []domain.Subject{}}}
	for _, c := range a.Components {
		l.component(c)
	}
	for _, x := range a.Crossovers {
		l.crossover(x)
	}
	for _, o := range a.Openings {
		l.opening(o)
	}
	for _, r := range a.Repairs {
		if r.Record.Repair == domain.RepairTrunkSeam {
			l.seal(r.Subject(), a.repairName(r.Record), usualSeamIn, wide(r.Record.WidestGapIn))
			l.assume(r.Subject(), "a hand reaches "+inches(usualSeamIn)+" of a seam")
		}
	}
	list, err := cutlist.ForJob(l.work, p)
	if err != nil {
		return CutList{}, err
	}
	l.out.List = list
	if l.out.Used, err = l.used(); err != nil {
		return CutList{}, err
	}
	if l.out.Exceptions, err = l.exceptions(); err != nil {
		return CutList{}, err
	}
	return l.out, nil
}

// cutLister gathers the work of one job.
type cutLister struct {
	job  *Assembled
	p    cutlist.Parameters
	work cutlist.Job
	out  CutList
	// The same work, but only where the record says what was used of a
	// material, so that like is set beside like.
	metal, screws, bands cutlist.Job
	taken                cutlist.Used
}

func (l *cutLister) from(s domain.Subject) { l.out.Records = append(l.out.Records, s) }

func (l *cutLister) assume(s domain.Subject, what string) {
	l.out.Assumed = noted(l.out.Assumed, s, what)
}

func (l *cutLister) leaveOut(s domain.Subject, why string) {
	l.out.LeftOut = noted(l.out.LeftOut, s, why)
}

func noted(notes []CutListNote, s domain.Subject, what string) []CutListNote {
	for i := range notes {
		if notes[i].What == what {
			notes[i].Subjects = append(notes[i].Subjects, s)
			return notes
		}
	}
	return append(notes, CutListNote{[]domain.Subject{s}, what})
}

// seal adds a joint to coat.
func (l *cutLister) seal(s domain.Subject, place string, lengthIn float64, mesh bool) {
	l.from(s)
	l.work.Seals = append(l.work.Seals, cutlist.Seal{Place: place, LengthIn: lengthIn, WidthIn: l.p.MasticBeadWidthIn, Mesh: mesh})
}

// wide tells a gap that mastic alone does not span; the rule's own default.
func wide(gapIn *float64) bool {
	return gapIn != nil && over(*gapIn, wideGapReinforced.Parameters[0].Default)
}

// component adds what one part needs: nothing where it was found tight and
// nobody sealed it.
func (l *cutLister) component(c Of[domain.Component]) {
	if c.Record.Found == domain.FoundTight && !l.job.repaired(c.ID) {
		return
	}
	name := componentName(c.Record)
	if c.Record.Found == domain.FoundNotAccessible && !l.job.repaired(c.ID) {
		l.leaveOut(c.Subject(), "it cannot be reached")
		return
	}
	if c.Record.Found == domain.FoundDetached {
		l.bracket(c, name)
		if c.Record.Component == domain.Boot {
			l.work.NailedParts = append(l.work.NailedParts, cutlist.NailedPart{Place: name, PartsCount: c.Record.Parts()})
			l.assume(c.Subject(), "a loose boot is nailed on all four sides")
		}
	}
	mesh := wide(c.Record.WidestGapIn)
	for r := range l.job.repairsOf(c.ID) {
		mesh = mesh || wide(r.Record.WidestGapIn)
	}
	switch c.Record.Component {
	case domain.TrunkEnd:
		l.end(c, name)
	case domain.Boot, domain.Riser:
		joints := 1.0
		if c.Record.Component == domain.Boot && l.job.home().JoistDirection == domain.Crosswise {
			joints = 2 // to the trunk's riser, and to the floor
		}
		l.seal(c.Subject(), name, joints*2*(usualRegisterLengthIn+usualRegisterWidthIn), mesh)
		l.assume(c.Subject(), "a register is "+number(usualRegisterLengthIn)+" × "+inches(usualRegisterWidthIn))
	case domain.FurnaceJoint:
		l.seal(c.Subject(), name, usualFurnaceJointIn, mesh)
		l.assume(c.Subject(), "it is "+inches(usualFurnaceJointIn)+" once round the duct under the furnace")
	case domain.BranchTakeoff:
		l.seal(c.Subject(), name, math.Pi*usualTakeoffIn, mesh)
		l.assume(c.Subject(), "a branch is "+inches(usualTakeoffIn)+" wide")
	case domain.SupplyCollar:
		l.seal(c.Subject(), name, math.Pi*usualCollarIn, mesh)
		l.assume(c.Subject(), "the supply collar is "+inches(usualCollarIn)+" wide")
	}
}

// bracket adds one for a loose part, unless it was made fast without.
func (l *cutLister) bracket(c Of[domain.Component], name string) {
	for r := range l.job.repairsOf(c.ID) {
		if !r.Record.Has(domain.Bracket) {
			return
		}
	}
	l.from(c.Subject())
	l.work.Brackets = append(l.work.Brackets, cutlist.Bracket{Place: name,
		TrunkLegIn: usualBracketLegIn, OtherLegIn: usualBracketLegIn, WidthIn: l.p.BracketLeastWidthIn})
	l.assume(c.Subject(), "a loose part is held by one bracket with legs of "+inches(usualBracketLegIn))
}

// end adds what closes a trunk's end, as recorded, else a sloped metal blank.
func (l *cutLister) end(c Of[domain.Component], name string) {
	trunk := l.job.trunkIn(c.Record.Section)
	if trunk == nil || trunk.InsideWidthIn == nil || trunk.InsideHeightIn == nil {
		l.leaveOut(c.Subject(), "the inside size of its trunk is not recorded")
		return
	}
	w, h := *trunk.InsideWidthIn, *trunk.InsideHeightIn
	var closure *domain.EndClosure
	for r := range l.job.repairsOf(c.ID) {
		if r.Record.EndClosure != nil {
			closure = r.Record.EndClosure
		}
	}
	form := domain.SlopedBlank
	if closure != nil {
		form = closure.Form
	} else {
		l.assume(c.Subject(), "the end is closed by a sloped metal blank")
	}
	switch form {
	case domain.CapFromBelow:
		l.leaveOut(c.Subject(), "a cap from below is measured and cut where it goes")
		return
	case domain.BoardPlug:
		l.work.BoardPlugs = append(l.work.BoardPlugs, cutlist.BoardPlug{Place: name, DuctWidthIn: w, DuctHeightIn: h, RunIn: h})
	default:
		blank := cutlist.SlopedBlank{Place: name, DuctWidthIn: w, DuctHeightIn: h, RunIn: h, ScrewedToSideWalls: true}
		l.work.SlopedBlanks = append(l.work.SlopedBlanks, blank)
		l.usedOnBlank(closure, blank)
	}
	l.assume(c.Subject(), "the closure slopes by as much as the trunk is high")
	l.from(c.Subject())
}

// trunkIn is the trunk of a section; nil where none is recorded.
func (a *Assembled) trunkIn(section domain.Section) *domain.Component {
	for _, c := range a.Components {
		if c.Record.Component == domain.Trunk && c.Record.Section == section {
			return c.Record
		}
	}
	return nil
}

// crossover adds the collars of one that comes down.
func (l *cutLister) crossover(x Of[domain.Crossover]) {
	if x.Record.Action == domain.LeftAlone {
		return
	}
	if x.Record.Crossover != domain.FlexRound {
		l.leaveOut(x.Subject(), "only round flexible ducts take bands and screws of the usual number")
		return
	}
	diameter := x.Record.DuctDiameterIn
	for _, e := range x.Record.Ends {
		if e.CollarDiameterIn != nil {
			diameter = e.CollarDiameterIn
			break
		}
	}
	if diameter == nil {
		l.leaveOut(x.Subject(), "the diameter of its collars is not recorded")
		return
	}
	l.from(x.Subject())
	made := cutlist.Crossover{Place: l.job.nameOf(x.Subject()), CollarDiameterIn: *diameter}
	if length := x.Record.LengthFt; length != nil {
		if x.Record.Action == domain.Replaced {
			made.FlexLengthFt = *length
		}
		if spacing := spacingOf(x.Record); x.Record.Support == domain.Straps && spacing != nil {
			made.StrapsCount = max(0, int(math.Ceil(*length / *spacing - slack))-1)
		}
	} else if x.Record.Action == domain.Replaced {
		l.assume(x.Subject(), "its length is not recorded; no new duct and no straps are listed")
	}
	l.work.Crossovers = append(l.work.Crossovers, made)
	l.usedOnCrossover(x.Record, made)
}

// opening adds the patch of one that the crew answers for, or closed.
func (l *cutLister) opening(o Of[domain.Opening]) {
	if !o.Record.Made() && o.Record.ClosedAt == nil {
		return
	}
	if o.Record.In == domain.InWrap {
		switch l.job.home().WrapKind {
		case domain.NoWrap:
			return
		case domain.RigidBoard:
			l.leaveOut(o.Subject(), "rigid board is measured and cut where it goes")
			return
		}
	}
	if o.Record.LengthIn == nil || o.Record.WidthIn == nil || *o.Record.LengthIn <= 0 || *o.Record.WidthIn <= 0 {
		l.leaveOut(o.Subject(), "the size of the opening is not recorded")
		return
	}
	l.from(o.Subject())
	hole := cutlist.Hole{Place: l.job.openingName(o.Record), LengthIn: *o.Record.LengthIn, WidthIn: *o.Record.WidthIn}
	if o.Record.In == domain.InWrap {
		l.work.WrapPatches = append(l.work.WrapPatches, hole)
		return
	}
	l.work.DuctPatches = append(l.work.DuctPatches, hole)
	l.usedOnPatch(o.Record.Closure, hole)
}

// usedOnBlank notes what a closure's record says was used.
func (l *cutLister) usedOnBlank(closure *domain.EndClosure, blank cutlist.SlopedBlank) {
	if closure == nil {
		return
	}
	if closure.ScrewsCount != nil {
		l.screws.SlopedBlanks = append(l.screws.SlopedBlanks, blank)
		l.taken.ScrewsCount = plus(l.taken.ScrewsCount, *closure.ScrewsCount)
	}
	if closure.BlankWidthIn != nil && closure.BlankLengthIn != nil {
		l.metal.SlopedBlanks = append(l.metal.SlopedBlanks, blank)
		l.taken.MetalIn2 = plus(l.taken.MetalIn2, *closure.BlankWidthIn**closure.BlankLengthIn)
	}
}

// usedOnCrossover notes screws and new bands, where both ends tell.
func (l *cutLister) usedOnCrossover(x *domain.Crossover, made cutlist.Crossover) {
	screws, bands, ends := 0, 0, 0
	screwsTold, bandsTold := true, true
	for _, section := range sections(x) {
		e := endOf(x, section)
		if e == nil {
			continue
		}
		ends++
		if e.FastenersCount != nil {
			screws += *e.FastenersCount
		} else {
			screwsTold = false
		}
		for _, fresh := range []*bool{e.InnerBandNew, e.OuterBandNew} {
			if fresh == nil {
				bandsTold = false
			} else if *fresh {
				bands++
			}
		}
	}
	if ends != l.p.CollarsPerDuctCount {
		return
	}
	if screwsTold {
		l.screws.Crossovers = append(l.screws.Crossovers, made)
		l.taken.ScrewsCount = plus(l.taken.ScrewsCount, screws)
	}
	if bandsTold {
		l.bands.Crossovers = append(l.bands.Crossovers, made)
		l.taken.BandsCount = plus(l.taken.BandsCount, bands)
	}
}

// usedOnPatch notes the metal of a patch.
func (l *cutLister) usedOnPatch(closure *domain.Closure, hole cutlist.Hole) {
	if closure == nil || closure.PatchWidthIn == nil || closure.PatchLengthIn == nil {
		return
	}
	l.metal.DuctPatches = append(l.metal.DuctPatches, hole)
	l.taken.MetalIn2 = plus(l.taken.MetalIn2, *closure.PatchWidthIn**closure.PatchLengthIn)
}

func plus[T int | float64](sum *T, x T) *T {
	if sum != nil {
		x += *sum
	}
	return &x
}

// used sets what was recorded beside what the list has for the same parts.
// Materials of which nothing is recorded are left away.
func (l *cutLister) used() (rows []cutlist.AgainstList, err error) {
	for _, part := range []struct {
		work cutlist.Job
		used cutlist.Used
	}{
		{l.metal, cutlist.Used{MetalIn2: l.taken.MetalIn2}},
		{l.screws, cutlist.Used{ScrewsCount: l.taken.ScrewsCount}},
		{l.bands, cutlist.Used{BandsCount: l.taken.BandsCount}},
	} {
		list, err := cutlist.ForJob(part.work, l.p)
		if err != nil {
			return nil, err
		}
		compared, err := cutlist.CompareUsed(list.Totals, list.WithWaste, part.used, cutlist.DefaultUsedTolerance)
		if err != nil {
			return nil, err
		}
		for _, row := range compared {
			if row.Used != nil {
				rows = append(rows, row)
			}
		}
	}
	return rows, nil
}

// exceptions sets what the crew says it used of a material on the whole job
// beside the list.
func (l *cutLister) exceptions() (rows []cutlist.AgainstList, err error) {
	said := l.job.Job.Record.MaterialsUsed
	if len(said) == 0 {
		return nil, nil
	}
	whole := func(x float64) *int { return new(int(math.Round(x))) }
	var used cutlist.Used
	for i := range said {
		x := &said[i].Used
		switch said[i].Material {
		case "metal_in2":
			used.MetalIn2 = x
		case "board_in2":
			used.BoardIn2 = x
		case "wrap_fabric_in2":
			used.WrapFabricIn2 = x
		case "mesh_length_in":
			used.MeshIn = x
		case "mastic_gal":
			used.MasticGal = x
		case "screws_count":
			used.ScrewsCount = whole(*x)
		case "bands_count":
			used.BandsCount = whole(*x)
		case "nails_count":
			used.NailsCount = whole(*x)
		case "flex_length_ft":
			used.FlexLengthFt = x
		case "strap_length_ft":
			used.StrapLengthFt = x
		case "metal_strip_length_in":
			used.MetalStripIn = x
		}
	}
	all, err := cutlist.CompareUsed(l.out.Totals, l.out.WithWaste, used, cutlist.DefaultUsedTolerance)
	for _, row := range all {
		if row.Used != nil {
			rows = append(rows, row)
		}
	}
	return rows, err
}

var materialsAsListed = Rule{
	Key: "materials_as_listed", Title: "Material beyond the list is explained",
	Why:      "Much less than the list is a part not done; much more is a part not written down.",
	Judged:   "Where the crew says that it used another amount of a material than the list of what to cut has, it lies between the list and the list with waste, give or take a tenth. What is not named is as listed.",
	None:     "the crew named no amount",
	Fix:      "Say what took more or less: a part not done, one not written down, or material spoilt.",
	Severity: Note, Missing: Silent, Cure: Office,
	Source: practice,
	Example: Example{
		Holds:  "30 screws used, 28 listed, 31 with waste.",
		Broken: "120 screws used, 28 listed.",
	},
	check: func(c *check) {
		if len(c.job.Job.Record.MaterialsUsed) == 0 {
			return
		}
		list, err := c.job.CutList(cutlist.DefaultParameters())
		if err != nil {
			c.notJudged() // a size beyond any duct
			return
		}
		p := c.on(c.job.subject())
		for _, row := range list.Exceptions {
			if row.Outcome != cutlist.AsListed {
				p.fault(memberWords(row.Material), ": ", number(rounded(*row.Used)), unitOf(row.Material), " used, ", number(rounded(row.Listed)), unitOf(row.Material), " listed")
			}
		}
		p.done()
	},
}
