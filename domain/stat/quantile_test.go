package stat

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// The twelve resistivities of NIST/SEMATECH e-Handbook 7.2.6.2 [pub].
var resistivities = slices.Sorted(slices.Values([]float64{
	95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610,
	95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682,
}))

func TestQuantile(t *testing.T) {
	for _, c := range []struct {
		name      string
		sorted    []float64
		p         float64
		want, tol float64
		source    string
	}{
		{"resistivity, 0.9", resistivities, 0.9, 95.19568, 1e-12, "type 7 of the data of NIST/SEMATECH 7.2.6.2; Postgres 15 percentile_cont gives the same [pub]"},
		{"resistivity, median", resistivities, 0.5, 95.1579, 1e-12, "mean of the two middle values [calc]"},
		{"last bit as Postgres", []float64{95.1065, 95.1195}, 0.75, 95.11625000000001, 0, "x + f·(y − x) as Postgres interpolates; the other form ends in …49999 [calc]"},
		{"one value", []float64{3}, 0.99, 3, 0, "[calc]"},
		{"smallest", []float64{1, 2, 9}, 0, 1, 0, "[calc]"},
		{"largest", []float64{1, 2, 9}, 1, 9, 0, "[calc]"},
		{"ties", []float64{2, 2, 2, 5}, 0.5, 2, 0, "[calc]"},
	} {
		got, err := Quantile(c.sorted, c.p)
		if err != nil || math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: %.17g, %v; want %.17g (%s)", c.name, got, err, c.want, c.source)
		}
	}
}

func TestQuantileRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		values []float64
		p      float64
		code   string
	}{
		"no values":  {nil, 0.5, TooFew},
		"p too big":  {[]float64{1}, 1.01, OutOfRange},
		"p not real": {[]float64{1}, math.NaN(), NotFinite},
		"descending": {[]float64{2, 1}, 0.5, NotSorted},
		"far apart":  {[]float64{-1.5e308, 1.5e308}, 0.5, NoAnswer},
		"NaN":        {[]float64{1, math.NaN()}, 0.5, NotFinite},
	} {
		_, err := Quantile(c.values, c.p)
		wantCode(t, name, err, c.code)
	}
}

// At p = i/(n−1) a type-7 quantile is a value itself; between, it rises.
func TestQuantileIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e6), 1, 30).Draw(t, "values")
		slices.Sort(values)
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		q := rapid.Float64Range(p, 1).Draw(t, "q")
		a, errA := Quantile(values, p)
		b, errB := Quantile(values, q)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		if a > b+1e-9 || a < values[0] || b > values[len(values)-1]+1e-9 {
			t.Fatalf("quantiles %v at %v, %v at %v of %v", a, p, b, q, values)
		}
	})
}

func TestMedianRank(t *testing.T) {
	for _, c := range []struct {
		n, rank  int
		coverage float64 // percent
	}{
		{6, 1, 96.9}, {9, 2, 96.1}, {10, 2, 97.9}, {15, 4, 96.5}, {17, 5, 95.1}, {20, 6, 95.9},
	} {
		// Source: textbook table of order-statistic limits for the median [pub], to 0.1 %.
		rank, coverage, err := MedianRank(c.n, 0.95)
		if err != nil || rank != c.rank || math.Abs(100*coverage-c.coverage) > 0.05 {
			t.Errorf("n = %d: rank %d, coverage %v, %v; want %d, %v %%", c.n, rank, coverage, err, c.rank, c.coverage)
		}
	}
	for n := -1; n <= 5; n++ {
		_, _, err := MedianRank(n, 0.95)
		wantCode(t, "n below 6", err, TooFew)
	}
	// Exactly at the level: 5 values reach 1 − 2/32 = 0.9375 [calc].
	if rank, coverage, err := MedianRank(5, 0.9375); rank != 1 || coverage != 0.9375 || err != nil {
		t.Errorf("n = 5 at 0.9375: %d, %v, %v", rank, coverage, err)
	}
	// Either way of summing the tail, against whole numbers [calc].
	for _, n := range []int{60, exactTail, exactTail + 1} {
		rank, coverage, err := MedianRank(n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if got, next := exactCoverage(n, rank), exactCoverage(n, rank+1); math.Abs(coverage-got) > 1e-12 || got < .95 || next >= .95 {
			t.Errorf("n = %d: rank %d, coverage %v; exactly %v, and %v at the next rank", n, rank, coverage, got, next)
		}
	}
}

// exactCoverage is 1 − 2·ΣC(n, i)/2^n over i < rank, in whole numbers.
func exactCoverage(n, rank int) float64 {
	sum := new(big.Int)
	for i := range rank {
		sum.Add(sum, new(big.Int).Binomial(int64(n), int64(i)))
	}
	all := new(big.Int).Lsh(big.NewInt(1), uint(n))
	f, _ := new(big.Rat).SetFrac(sum.Sub(all, sum.Lsh(sum, 1)), all).Float64()
	return f
}
