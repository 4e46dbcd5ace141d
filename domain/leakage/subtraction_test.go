package leakage_test

import (
	"math"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestSubtractionCorrection(t *testing.T) {
	for _, c := range []struct{ h, want float64 }{{50, 1.00}, {45, 1.29}, {40, 1.54}, {30, 2.23}, {20, 3.54}} {
		f, err := leakage.SubtractionCorrection(50, c.h, 0.65)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "factor", f, c.want, 0.005, "reprinted by state technical reference manuals [mem]")
	}
	for _, c := range []struct {
		name           string
		p, h, n        float64
		code, argument string
	}{
		{"ducts above the home", 50, 50.1, 0.65, stat.OutOfRange, "/house_to_duct_pa"},
		{"no pressure in the ducts", 50, 0, 0.65, stat.NotPositive, "/house_to_duct_pa"},
		{"no home pressure", 0, 1, 0.65, stat.NotPositive, "/house_pressure_pa"},
		{"exponent", 50, 40, 1.1, "exponent_out_of_range", "/exponent"},
		{"too small to tell", 50, 1e-300, 0.65, stat.NotFinite, "/house_to_duct_pa"},
	} {
		_, err := leakage.SubtractionCorrection(c.p, c.h, c.n)
		refused(t, c.name, err, c.code, c.argument)
	}
}

func subtract(t testing.TB, house, whole, masked, h float64) leakage.Subtraction {
	t.Helper()
	r, err := leakage.Subtract(leakage.SubtractionTest{HousePa: house, WholeCFM: whole, MaskedCFM: masked, HouseToDuctPa: h}, leakage.DefaultSubtractionParameters())
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestSubtract(t *testing.T) {
	r := subtract(t, 50, 1850, 1610, 44)
	near(t, "leak50", r.LeakageCFM50, 320.87236, 5e-6, "[calc]")
	near(t, "leak25", r.LeakageCFM25, 204.48564, 5e-6, "[calc]")
	near(t, "leak25/leak50", r.LeakageCFM25/r.LeakageCFM50, 0.637, 5e-4, "0.5^0.65 [calc]")
	if r.Exponent != 0.65 || r.Quality != leakage.Good || r.Why != "" {
		t.Errorf("got %+v", r)
	}
	if !(r.Limits.Low > 0 && r.Limits.High > r.LeakageCFM25) {
		t.Errorf("limits %+v", r.Limits)
	}
	// The repeatability of two large flows carries most of it: 2 % of each, on 240 cfm.
	least := 0.02 * math.Hypot(1850, 1610) / 240 * r.LeakageCFM25
	if !(r.UncertaintyCFM25 > least && r.UncertaintyCFM25 < 1.2*least) {
		t.Errorf("uncertainty %v, the flows alone give %v", r.UncertaintyCFM25, least)
	}
}

// Each part of the uncertainty by itself, against the derivative it stands for.
func TestSubtractUncertaintyParts(t *testing.T) {
	test := leakage.SubtractionTest{HousePa: 50, WholeCFM: 1850, MaskedCFM: 1610, HouseToDuctPa: 40}
	p := leakage.DefaultSubtractionParameters()
	p.GaugeFloorPa, p.GaugeShare, p.Accuracy = 0, 0, leakage.Accuracy{}
	only := func(set func(*leakage.SubtractionParameters)) leakage.Subtraction {
		q := p
		set(&q)
		r, err := leakage.Subtract(test, q)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	leak := only(func(*leakage.SubtractionParameters) {})
	near(t, "none", leak.UncertaintyCFM25, 0, 0, "no part")
	r := math.Pow(0.2, 0.65) // ((P − H)/P)^n
	scf := 1 / (1 - r)
	got := only(func(q *leakage.SubtractionParameters) { q.Accuracy.Flow = 0.01 })
	near(t, "flow", got.UncertaintyCFM25/leak.LeakageCFM25, 0.01, 1e-12, "calibration acts on the difference")
	got = only(func(q *leakage.SubtractionParameters) { q.GaugeFloorPa = 0.01 * math.Sqrt(3) })
	near(t, "pressure", got.UncertaintyCFM25/leak.LeakageCFM25, 0.01*scf*0.65*r/10, 1e-7, "d ln SCF/dH = SCF·n·r/(P − H)")
	got = only(func(q *leakage.SubtractionParameters) { q.Accuracy.Exponent = 1e-4 })
	near(t, "exponent", got.UncertaintyCFM25/leak.LeakageCFM25, 1e-4*math.Abs(scf*r*math.Log(0.2)+math.Log(0.5)), 1e-8, "d ln leak25/dn = SCF·r·ln((P − H)/P) + ln(25/P)")

	m, err := leakage.OutsideBySubtraction(got)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "relative", m.Uncertainty.Relative()*float64(m.CFM25), got.UncertaintyCFM25, 1e-12, "relative times leakage")
}

func TestSubtractQuality(t *testing.T) {
	for _, c := range []struct {
		name             string
		whole, masked, h float64
		want             leakage.Quality
	}{
		{"ducts well inside the home", 1850, 1610, 50, leakage.Good},
		{"factor 1.54", 1850, 1500, 40, leakage.Good},
		{"factor 2.23", 1850, 1500, 30, leakage.Weak},
		{"factor 3.54", 1850, 1200, 20, leakage.Weak},
		{"ducts nearly outside", 1850, 1200, 12, leakage.Undecided},
		{"difference within its uncertainty", 1850, 1800, 48, leakage.Undecided},
		{"no difference", 1850, 1850, 48, leakage.Undecided},
		{"a quarter uncertain", 1850, 1660, 48, leakage.Weak},
	} {
		r := subtract(t, 50, c.whole, c.masked, c.h)
		if r.Quality != c.want || (r.Why == "") != (c.want == leakage.Good) {
			t.Errorf("%s: %q %q, want %q", c.name, r.Quality, r.Why, c.want)
		}
	}
}

// Ducts so tight that the masked test reads as much as the open one, or more
// within the meters' uncertainty, leak less than the method can tell.
func TestSubtractBelowItsLimit(t *testing.T) {
	for _, masked := range []float64{1845, 1850, 1860} {
		r := subtract(t, 50, 1850, masked, 48)
		if !r.BelowLimit || r.LimitCFM25 != r.Limits.High || r.LimitCFM25 <= 0 || r.LimitCFM25 < r.LeakageCFM25 || r.Quality != leakage.Undecided {
			t.Errorf("masked %v of 1850 cfm: %+v", masked, r)
		}
	}
	if r := subtract(t, 50, 1850, 1610, 44); r.BelowLimit || r.LimitCFM25 != 0 {
		t.Errorf("240 cfm are seen: %+v", r)
	}
}

func TestSubtractRefuses(t *testing.T) {
	p := leakage.DefaultSubtractionParameters()
	call := func(s leakage.SubtractionTest) error { _, err := leakage.Subtract(s, p); return err }
	refused(t, "masked above whole", call(leakage.SubtractionTest{50, 1600, 1750, 44}), stat.OutOfRange, "/masked_cfm")
	refused(t, "whole", call(leakage.SubtractionTest{50, 0, 1610, 44}), stat.NotPositive, "/whole_cfm")
	refused(t, "masked", call(leakage.SubtractionTest{50, 1600, math.NaN(), 44}), stat.NotFinite, "/masked_cfm")
	refused(t, "beyond float64", call(leakage.SubtractionTest{50, 1e308, 1, 5}), stat.NoAnswer, "/whole_cfm")
}

// Another home pressure is a change of scale: readings that one set of leaks
// would give at P give the leakage of 50 Pa.
func TestSubtractAtAnotherPressure(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pa := rapid.Float64Range(20, 60).Draw(t, "house")
		h := rapid.Float64Range(0.3, 1).Draw(t, "share")
		f := math.Pow(pa/50, 0.65)
		a, err := leakage.Subtract(leakage.SubtractionTest{50, 1850, 1500, 50 * h}, leakage.DefaultSubtractionParameters())
		if err != nil {
			t.Fatal(err)
		}
		b, err := leakage.Subtract(leakage.SubtractionTest{pa, 1850 * f, 1500 * f, pa * h}, leakage.DefaultSubtractionParameters())
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.LeakageCFM25-b.LeakageCFM25) > 1e-8*a.LeakageCFM25 || math.Abs(a.LeakageCFM50-b.LeakageCFM50) > 1e-8*a.LeakageCFM50 {
			t.Fatalf("%+v\n%+v", a, b)
		}
	})
}
