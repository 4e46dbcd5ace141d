package stat

import (
	"math"
	"slices"
	"testing"
)

// Whatever the arguments, limits are either refused or finite and in order.
func FuzzLimits(f *testing.F) {
	f.Add(3, 10, 0.95, 2.5)
	f.Add(0, 1, 0.998, 1.0)
	f.Add(5, 5, 0.5, 1e-300)
	f.Add(100000, 1000000, 1-1e-16, 1e7)
	f.Fuzz(func(t *testing.T, x, n int, level, e float64) {
		if n > 10_000_000 || x > 10_000_000 {
			return // no program counts that far; the search would only be slow
		}
		for name, limits := range map[string]func() (Interval, error){
			"Wilson":          func() (Interval, error) { return Wilson(x, n, level) },
			"Clopper-Pearson": func() (Interval, error) { return ClopperPearson(x, n, level) },
			"O/E":             func() (Interval, error) { return ObservedOverExpected(x, e, level) },
			"funnel, rate":    func() (Interval, error) { return FunnelRate(e, n, level) },
		} {
			got, err := limits()
			if err == nil && !(got.Low <= got.High && !math.IsInf(got.Low, 0) && !math.IsInf(got.High, 0)) {
				t.Errorf("%s(x %d, n %d, level %v, e %v) = %+v", name, x, n, level, e, got)
			}
		}
		if rank, coverage, err := MedianRank(n, level); err == nil && (rank < 1 || 2*rank > n+1 || coverage < level-1e-9) {
			t.Errorf("MedianRank(%d, %v) = %d, %v", n, level, rank, coverage)
		}
		values := []float64{e, level, float64(x), float64(n), -e}
		groups := []Estimate{{e, math.Abs(level)}, {level, math.Abs(e)}, {float64(x), 1}}
		if tau2, err := PauleMandel(groups); err == nil && !(tau2 >= 0 && !math.IsInf(tau2, 0)) {
			t.Errorf("PauleMandel(%v) = %v", groups, tau2)
		}
		if points, err := EWMA(values, e, 1, level, 3); err == nil {
			for _, p := range points {
				if math.IsNaN(p.Value) {
					t.Errorf("EWMA(%v) holds NaN", values)
				}
			}
		}
		slices.Sort(values)
		if q, err := Quantile(values, level); err == nil && (math.IsNaN(q) || q < values[0]) {
			t.Errorf("Quantile(%v, %v) = %v", values, level, q)
		}
		if _, err := BenjaminiHochberg(values, level); err == nil && (values[0] < 0 || values[4] > 1) {
			t.Errorf("BenjaminiHochberg takes %v", values)
		}
	})
}
