package month

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ductledger/domain"
)

func TestSuppressByHand(t *testing.T) {
	for _, c := range []struct {
		name   string
		jobs   []int64
		hidden []int64
		named  bool
	}{
		{"none", nil, nil, false},
		{"all large enough", []int64{5, 9}, nil, false},
		{"two below reach the floor", []int64{2, 3, 9}, []int64{2, 3}, true},
		{"one below takes the next smallest", []int64{4, 9, 7}, []int64{4, 7}, true},
		{"two below do not reach the floor", []int64{1, 1, 6, 9}, []int64{1, 1, 6}, true}, // 2 in two would tell 1 each
		{"a lone contractor", []int64{3}, []int64{3}, false},
		{"all together below the floor", []int64{1, 2}, []int64{1, 2}, false},
		{"a large one beside one below", []int64{1, 50}, []int64{1, 50}, true},
	} {
		jobs := map[domain.UUID]int64{}
		for i, n := range c.jobs {
			jobs[domain.UUID{byte(i + 1)}] = n
		}
		s := Suppress(jobs, 5)
		var hidden []int64
		for id, n := range jobs {
			if s.Hides(id) {
				hidden = append(hidden, n)
			}
		}
		slices.Sort(hidden)
		if !slices.Equal(hidden, c.hidden) || s.Names() != c.named || s.Count() != int64(len(c.hidden)) {
			t.Errorf("%s: hidden %v, named %t; want %v, %t", c.name, hidden, s.Names(), c.hidden, c.named)
		}
	}
}

// Whoever knows the floor, all that is shown and the sum of the hidden ones
// finds at least two ways to share that sum out, wherever a hidden one is named.
func TestTotalsDoNotReveal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		floor := rapid.Int64Range(2, 12).Draw(t, "floor")
		jobs := map[domain.UUID]int64{}
		for i, n := range rapid.SliceOfN(rapid.Int64Range(1, 20), 1, 8).Draw(t, "jobs") {
			jobs[domain.UUID{byte(i + 1)}] = n
		}
		s := Suppress(jobs, floor)
		together, smallestShown := int64(0), int64(0)
		for id, n := range jobs {
			switch {
			case s.Hides(id):
				together += n
			case n < floor:
				t.Fatalf("%d jobs are shown below a floor of %d", n, floor)
			case smallestShown == 0 || n < smallestShown:
				smallestShown = n
			}
		}
		if s.Count() == 0 || !s.Names() {
			if s.Count() > 0 && s.Count() < int64(len(jobs)) {
				t.Fatalf("%d of %d are hidden and not named", s.Count(), len(jobs))
			}
			return
		}
		// Each has one at least; with one each there is something left over to share.
		if s.Count() < 2 || together == s.Count() {
			t.Fatalf("%d jobs of %d contractors tell each", together, s.Count())
		}
	})
}
