package rules

import (
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
