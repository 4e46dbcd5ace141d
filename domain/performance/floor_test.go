package performance

import "testing"

// Four homes give a reader outside the agency no figure, five do; what is hidden
// alone could be had from the total, so another is hidden with it.
func TestFewHomesLeaveNoFigure(t *testing.T) {
	groups := func(counts map[string]int) []Group {
		var jobs []Job
		for _, class := range []string{"single", "double", "triple"} {
			for range counts[class] {
				j := measured(len(jobs)+1, 1, 200, 100)
				j.Class = class
				jobs = append(jobs, j)
			}
		}
		g, err := CompareGroups(jobs, october, ByHomeClass, nil)
		if err != nil {
			t.Fatal(err)
		}
		return g.Groups
	}
	for _, c := range []struct {
		counts map[string]int
		shown  []bool // single, double, triple
		whole  bool
	}{
		{map[string]int{"single": 5, "double": 9, "triple": 5}, []bool{true, true, true}, true},
		{map[string]int{"single": 20, "double": 9, "triple": 4}, []bool{true, false, false}, false},
		{map[string]int{"single": 20, "double": 4, "triple": 4}, []bool{true, false, false}, false},
		{map[string]int{"single": 20, "double": 1, "triple": 1}, []bool{false, false, false}, false},
	} {
		got := groups(c.counts)
		if whole := OutsideGroups(got); whole != c.whole {
			t.Errorf("%v: whole %v", c.counts, whole)
		}
		for i, g := range got {
			if shown := g.Figures.Pooled.Ratio != nil; shown != c.shown[i] || !shown && (g.Figures.MedianAfter.Leakage != nil || g.Reason != TooFewHomes) {
				t.Errorf("%v: %s shown %v: %+v", c.counts, g.HomeClass, shown, g)
			}
		}
	}
	// A home with two jobs is one home.
	var jobs []Job
	for i := range 6 {
		j := measured(i+1, 1, 200, 100)
		j.HomeID = id(500 + i/2)
		jobs = append(jobs, j)
	}
	s := compareOne(t, jobs...)
	if s.Outside() || s.Pooled.Ratio != nil || s.Pooled.Reason != TooFewHomes {
		t.Errorf("six jobs of three homes: %+v", s.Pooled)
	}
}
