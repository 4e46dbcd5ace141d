package rules

import (
	"math"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

func near(t *testing.T, name string, got *float64, want, tol float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > tol {
		t.Errorf("%s is %v, want %v ± %v", name, got, want, tol)
	}
}

// Figures [calc] from the formulas that stand in package leakage: one point
// 320 cfm at 15 Pa → 434.76966 cfm25; subtraction 1850, 1610, 44 Pa of 50 Pa
// → 204.48564 cfm25.
func TestResultOfReadings(t *testing.T) {
	for _, row := range []struct {
		name   string
		do     func(j *jobUnderTest)
		before float64
		tol    float64
		extra  func(t *testing.T, r Result)
	}{
		{"one point, extrapolated", func(j *jobUnderTest) {
			j.test(0).Readings = []domain.Reading{{PressurePa: new(15.0), FlowCFM: new(320.0)}}
		}, 434.76966, 5e-6, func(t *testing.T, r Result) {
			if !r.Extrapolated || r.Readings[0].MethodVersion != leakage.FanTestVersion {
				t.Errorf("extrapolated %v, computed by %s", r.Extrapolated, r.Readings[0].MethodVersion)
			}
		}},
		{"two points of 12.5·P^0.6", func(j *jobUnderTest) {
			j.test(0).Readings = []domain.Reading{{PressurePa: new(10.0), FlowCFM: new(12.5 * math.Pow(10, 0.6))}, {PressurePa: new(50.0), FlowCFM: new(12.5 * math.Pow(50, 0.6))}}
		}, 12.5 * math.Pow(25, 0.6), 1e-9, func(t *testing.T, r Result) {
			if r.Quality != "weak" || r.BeforeCFM25Low != nil {
				t.Errorf("quality %s, low %v", r.Quality, r.BeforeCFM25Low)
			}
		}},
		{"the fan's own pressure by the certificate, 90·P^0.5 at 16 Pa", func(j *jobUnderTest) {
			one[domain.Instrument](j, 0).FlowEquations = []domain.FlowEquation{{Range: "ring 1", Coefficient: 90, Exponent: 0.5}}
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FanPressurePa: new(16.0), Range: "ring 1"}}
		}, 360, 1e-9, nil},
		{"a range whose certificate begins at 0 Pa", func(j *jobUnderTest) {
			one[domain.Instrument](j, 0).FlowEquations = []domain.FlowEquation{{Range: "ring 1", Coefficient: 90, Exponent: 0.5, LowestPa: new(0.0)}}
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FanPressurePa: new(16.0), Range: "ring 1"}}
		}, 360, 1e-9, nil},
		{"the gauge's offset is taken off", func(j *jobUnderTest) {
			j.test(0).ZeroOffsetPa = new(1.5)
			j.test(0).Readings = []domain.Reading{{PressurePa: new(26.5), FlowCFM: new(300.0)}}
		}, 300, 1e-9, nil},
		{"subtraction", func(j *jobUnderTest) {
			for n := range 2 {
				m := j.test(n)
				m.Method, m.HousePressurePa = domain.Subtraction, new(50.0)
				m.Readings = []domain.Reading{{WholeCFM: new(1850.0), MaskedCFM: new(1610.0 + 150*float64(n)), HouseToDuctPa: new(44.0)}}
			}
		}, 204.48564, 5e-6, func(t *testing.T, r Result) {
			for _, reading := range r.Readings {
				if reading.MethodVersion != leakage.SubtractionVersion {
					t.Errorf("computed by %s", reading.MethodVersion)
				}
			}
			if r.Method != domain.Subtraction || r.ReductionCFM25 != nil || r.Reason != IsUndecided || r.Quality != "undecided" { // 90 of 1,850 cfm are within the repeatability
				t.Errorf("%+v", r)
			}
		}},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			r := Compute(j.set(), j.assemble())
			near(t, "before", r.BeforeCFM25, row.before, row.tol)
			if row.extra != nil {
				row.extra(t, r)
			}
		})
	}
}

// Which readings a result rests on, and why it has none.
func TestResultChoosesReadings(t *testing.T) {
	again := func(j *jobUnderTest, n int, clock string, cfm float64) (*domain.Measurement, domain.UUID) {
		m := *j.test(n)
		m.TakenAt, m.Readings = at(clock), []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(cfm)}}
		return &m, j.add(&m)
	}
	for _, row := range []struct {
		name, reason  string
		do            func(j *jobUnderTest)
		before, after float64 // 0: absent
		leftOut       []string
	}{
		{"the first before", "", func(j *jobUnderTest) { again(j, 0, "09:10", 300) }, 300, 120.71052607, []string{NotFirst}},
		{"the last after", "", func(j *jobUnderTest) { again(j, 1, "15:20", 110) }, 318, 110, []string{NotLast}},
		{"a corrected one", "", func(j *jobUnderTest) {
			_, id := nth[domain.Measurement](j, 1)
			m, _ := again(j, 1, "15:20", 110)
			m.Replaces = &id
		}, 318, 110, []string{IsReplaced}},
		{"corrected twice", NoAfter, func(j *jobUnderTest) {
			_, id := nth[domain.Measurement](j, 1)
			for range 2 {
				m, _ := again(j, 1, "15:20", 110)
				m.Replaces = &id
			}
		}, 318, 0, []string{IsReplaced, IsReplacedTwice, IsReplacedTwice}},
		{"a voided one", NoBefore, func(j *jobUnderTest) { _, id := nth[domain.Measurement](j, 0); j.void[id] = true }, 0, 120.71052607, []string{IsVoided}},
		{"an interim one", "", func(j *jobUnderTest) { m, _ := again(j, 0, "12:00", 200); m.Stage = domain.Interim }, 318, 120.71052607, []string{OtherStage}},
		{"a pan pass", "", func(j *jobUnderTest) { j.pan(domain.After, "15:10", 1) }, 318, 120.71052607, []string{OtherMethod}},
		{"an impossible exponent falls back on the valid one", "", func(j *jobUnderTest) {
			m, _ := again(j, 1, "15:20", 110)
			m.Readings = append(m.Readings, domain.Reading{PressurePa: new(50.0), FlowCFM: new(500.0)})
		}, 318, 120.71052607, []string{"exponent_out_of_range"}},
		{"total and to outside never mix", MethodsDiffer, func(j *jobUnderTest) { j.test(1).Method = domain.FanOutside }, 318, 120.71052607, nil},
		{"of two methods the one with both", "", func(j *jobUnderTest) {
			m, _ := again(j, 0, "09:05", 250)
			m.Method = domain.FanOutside
		}, 318, 120.71052607, []string{OtherMethod}},
		{"of two methods with both the one asked", "", func(j *jobUnderTest) {
			for n, clock := range []string{"09:05", "15:20"} {
				m, _ := again(j, n, clock, 200-50*float64(n))
				m.Method = domain.FanOutside
			}
			j.ruleSet = &domain.RuleSet{MethodsAsked: []domain.Method{domain.FanOutside}}
		}, 200, 150, []string{OtherMethod, OtherMethod}},
		{"of three methods the second asked, where the first has not both", "", func(j *jobUnderTest) {
			for n, clock := range []string{"09:05", "15:20"} {
				m, _ := again(j, n, clock, 200-50*float64(n))
				m.Method = domain.FanOutside
			}
			j.ruleSet = &domain.RuleSet{MethodsAsked: []domain.Method{domain.Pan, domain.Subtraction, domain.FanOutside}}
		}, 200, 150, []string{OtherMethod, OtherMethod}},
		{"a reading before that came last", "", func(j *jobUnderTest) { again(j, 0, "15:20", 110) }, 318, 120.71052607, []string{NotFirst}},
		{"the fan's pressure without its range", NoBefore, func(j *jobUnderTest) {
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FanPressurePa: new(16.0)}}
		}, 0, 120.71052607, []string{NotComplete}},
		{"a range without the fan's pressure", NoBefore, func(j *jobUnderTest) {
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), Range: "ring 1"}}
		}, 0, 120.71052607, []string{NotComplete}},
		{"a flow without its equation", NoBefore, func(j *jobUnderTest) {
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FanPressurePa: new(16.0), Range: "ring 1"}}
		}, 0, 120.71052607, []string{"too_few"}},
		{"the fan's pressure below its range", NoBefore, func(j *jobUnderTest) {
			one[domain.Instrument](j, 0).FlowEquations = []domain.FlowEquation{{Range: "ring 1", Coefficient: 90, Exponent: 0.5, LowestPa: new(20.0)}}
			j.test(0).Readings = []domain.Reading{{PressurePa: new(25.0), FanPressurePa: new(16.0), Range: "ring 1"}}
		}, 0, 120.71052607, []string{"outside_range"}},
		{"nothing", NoReadings, func(j *jobUnderTest) { j.dropAll(domain.MeasurementKind) }, 0, 0, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			r := Compute(j.set(), j.assemble())
			if r.Reason != row.reason {
				t.Errorf("reason %q, want %q", r.Reason, row.reason)
			}
			for _, f := range []struct {
				name string
				got  *float64
				want float64
			}{{"before", r.BeforeCFM25, row.before}, {"after", r.AfterCFM25, row.after}} {
				if f.want == 0 && f.got != nil {
					t.Errorf("%s is %v", f.name, *f.got)
				} else if f.want != 0 {
					near(t, f.name, f.got, f.want, 5e-8)
				}
			}
			if (r.ReductionCFM25 == nil) != (row.reason != "") {
				t.Error("a reduction goes with no reason, and a reason with none")
			}
			var reasons []string
			for _, l := range r.LeftOut {
				reasons = append(reasons, l.Reason)
			}
			if !slices.Equal(reasons, row.leftOut) {
				t.Errorf("left out %v, want %v", reasons, row.leftOut)
			}
		})
	}
}

// A subtraction lacks a value: it is left out, whichever it is.
func TestSubtractionNotComplete(t *testing.T) {
	for name, do := range map[string]func(m *domain.Measurement){
		"whole":  func(m *domain.Measurement) { m.Readings[0].WholeCFM = nil },
		"masked": func(m *domain.Measurement) { m.Readings[0].MaskedCFM = nil },
		"duct":   func(m *domain.Measurement) { m.Readings[0].HouseToDuctPa = nil },
		"home":   func(m *domain.Measurement) { m.HousePressurePa = nil },
		"all":    func(m *domain.Measurement) { m.Readings = nil },
	} {
		j := clean(t)
		m := j.test(0)
		m.Method, m.HousePressurePa = domain.Subtraction, new(50.0)
		m.Readings = []domain.Reading{{WholeCFM: new(1850.0), MaskedCFM: new(1610.0), HouseToDuctPa: new(44.0)}}
		do(m)
		if r := Compute(j.set(), j.assemble()); len(r.LeftOut) != 1 || r.LeftOut[0].Reason != NotComplete {
			t.Errorf("%s: %+v", name, r.LeftOut)
		}
	}
}

// One reading alone has no difference, whichever it is.
func TestReductionTenthsNeedsBoth(t *testing.T) {
	n := int64(10)
	for _, r := range []Result{{}, {BeforeTenths: &n}, {AfterTenths: &n}} {
		if _, ok := r.ReductionTenths(); ok {
			t.Errorf("%+v has a difference", r)
		}
	}
}

func TestNoFigurePerAreaOfNoFloor(t *testing.T) {
	j := clean(t)
	j.home().FloorAreaFt2 = new(0.0)
	if r := Compute(j.set(), j.assemble()); r.FloorAreaFt2 != nil || r.BeforePer100Ft2 != nil {
		t.Errorf("%v %v", r.FloorAreaFt2, r.BeforePer100Ft2)
	}
}

// [calc] 3 % and 1 % rectangular, 2 % repeatability: u 2.67 % each, of which
// the calibration cancels when one fan with one ring did both.
func TestSharedCalibrationNarrowsTheReduction(t *testing.T) {
	j := clean(t)
	apart := Compute(j.set(), j.assemble())
	j.test(0).Readings[0].Range, j.test(1).Readings[0].Range = "ring 2", "ring 2"
	shared := Compute(j.set(), j.assemble())
	width := func(r Result) float64 { return *r.ReductionRatioHigh - *r.ReductionRatioLow }
	// limits of 1 − e^−(d ∓ 1.96·u(d)) with Q/P 0.3796 and u(d) 0.0377, 0.0283
	for _, row := range []struct {
		name string
		got  float64
		u    float64
	}{{"separate", width(apart), 0.0377}, {"shared", width(shared), 0.0283}} {
		want := 0.3795928493 * 2 * math.Sinh(1.96*row.u)
		if math.Abs(row.got-want) > 1e-4 {
			t.Errorf("%s: width %v, want %v", row.name, row.got, want)
		}
	}
}

func TestSmallChangeIsNotDistinguishable(t *testing.T) {
	j := clean(t)
	j.test(1).Readings[0] = domain.Reading{PressurePa: new(25.0), FlowCFM: new(310.0)}
	r := Compute(j.set(), j.assemble())
	if *r.Distinguishable || r.DistinguishableNote != "not distinguishable from no change by these tests" {
		t.Errorf("%v %q", *r.Distinguishable, r.DistinguishableNote)
	}
	near(t, "smallest ratio", r.SmallestRatio, 0.071, 5e-4) // 7.1 % [calc]
}

// Tenths are rounded half-even, and their difference adds up.
func TestTenths(t *testing.T) {
	j := clean(t)
	j.test(0).Readings[0] = domain.Reading{PressurePa: new(25.0), FlowCFM: new(200.25)}
	j.test(1).Readings[0] = domain.Reading{PressurePa: new(25.0), FlowCFM: new(100.75)}
	r := Compute(j.set(), j.assemble())
	if *r.BeforeTenths != 2002 || *r.AfterTenths != 1008 {
		t.Errorf("%d %d", *r.BeforeTenths, *r.AfterTenths)
	}
	if d, ok := r.ReductionTenths(); !ok || d != 994 {
		t.Errorf("%d %v", d, ok)
	}
}

// What a program's rule set says of tests moves the results judged by it, and those
// alone: u² = u_flow² + (n·u_p)² + u_rep², ± 3 % and ± 1 % rectangular [calc].
func TestLimitsOfTestsAreTheProgramsOwn(t *testing.T) {
	j := clean(t)
	usual := Compute(j.set(), j.assemble())
	j.ruleSet = &domain.RuleSet{Tests: &domain.TestLimits{RepeatabilityURatio: new(0.08)}}
	own := Compute(j.set(), j.assemble())
	u := math.Sqrt(0.03*0.03/3 + 0.36*0.01*0.01/3 + 0.08*0.08)
	near(t, "low", own.BeforeCFM25Low, 318*math.Exp(-1.96*u), 1e-9)
	if *own.BeforeCFM25 != *usual.BeforeCFM25 || own.Quality != leakage.Weak || usual.Quality != leakage.Good {
		t.Errorf("%v and %v cfm25, %s and %s", *own.BeforeCFM25, *usual.BeforeCFM25, own.Quality, usual.Quality)
	}
	j.ruleSet.Tests = &domain.TestLimits{FanGoodRatio: new(0.01), FanUndecidedRatio: new(0.02)}
	if r := Compute(j.set(), j.assemble()); r.Quality != leakage.Undecided || r.Reason != IsUndecided || r.ReductionCFM25 != nil {
		t.Errorf("an interval wider than the program allows: %s, %q", r.Quality, r.Reason)
	}
	j.ruleSet.Tests = &domain.TestLimits{FanGoodRatio: new(0.6), SubtractionUndecidedRatio: new(0.4)}
	_, faults := NewSet(domain.UUID{}, j.ruleSet)
	if len(faults) != 2 || faults[0].Pointer != "/tests/fan_undecided_ratio" || faults[1].Pointer != "/tests/subtraction_undecided_ratio" {
		t.Errorf("%+v", faults)
	}
}

// Ducts so tight that a subtraction cannot see them, recorded as such, are a
// success: the limit stands for the leakage, the reduction is that much at least,
// no rule asks for another reading. Not recorded as such, the same readings decide
// nothing, and the crew is asked again.
func TestBelowWhatTheMethodCanTellIsASuccess(t *testing.T) {
	j := clean(t)
	for n, masked := range []float64{900, 1840} {
		m := j.test(n)
		m.Method, m.HousePressurePa = domain.Subtraction, new(50.0)
		m.Readings = []domain.Reading{{WholeCFM: new(1850.0), MaskedCFM: &masked, HouseToDuctPa: new(47.0)}}
	}
	j.ruleSet = &domain.RuleSet{MethodsAsked: []domain.Method{domain.Subtraction}}
	r := Compute(j.set(), j.assemble())
	if r.Reason != IsUndecided || r.ReductionCFM25 != nil {
		t.Fatalf("not recorded as below the limit: %q, %v", r.Reason, r.ReductionCFM25)
	}
	asked := func() int { v := Judge(j.set(), j.assemble()); return v.Of("leakage_not_higher_after").Outcomes.Broken }
	if n := asked(); n != 1 {
		t.Errorf("%d findings, the crew is asked to read again", n)
	}
	j.test(1).BelowRange, j.test(1).Readings[0].MaskedCFM = new(true), new(1860.0) // masked above whole, within the meters' uncertainty
	r = Compute(j.set(), j.assemble())
	s, err := leakage.Subtract(leakage.SubtractionTest{HousePa: 50, WholeCFM: 1850, MaskedCFM: 1860, HouseToDuctPa: 47}, leakage.DefaultSubtractionParameters())
	if err != nil || !s.BelowLimit {
		t.Fatalf("%v, %+v", err, s)
	}
	near(t, "after", r.AfterCFM25, s.LimitCFM25, 1e-9)
	near(t, "reduction", r.ReductionCFM25, *r.BeforeCFM25-s.LimitCFM25, 1e-9)
	if !r.BelowRange || r.Quality == leakage.Undecided || r.Distinguishable == nil || !*r.Distinguishable || r.AfterTenths == nil {
		t.Errorf("%+v", r)
	}
	if n := asked(); n != 0 {
		t.Errorf("%d findings of a success", n)
	}
}
