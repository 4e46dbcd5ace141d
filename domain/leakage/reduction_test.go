package leakage_test

import (
	"math"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

// totalOf takes a test of the ducts alone at 25 Pa.
func totalOf(f leakage.FanTest) leakage.Measured[leakage.TotalLeakage] {
	return leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(f.LeakageCFM), Uncertainty: f.Uncertainty}
}

// The job of 318 cfm at 25.0 Pa before and 121 cfm at 25.1 Pa after, 1,568 ft².
func TestReduce(t *testing.T) {
	fp, p := leakage.DefaultFanParameters(), leakage.DefaultReductionParameters()
	p.FloorAreaFt2 = 1568
	r, err := leakage.Reduce(totalOf(fan(t, fp, 25, 318)), totalOf(fan(t, fp, 25.1, 121)), p)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "absolute", r.Absolute.Value, 197.28947393, 5e-9, "[calc]")
	near(t, "ratio", r.Ratio.Value, 0.6204071507, 5e-11, "[calc]")
	near(t, "before per area", r.PerArea.Before, 20.28, 0.005, "[calc]")
	near(t, "after per area", r.PerArea.After, 7.70, 0.005, "[calc]")
	near(t, "per area", r.PerArea.Reduction.Value, r.PerArea.Before-r.PerArea.After, 1e-12, "difference")
	near(t, "log", r.Log.Value, -math.Log(1-r.Ratio.Value), 1e-12, "definition")
	near(t, "u(log)", r.Log.U, 0.0377, 5e-5, "repeatability 2 %, separate instruments [calc]")
	near(t, "u(ratio)", r.Ratio.U, math.Exp(-r.Log.Value)*r.Log.U, 1e-12, "law of propagation")
	near(t, "low ratio", r.Ratio.Limits.Low, 1-math.Exp(-(r.Log.Value-1.96*r.Log.U)), 1e-12, "limits of the log")
	near(t, "high ratio", r.Ratio.Limits.High, 1-math.Exp(-(r.Log.Value+1.96*r.Log.U)), 1e-12, "limits of the log")
	u1, u2 := fan(t, fp, 25, 318).Uncertainty.Relative(), fan(t, fp, 25.1, 121).Uncertainty.Relative()
	near(t, "u(absolute)", r.Absolute.U, math.Hypot(318*u1, 120.71052607*u2), 1e-8, "law of propagation")
	if r.Change != leakage.Reduced || !r.Distinguishable || r.Note != "" {
		t.Errorf("got %+v", r)
	}
}

// The table of repeatability against the smallest reduction that shows, for
// ±3 % flow, ±1 % pressure and n 0.6, separate and shared instruments [calc].
func TestSmallestRatio(t *testing.T) {
	for _, c := range []struct{ repeatability, separateU, sharedU, separate, shared float64 }{
		{0.01, 0.0287, 0.0141, 0.055, 0.027},
		{0.02, 0.0377, 0.0283, 0.071, 0.054},
		{0.03, 0.0492, 0.0424, 0.092, 0.080},
		{0.05, 0.0750, 0.0707, 0.137, 0.129},
	} {
		fp, p := leakage.DefaultFanParameters(), leakage.DefaultReductionParameters()
		fp.Accuracy.Repeatability = c.repeatability
		before, after := totalOf(fan(t, fp, 25, 200)), totalOf(fan(t, fp, 25, 150))
		for _, way := range []struct{ rho, u, smallest float64 }{{0, c.separateU, c.separate}, {1, c.sharedU, c.shared}} {
			p.SharedCalibration = way.rho
			r, err := leakage.Reduce(before, after, p)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "u(d)", r.Log.U, way.u, 6e-5, "table [calc]")
			near(t, "smallest", r.SmallestRatio, way.smallest, 6e-4, "table [calc]")
		}
	}
}

func TestReduceSays(t *testing.T) {
	u := leakage.Uncertainty{Random: 0.05 / math.Sqrt2} // u(d) 0.05, 1.96·u(d) 0.098
	for _, c := range []struct {
		d    float64
		want leakage.Change
	}{{0.0981, leakage.Reduced}, {0.0979, leakage.NoChange}, {0, leakage.NoChange}, {-0.0979, leakage.NoChange}, {-0.0981, leakage.Increased}} {
		after := leakage.Measured[leakage.OutsideLeakage]{CFM25: leakage.OutsideLeakage(100 * math.Exp(-c.d)), Uncertainty: u}
		r, err := leakage.Reduce(leakage.Measured[leakage.OutsideLeakage]{CFM25: 100, Uncertainty: u}, after, leakage.DefaultReductionParameters())
		if err != nil {
			t.Fatal(err)
		}
		if r.Change != c.want || r.Distinguishable != (c.want == leakage.Reduced) || (r.Note == leakage.NotDistinguishable) != (c.want == leakage.NoChange) {
			t.Errorf("d %v: %s %v %q, want %s", c.d, r.Change, r.Distinguishable, r.Note, c.want)
		}
	}
}

// A fit with few degrees of freedom widens the limits to Student's t; of two
// equal fits the degrees of freedom add.
func TestReduceWelchSatterthwaite(t *testing.T) {
	m := leakage.Measured[leakage.TotalLeakage]{CFM25: 100, Uncertainty: leakage.Uncertainty{Random: 0.03, Freedom: 2}}
	r, err := leakage.Reduce(m, m, leakage.DefaultReductionParameters())
	if err != nil {
		t.Fatal(err)
	}
	near(t, "degrees of freedom", r.DegreesOfFreedom, 4, 1e-12, "Welch-Satterthwaite, JCGM 100 G.4 [pub]")
	near(t, "factor", r.Factor, 2.7764451, 5e-8, "t(0.975), 4: NIST TN 1297 table B.1 [pub]")
	m.Uncertainty.Freedom = 0
	if r, err = leakage.Reduce(m, m, leakage.DefaultReductionParameters()); err != nil || r.Factor != 1.96 || r.DegreesOfFreedom != 0 {
		t.Errorf("well known: %+v, %v", r, err)
	}
}

func TestReduceRefuses(t *testing.T) {
	m := func(v float64) leakage.Measured[leakage.TotalLeakage] {
		return leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(v), Uncertainty: leakage.Uncertainty{Random: 0.03}}
	}
	p := leakage.DefaultReductionParameters()
	call := func(a, b leakage.Measured[leakage.TotalLeakage], p leakage.ReductionParameters) error {
		_, err := leakage.Reduce(a, b, p)
		return err
	}
	refused(t, "before", call(m(0), m(1), p), stat.NotPositive, "/before/leakage_cfm25")
	refused(t, "after", call(m(1), m(math.NaN()), p), stat.NotFinite, "/after/leakage_cfm25")
	bad := m(1)
	bad.Uncertainty.Calibration = -1
	refused(t, "uncertainty", call(m(1), bad, p), stat.OutOfRange, "/after/calibration_u_ratio")
	p.SharedCalibration = 1.1
	refused(t, "rho", call(m(1), m(1), p), stat.OutOfRange, "/shared_calibration")
	p = leakage.DefaultReductionParameters()
	p.FloorAreaFt2 = -1
	refused(t, "area", call(m(1), m(1), p), stat.Negative, "/floor_area_ft2")
}

// There and back is no change, the ratio does not depend on the unit, and a
// shared instrument never widens the limits of equal tests.
func TestReduceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.Custom(func(t *rapid.T) leakage.Uncertainty {
			return leakage.Uncertainty{Calibration: rapid.Float64Range(0, 0.1).Draw(t, "c"), Random: rapid.Float64Range(0, 0.1).Draw(t, "r")}
		})
		before := leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(rapid.Float64Range(1, 1000).Draw(t, "P")), Uncertainty: u.Draw(t, "uP")}
		after := leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(rapid.Float64Range(1, 1000).Draw(t, "Q")), Uncertainty: u.Draw(t, "uQ")}
		p := leakage.DefaultReductionParameters()
		there, err := leakage.Reduce(before, after, p)
		if err != nil {
			t.Fatal(err)
		}
		back, err := leakage.Reduce(after, before, p)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(there.Log.Value+back.Log.Value) > 1e-12 || there.Absolute.Value != -back.Absolute.Value || math.Abs(there.Log.U-back.Log.U) > 1e-15 {
			t.Fatalf("there %+v, back %+v", there, back)
		}
		if l := there.Ratio.Limits; !(l.Low <= there.Ratio.Value+1e-12 && there.Ratio.Value <= l.High+1e-12) {
			t.Fatalf("limits %+v do not hold %v", l, there.Ratio.Value)
		}
		p.SharedCalibration = 1
		shared, err := leakage.Reduce(before, after, p)
		if err != nil {
			t.Fatal(err)
		}
		if shared.Log.U > there.Log.U+1e-15 {
			t.Fatalf("a shared instrument gives %v, separate ones %v", shared.Log.U, there.Log.U)
		}
		before.CFM25, after.CFM25 = 2*before.CFM25, 2*after.CFM25
		twice, err := leakage.Reduce(before, after, p)
		if err != nil || math.Abs(twice.Ratio.Value-there.Ratio.Value) > 1e-12 {
			t.Fatalf("twice both: %v, %v; before %v", twice.Ratio.Value, err, there.Ratio.Value)
		}
	})
}

// Source: Bland, Altman, Lancet 1986, peak flow of 17 people with a mini meter
// and a large one, measured twice: the repeatability coefficients 2·√(Σd²/m)
// are 43.2 and 56.4 l/min as printed, 43.29 and 56.32 unrounded [mem]. Ours is on
// logarithms, so small flows over a large base carry the differences.
func TestRepeatability(t *testing.T) {
	first := []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	second := []float64{490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421}
	const base = 1e7 // ln(base + x) − ln(base + y) ≈ (x − y)/base
	var pairs [][2]float64
	for i := range first {
		pairs = append(pairs, [2]float64{base + first[i], base + second[i]})
	}
	r, err := leakage.Repeatability(pairs)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "2·√(Σd²/m)", 2*math.Sqrt2*r.WithinSD*base, 43.29, 0.01, "Bland, Altman 1986 [mem]")
	near(t, "gap", r.Gap95, 2.77*r.WithinSD, 0, "2.77·s_w")
	near(t, "low over s_w", r.Limits.Low/r.WithinSD, math.Sqrt(17/30.191), 1e-5, "chi-square 0.975, 17 degrees of freedom: 30.191, standard tables [mem]")
	near(t, "high over s_w", r.Limits.High/r.WithinSD, math.Sqrt(17/7.564), 1e-4, "chi-square 0.025, 17 degrees of freedom: 7.564, standard tables [mem]")
	if r.Pairs != 17 || !r.Enough {
		t.Errorf("got %+v", r)
	}
	_, err = leakage.Repeatability([][2]float64{{1, 2}, {3, 0}})
	refused(t, "zero", err, stat.NotPositive, "/pairs/1/1")
	_, err = leakage.Repeatability(nil)
	refused(t, "none", err, stat.TooFew, "/pairs")
}
