package stat_test

import (
	"errors"
	"math"
	"testing"

	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestQuantiles(t *testing.T) {
	get := func(x float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, c := range []struct {
		name           string
		got, want, tol float64
		source         string
	}{
		{"z 0.975", get(stat.NormalQuantile(0.975)), 1.959963984540054, 1e-12, "standard tables [mem]"},
		{"z 0.95", get(stat.NormalQuantile(0.95)), 1.644853626951473, 1e-12, "standard tables [mem]"},
		{"z 0.5", get(stat.NormalQuantile(0.5)), 0, 1e-15, "symmetry"},
		{"chi2 0.95, 9", get(stat.ChiSquareQuantile(0.95, 9)), 16.919, 5e-4, "standard tables [mem]"},
		{"chi2 0.95, 4", get(stat.ChiSquareQuantile(0.95, 4)), 9.488, 5e-4, "standard tables [mem]"},
		{"chi2 0.05, 9", get(stat.ChiSquareQuantile(0.05, 9)), 3.325, 5e-4, "standard tables [mem]"},
		{"chi2 0.975, 2", get(stat.ChiSquareQuantile(0.975, 2)), -2 * math.Log(0.025), 1e-12, "closed form, 2 degrees of freedom"},
		{"beta 0.025, 1, 1", get(stat.BetaQuantile(0.025, 1, 1)), 0.025, 1e-14, "uniform distribution"},
		{"beta 0.975, 1, 20", get(stat.BetaQuantile(0.975, 1, 20)), 1 - math.Pow(0.025, 1.0/20), 1e-12, "closed form; 0.1684 in Newcombe 1998 Table I [pub]"},
		{"t 0.975, 1e6", get(stat.StudentTQuantile(0.975, 1e6)), 1.959966, 1e-6, "near the normal [calc]"},
		{"t 0.75, 1", get(stat.StudentTQuantile(0.75, 1)), 1, 1e-12, "Cauchy quartile"},
		{"t 0.025, 4", get(stat.StudentTQuantile(0.025, 4)), -2.7764451, 5e-8, "symmetry"},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: got %.12g, want %.12g (%s)", c.name, c.got, c.want, c.source)
		}
	}
	// Source: NIST TN 1297 table B.1 to 2 decimals [pub]; further digits [calc].
	for i, want := range []float64{12.706205, 4.3026527, 3.1824463, 2.7764451, 2.5705818, 2.4469119, 2.3646243, 2.3060041, 2.2621572, 2.2281389} {
		if got := get(stat.StudentTQuantile(0.975, float64(i+1))); math.Abs(got-want) > 5e-7 {
			t.Errorf("t 0.975, %d: got %.10g, want %.8g", i+1, got, want)
		}
	}
}

func TestQuantilesRefuse(t *testing.T) {
	for _, c := range []struct {
		name, argument string
		call           func() (float64, error)
	}{
		{"p 0", "/probability", func() (float64, error) { return stat.NormalQuantile(0) }},
		{"p NaN", "/probability", func() (float64, error) { return stat.StudentTQuantile(math.NaN(), 3) }},
		{"p in the far tail", "/probability", func() (float64, error) { return stat.ChiSquareQuantile(1e-300, 3) }},
		{"df 0", "/degrees_of_freedom", func() (float64, error) { return stat.StudentTQuantile(0.9, 0) }},
		{"df too many", "/degrees_of_freedom", func() (float64, error) { return stat.ChiSquareQuantile(0.9, 1e9) }},
		{"a negative", "/a", func() (float64, error) { return stat.BetaQuantile(0.9, -1, 2) }},
		{"b infinite", "/b", func() (float64, error) { return stat.BetaQuantile(0.9, 1, math.Inf(1)) }},
	} {
		_, err := c.call()
		var r *stat.Refusal
		if !errors.As(err, &r) || r.Code != stat.OutOfRange || r.Argument != c.argument {
			t.Errorf("%s: got %v, want out_of_range at %s", c.name, err, c.argument)
		}
	}
}

// The closed form for whole degrees of freedom meets the library's root search,
// reached by degrees of freedom that are hardly whole.
func TestStudentTBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		df := float64(rapid.IntRange(1, 30).Draw(t, "df"))
		p := rapid.Float64Range(0.001, 0.999).Draw(t, "p")
		closed, err := stat.StudentTQuantile(p, df)
		if err != nil {
			t.Fatal(err)
		}
		searched, err := stat.StudentTQuantile(p, df*(1+1e-14))
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(closed-searched) > 1e-11*math.Abs(closed) {
			t.Fatalf("t %v, %v: %.15g in closed form, %.15g searched", p, df, closed, searched)
		}
	})
}

func BenchmarkStudentTQuantile(b *testing.B) {
	for b.Loop() {
		if _, err := stat.StudentTQuantile(0.975, 5); err != nil {
			b.Fatal(err)
		}
	}
}

// The quantile undoes the distribution function.
func TestNormalQuantileInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(1e-12, 1-1e-12).Draw(t, "p")
		z, err := stat.NormalQuantile(p)
		if err != nil {
			t.Fatal(err)
		}
		if back := stat.NormalCDF(z); math.Abs(back-p) > 1e-13+1e-12*p {
			t.Fatalf("Φ(%v) = %v, want %v", z, back, p)
		}
	})
}

// A shape so small that the quantile is no float64: refused, no panic.
func TestQuantileUnderflow(t *testing.T) {
	for _, shape := range []float64{1e-300, 1e-5} {
		if x, err := stat.ChiSquareQuantile(0.025, shape); err == nil {
			t.Errorf("chi2 0.025, %v = %v, want a refusal", shape, x)
		}
		if x, err := stat.BetaQuantile(0.025, shape, 1); err == nil {
			t.Errorf("beta 0.025, %v, 1 = %v, want a refusal", shape, x)
		}
	}
}

// Any arguments: an answer that is finite, or a refusal.
func FuzzQuantiles(f *testing.F) {
	f.Add(0.975, 3.0, 4.0)
	f.Add(1e-300, 1e-300, 1e8)
	f.Fuzz(func(t *testing.T, p, a, b float64) {
		for name, call := range map[string]func() (float64, error){
			"t":    func() (float64, error) { return stat.StudentTQuantile(p, a) },
			"chi2": func() (float64, error) { return stat.ChiSquareQuantile(p, a) },
			"beta": func() (float64, error) { return stat.BetaQuantile(p, a, b) },
			"z":    func() (float64, error) { return stat.NormalQuantile(p) },
		} {
			if x, err := call(); err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
				t.Fatalf("%s of %v, %v, %v is %v", name, p, a, b, x)
			}
		}
	})
}
