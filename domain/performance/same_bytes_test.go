package performance

import (
	"encoding/json"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ductledger/domain"
)

// Order, repetition and cutting into parts change no byte.
func TestSameBytes(t *testing.T) {
	names := map[domain.UUID]string{id(1): "a", id(2): "b", id(3): "c", id(9): "d"}
	text := func(t *rapid.T, c Comparison, err error) string {
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	rapid.Check(t, func(t *rapid.T) {
		jobs := anyJobs(t)
		c, err := Compare(jobs, october, names)
		want := text(t, c, err)

		again := slices.Concat(rapid.Permutation(jobs).Draw(t, "order"), jobs[:len(jobs)/2])
		c, err = Compare(again, october, names)
		if got := text(t, c, err); got != want {
			t.Fatalf("other order and repeats:\n%s\n%s", got, want)
		}

		parts := rapid.IntRange(1, 4).Draw(t, "parts")
		tallies := make([]*Tally, parts)
		for i := range tallies {
			tallies[i], _ = NewTally(october, ByContractor)
		}
		for i, j := range rapid.Permutation(jobs).Draw(t, "dealt") {
			if err := tallies[i%parts].Add(j); err != nil {
				t.Fatal(err)
			}
		}
		for _, o := range tallies[1:] {
			if err := tallies[0].Merge(o); err != nil {
				t.Fatal(err)
			}
		}
		c, err = tallies[0].Comparison(names)
		if got := text(t, c, err); got != want {
			t.Fatalf("parts:\n%s\n%s", got, want)
		}
		c, err = tallies[0].Comparison(names)
		if got := text(t, c, err); got != want {
			t.Fatalf("asked twice:\n%s\n%s", got, want)
		}
	})
}

// Jobs of the program are the jobs of its contractors.
func TestCountsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, err := Compare(anyJobs(t), october, nil)
		if err != nil {
			t.Fatal(err)
		}
		jobs, removed := 0, 0.0
		for _, s := range append([]Contractor{{Summary: c.Program}}, c.Contractors...) {
			out := 0
			for _, l := range s.LeftOut {
				out += l.Count
			}
			if s.JobsCount != s.UsedCount+out {
				t.Fatalf("%d jobs, %d used, %d left out", s.JobsCount, s.UsedCount, out)
			}
		}
		for _, s := range c.Contractors {
			jobs += s.JobsCount
			if s.Pooled.ReductionCFM25 != nil {
				removed += *s.Pooled.ReductionCFM25 * 10
			}
		}
		if jobs != c.Program.JobsCount {
			t.Fatalf("contractors have %d jobs, the program %d", jobs, c.Program.JobsCount)
		}
		if p := c.Program.Pooled.ReductionCFM25; p != nil && math.Round(removed) != math.Round(*p*10) {
			t.Fatalf("contractors removed %v tenths, the program %v cfm25", removed, *p)
		}
	})
}
