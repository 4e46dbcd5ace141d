package rules

import (
	"math"

	"ductledger/domain"
	"ductledger/domain/cutlist"
)

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
