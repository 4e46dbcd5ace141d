package leakage_test

import (
	"math"
	"slices"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestAir(t *testing.T) {
	for _, c := range []struct {
		temperature, elevation, want, tol float64
	}{
		{20, 0, 1.2041, 1e-12}, {0, 0, 1.292312, 5e-7}, {-10, 0, 1.34145, 5e-6}, {20, 1609, 0.9947311, 5e-8},
	} {
		d, err := leakage.Air{TemperatureC: c.temperature, ElevationM: c.elevation}.Density()
		if err != nil {
			t.Fatal(err)
		}
		near(t, "density", d, c.want, c.tol, "ASTM E779 form [mem], [calc]")
	}
	v, err := leakage.ReferenceAir().Viscosity()
	if err != nil {
		t.Fatal(err)
	}
	near(t, "viscosity at 20 °C", v, 1.813e-5, 1e-8, "air tables, 1.81e-5 Pa·s to 1.82e-5 [mem]")
	_, err = leakage.Air{TemperatureC: 70}.Density()
	refused(t, "°F", err, stat.OutOfRange, "/temperature_c")
	_, err = leakage.Air{ElevationM: math.NaN()}.Viscosity()
	refused(t, "NaN", err, stat.NotFinite, "/elevation_m")
}

func TestLeakFlow(t *testing.T) {
	warm, cold := leakage.Air{TemperatureC: 20}, leakage.Air{TemperatureC: -10}
	ratio := (-10.0 + 273) / (20 + 273) // of densities at one elevation, by the gas law
	out := leakage.TestAir{Inside: warm, Outside: cold, Direction: leakage.Depressurizing}
	in := leakage.TestAir{Inside: warm, Outside: cold, Direction: leakage.Pressurizing}
	a, err := out.LeakFlow(100)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "depressurizing, cold outside", a, 100*ratio, 1e-10, "mass is conserved: thin inside air through the fan, dense air through the leaks")
	b, err := in.LeakFlow(100)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pressurizing, cold outside", b, 100/ratio, 1e-10, "mass is conserved: dense outside air through the fan")
	pairs := readings(10, 100, 20, 150)
	corrected, err := in.LeakReadings(pairs)
	if err != nil || corrected[0].FlowCFM != b || corrected[1].PressurePa != 20 || pairs[0].FlowCFM != 100 {
		t.Errorf("readings: %v, %v", corrected, err)
	}
	_, err = in.LeakReadings(readings(10, 100, 20, 0))
	refused(t, "flow", err, stat.NotPositive, "/readings/1/flow_cfm")
	in.Direction = "sideways"
	_, err = in.LeakReadings(pairs)
	refused(t, "direction", err, stat.OutOfRange, "/direction")
	in = leakage.TestAir{Inside: warm, Outside: leakage.Air{TemperatureC: 99}, Direction: leakage.Pressurizing}
	_, err = in.LeakFlow(100)
	refused(t, "outside", err, stat.OutOfRange, "/outside/temperature_c")
}

func TestAtReferenceAir(t *testing.T) {
	p := leakage.DefaultFanParameters()
	test := fan(t, p, 10, 100, 20, 152, 30, 190, 40, 231, 50, 260)
	reference := leakage.TestAir{Inside: leakage.ReferenceAir(), Outside: leakage.Air{TemperatureC: -10}, Direction: leakage.Pressurizing}
	same, err := reference.AtReferenceAir(test)
	if err != nil || same.LeakageCFM != test.LeakageCFM {
		t.Errorf("reference air through the leaks changes the figure: %v, %v", same.LeakageCFM, err)
	}
	reference.Direction = leakage.Depressurizing
	cold, err := reference.AtReferenceAir(test)
	if err != nil {
		t.Fatal(err)
	}
	air := leakage.Air{TemperatureC: -10}
	mu, _ := air.Viscosity()
	mu0, _ := leakage.ReferenceAir().Viscosity()
	n := test.Exponent
	f := math.Pow(mu/mu0, 2*n-1) * math.Pow(293.0/263.0, 1-n)
	near(t, "coefficient", cold.Coefficient, test.Coefficient*f, 1e-10, "ASTM E779 [mem]")
	near(t, "leakage", cold.LeakageCFM, test.LeakageCFM*f, 1e-9, "the same factor")
	near(t, "limit", cold.Fit.LeakageLimits.High, test.Fit.LeakageLimits.High*f, 1e-9, "the same factor")
	if cold.Exponent != n || test.Fit.LeakageLimits == cold.Fit.LeakageLimits {
		t.Error("the exponent moved, or the test handed in was changed")
	}

	// With n = 0.5 viscosity has no part, with n = 1 density has none.
	orifice := test
	orifice.Exponent, orifice.Fit = 0.5, nil
	o, err := reference.AtReferenceAir(orifice)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "orifice", o.Coefficient, test.Coefficient*math.Sqrt(293.0/263.0), 1e-10, "square-root law of density")
}

func TestFlowEquation(t *testing.T) {
	e := leakage.FlowEquation{{"open", 110, 0.5, 20, 300}, {"ring", 21.5, 0.505, 25, 400}}
	q, err := e.Flow("open", 100)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "flow", q, 1100, 1e-9, "110·√100 by hand")
	for _, pa := range []float64{20, 300} {
		if _, err := e.Flow("open", pa); err != nil {
			t.Errorf("at the limit %v Pa: %v", pa, err)
		}
	}
	for _, c := range []struct {
		name, use      string
		pa             float64
		code, argument string
	}{
		{"below", "open", 19.9, "outside_range", "/instrument_pa"},
		{"above", "ring", 400.1, "outside_range", "/instrument_pa"},
		{"unknown", "ring 3", 50, "unknown_range", "/range"},
		{"NaN", "open", math.NaN(), stat.NotFinite, "/instrument_pa"},
	} {
		_, err := e.Flow(c.use, c.pa)
		refused(t, c.name, err, c.code, c.argument)
	}
	refused(t, "no range", leakage.FlowEquation{}.Check(), stat.TooFew, "/ranges")
	refused(t, "twice", append(e, e[0]).Check(), "repeated", "/ranges/2/name")
	refused(t, "coefficient", leakage.FlowEquation{{"a", 0, 0.5, 1, 2}}.Check(), stat.NotPositive, "/ranges/0/coefficient")
	refused(t, "exponent", leakage.FlowEquation{{"a", 1, 5, 1, 2}}.Check(), stat.OutOfRange, "/ranges/0/exponent")
	refused(t, "ends", leakage.FlowEquation{{"a", 1, 0.5, 2, 2}}.Check(), stat.OutOfRange, "/ranges/0/high_pa")
}

func TestSubtractZero(t *testing.T) {
	in := readings(25.6, 100, 51, 150)
	kept := slices.Clone(in)
	for _, c := range []struct {
		name          string
		before, after []float64
		want          float64
	}{
		{"both sides", []float64{0.4, 0.8}, []float64{1.4}, 24.6}, // (0.6 + 1.4)/2
		{"one side", []float64{0.6}, nil, 25},
		{"against the test", nil, []float64{-0.4}, 26},
		{"none", nil, nil, 25.6},
	} {
		out, err := leakage.SubtractZero(in, c.before, c.after)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name, out[0].PressurePa, c.want, 1e-12, "means by hand")
	}
	if !slices.Equal(in, kept) {
		t.Error("the readings were changed")
	}
	_, err := leakage.SubtractZero(readings(30, 1, 2, 1), []float64{2}, nil)
	refused(t, "nothing left", err, stat.NotPositive, "/readings/1/pressure_pa")
	_, err = leakage.SubtractZero(in, nil, []float64{1, math.Inf(1)})
	refused(t, "infinite", err, stat.NotFinite, "/zero_after_pa/1")
}

// There and back: leak flow under one direction undoes the other.
func TestLeakFlowInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		air := rapid.Custom(func(t *rapid.T) leakage.Air {
			return leakage.Air{TemperatureC: rapid.Float64Range(-40, 50).Draw(t, "°C"), ElevationM: rapid.Float64Range(0, 3000).Draw(t, "m")}
		})
		a := leakage.TestAir{Inside: air.Draw(t, "in"), Outside: air.Draw(t, "out"), Direction: leakage.Pressurizing}
		b := a
		b.Direction = leakage.Depressurizing
		q, err := a.LeakFlow(100)
		if err != nil {
			t.Fatal(err)
		}
		back, err := b.LeakFlow(q)
		if err != nil || math.Abs(back-100) > 1e-10 {
			t.Fatalf("%v, %v", back, err)
		}
	})
}
