package performance

import (
	"bytes"
	"cmp"
	"encoding/json"
	"flag"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "renew testdata")

// Published figures are given again byte for byte as long as the method has the
// same name: a change of this file needs another MethodVersion.
func TestBytesOfTheMethod(t *testing.T) {
	w := world{effects: []float64{.3, 0, -.2, .1, 0, -.1, 0}, counts: []int{3, 40, 25, 12, 60, 31, 2}, sigma: .4, areas: true,
		classes: []string{"single", "double", "triple"}}
	jobs := w.jobs(rand.New(rand.NewPCG(20261101, 6)))
	jobs[5].AfterTenths, jobs[6].Questioned, jobs[7].Excluded, jobs[8].PayBasis = nil, true, true, Deemed
	c, err := Compare(jobs, october, map[domain.UUID]string{id(1): "Northwind Sealing", id(2): "Alder Ducts", id(9): "Without a job"})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", MethodVersion+".json")
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("equal jobs give other bytes than %s", path)
	}
}

// Order, repetition, cutting into parts and how many processors there are change no
// byte.
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
		defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
		for _, processors := range []int{1, 2, 8} {
			runtime.GOMAXPROCS(processors)
			c, err = tallies[0].Comparison(names)
			if got := text(t, c, err); got != want {
				t.Fatalf("asked again on %d processors:\n%s\n%s", processors, got, want)
			}
		}
	})
}

// What breaks beside the caller is the caller's error, who can answer for it.
func TestWhatBreaksAsideIsAnError(t *testing.T) {
	if err := aside(func() { panic("broken") })(); err == nil || err.Error() != "the comparison broke: broken" {
		t.Error(err)
	}
	if err := aside(func() {})(); err != nil {
		t.Error(err)
	}
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

// The order statistics of whole numbers are those of package stat, whose tests
// hold published ones, over the same numbers as floats.
func TestOrderStatistics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int32Range(-1<<30, 1<<30), 1, 300).Draw(t, "values")
		o := order(slices.Clone(values)).sorted()
		floats := make([]float64, len(values))
		for i, v := range slices.Sorted(slices.Values(values)) {
			floats[i] = inCFM25(v)
		}
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		want, err := stat.Quantile(floats, p)
		if got := o.quantile(p, inCFM25); err != nil || got != want {
			t.Fatalf("quantile %v of %d: %v, want %v, %v", p, len(values), got, want, err)
		}
		bounds := newTables().median(int64(len(values)))
		rank, _, err := stat.MedianRank(len(floats), Level)
		if (err != nil) != (bounds.rank == 0) {
			t.Fatalf("%d values have an interval at rank %d: %v", len(values), bounds.rank, err)
		}
		if err == nil {
			low, high := o.between(bounds.rank)
			if inCFM25(low) != floats[rank-1] || inCFM25(high) != floats[len(floats)-rank] {
				t.Fatalf("between %v and %v, want %v and %v", inCFM25(low), inCFM25(high), floats[rank-1], floats[len(floats)-rank])
			}
		}
	})
}

// Any change of a job that counts is seen; order, parts and jobs outside the
// period are not.
func TestDigest(t *testing.T) {
	of := func(jobs ...Job) string {
		c, err := Compare(jobs, october, nil)
		if err != nil {
			t.Fatal(err)
		}
		return c.InputDigest
	}
	base := []Job{measured(1, 1, 100, 50), measured(2, 1, 100, 50)}
	want := of(base...)
	seen := map[string]string{want: "unchanged", of(): "none"}
	for name, change := range map[string]func(*Job){
		"reading":     func(j *Job) { *j.AfterTenths++ },
		"no reading":  func(j *Job) { j.AfterTenths = nil },
		"area":        func(j *Job) { j.AreaFt2 = ptr(900.0) },
		"class":       func(j *Job) { j.Class = "double" },
		"basis":       func(j *Job) { j.PayBasis = Deemed },
		"contractor":  func(j *Job) { j.ContractorID = id(2) },
		"lead":        func(j *Job) { j.CrewLeadID = id(2) },
		"excluded":    func(j *Job) { j.Excluded = true },
		"questioned":  func(j *Job) { j.Questioned = true },
		"below range": func(j *Job) { j.AfterBelowRange = true },
		"accepted":    func(j *Job) { j.AcceptedAt = j.AcceptedAt.Add(1) },
	} {
		j := measured(2, 1, 100, 50)
		change(&j)
		got := of(base[0], j)
		if other, ok := seen[got]; ok {
			t.Errorf("%s has the digest of %s", name, other)
		}
		seen[got] = name
	}
	outside := measured(3, 1, 100, 50)
	outside.AcceptedAt = october.Before
	if got := of(base[1], outside, base[0]); got != want {
		t.Errorf("order or a job outside the period: %s, want %s", got, want)
	}
}

func TestWideIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Logarithms in steps stay below 2^50: ln of the largest reading is 14.
		steps := rapid.Int64Range(-1<<50, 1<<50)
		pairs := rapid.SliceOf(rapid.Custom(func(t *rapid.T) [2]int64 {
			return [2]int64{steps.Draw(t, "a"), steps.Draw(t, "b")}
		})).Draw(t, "pairs")
		var sum wide
		want := new(big.Int)
		for i, p := range pairs {
			v := new(big.Int).Mul(big.NewInt(p[0]), big.NewInt(p[1]))
			if i%3 == 2 {
				sum.sub(product(p[0], p[1]))
				want.Sub(want, v)
			} else {
				sum.add(product(p[0], p[1]))
				want.Add(want, v)
			}
		}
		if sum.big().Cmp(want) != 0 {
			t.Fatalf("sum %v, want %v", sum.big(), want)
		}
	})
}

func TestWideOf(t *testing.T) {
	for _, v := range []int64{0, 1, -1, math.MaxInt64, math.MinInt64} {
		if got := wideOf(v).big(); got.Cmp(big.NewInt(v)) != 0 {
			t.Errorf("wideOf(%d) = %v", v, got)
		}
	}
}

// The centered sum of products must survive values that differ in their last
// steps only, where Σab − ΣaΣb/n in floats loses every digit.
func TestCenteredDoesNotCancel(t *testing.T) {
	var a, aa wide
	base := int64(10) << logBits
	for _, v := range []int64{base, base + 2, base + 4} {
		a.add(wideOf(v))
		aa.add(product(v, v))
	}
	if got, want := centered(3, aa, a, a), math.Ldexp(8, -2*logBits); got != want {
		t.Errorf("centered = %g, want %g", got, want)
	}
}

// Rounded once, as math/big rounds.
func TestWideToFloat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := wide{hi: rapid.Int64().Draw(t, "hi") >> rapid.UintRange(0, 63).Draw(t, "less"), lo: rapid.Uint64().Draw(t, "lo")}
		if rapid.Bool().Draw(t, "near a middle") {
			w.lo = w.lo>>40<<40 | uint64(rapid.IntRange(0, 1).Draw(t, "last"))
		}
		want, _ := new(big.Float).SetInt(w.big()).Float64()
		if got := w.float(0); got != want {
			t.Fatalf("%v as a float is %v, want %v", w.big(), got, want)
		}
	})
}

// Readings sorted by bytes stand as a comparing sort puts them; sorted from their
// low bytes alone, those that are equal there keep their order.
func TestSortFromIsAStableSort(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for n := range 300 {
		words := make([]uint64, n)
		for i := range words {
			words[i] = r.Uint64() >> r.IntN(60)
		}
		whole, low := slices.Clone(words), slices.Clone(words)
		slices.Sort(whole)
		slices.SortStableFunc(low, func(a, b uint64) int { return cmp.Compare(uint32(a), uint32(b)) })
		got := slices.Clone(words)
		if sortFrom(got, 8); !slices.Equal(got, whole) {
			t.Fatalf("%d words: %x, want %x", n, got, whole)
		}
		if sortFrom(words, 4); !slices.Equal(words, low) {
			t.Fatalf("%d words from their low half: %x, want %x", n, words, low)
		}
	}
}

// The short way to a centered sum gives the bits of the long one, up to the
// limits of what it takes and beyond.
func TestCenteredIsThatOfBigNumbers(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for range 20_000 {
		n := 1 + r.Int64N(1<<r.IntN(34))
		ab := product(r.Int64()>>r.IntN(63), r.Int64()>>r.IntN(63)-1<<r.IntN(62))
		a, b := product(r.Int64()>>r.IntN(63), 1-r.Int64N(3)), wideOf(r.Int64()>>r.IntN(63)-1<<r.IntN(62))
		want := toFloat(crossed(n, ab, a, b), 2*logBits) / float64(n)
		if got := centered(n, ab, a, b); got != want {
			t.Fatalf("n %d, ab %v, a %v, b %v: %v, want %v", n, ab, a, b, got, want)
		}
	}
}
