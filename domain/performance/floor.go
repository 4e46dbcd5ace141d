package performance

import (
	"cmp"
	"slices"

	"ductledger/domain/stat"
)

// leastHomes is the number of homes below which no figure of a group leaves the
// agency: who knows the others' homes could tell one from it [cp].
const leastHomes = 5

// TooFewHomes is why a figure is absent for a reader outside the agency.
const TooFewHomes = "fewer_than_5_homes"

// Outside is the summary as a reader outside the agency gets it: without figures
// where it rests on fewer than leastHomes homes, and never with other jobs
// counted, since the difference would be a figure of a few. False when figures
// are held back. It refuses nothing. Source: disclosure control [cp].
func (s *Summary) Outside() (whole bool) {
	s.WithoutQuestioned, s.WithExcluded = nil, nil
	if s.homes >= leastHomes || s.UsedCount == 0 {
		return true
	}
	s.hide()
	return false
}

func (s *Summary) hide() {
	s.Pooled, s.Typical = Pooled{Reason: TooFewHomes}, Typical{Reason: TooFewHomes}
	s.MedianBefore, s.MedianAfter = Median{Reason: TooFewHomes}, Median{Reason: TooFewHomes}
	s.PerArea, s.MissingAfterRatio = PerArea{Reason: TooFewHomes}, nil
}

// OutsideGroups are groups as a reader outside the agency gets them. One that is
// hidden alone could be had from the total, so the smallest of the others is
// hidden with it. False when figures are held back. It refuses nothing.
// Source: disclosure control [cp].
func OutsideGroups(groups []Group) (whole bool) {
	shown := make([]*Group, 0, len(groups))
	hidden, homes := 0, 0
	for i := range groups {
		g := &groups[i]
		if g.Figures == nil || g.UsedCount == 0 {
			continue
		}
		if g.Figures.Outside() {
			shown = append(shown, g)
			continue
		}
		g.Reason = TooFewHomes
		hidden, homes = hidden+1, homes+g.Figures.homes
	}
	if hidden == 0 {
		return true
	}
	slices.SortStableFunc(shown, func(a, b *Group) int { return cmp.Compare(a.UsedCount, b.UsedCount) })
	if (hidden == 1 || homes < leastHomes) && len(shown) > 0 {
		shown[0].Figures.hide()
		shown[0].Reason = TooFewHomes
	}
	return false
}

// Outside is a contractor's place as the contractor gets it: what is for the
// agency only (who is watched or listed) goes, and with it every word that rests
// on it; below the number of jobs from which a figure may stand beside a name
// outside, there is none. It refuses nothing. Source: at Standing [cp].
func (a *Adjusted) Outside(p *Pool) {
	if a.Standing == nil || p == nil {
		return
	}
	if a.Standing.Naming != NamedWithItsSpan {
		*a = Adjusted{N: a.N, Reason: stat.TooFew, Statement: "From " + jobs(a.N) + " no index is given outside the agency; a longer period may hold enough."}
		return
	}
	if !a.Standing.Comparison {
		unwatched := *a.Standing
		unwatched.Watch = false
		a.Standing = &unwatched
		a.Statement = a.say(p)
	}
	a.Standing = nil
}
