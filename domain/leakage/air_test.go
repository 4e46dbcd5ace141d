package leakage_test

import (
	"math"
	"slices"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
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

// The four cases with the check values that conservation of mass gives for air
// by ASTM E779 [calc].
func TestAirOfATest(t *testing.T) {
	warm, cool, cold, high := leakage.Air{TemperatureC: 20}, leakage.Air{TemperatureC: 10}, leakage.Air{TemperatureC: -10}, leakage.Air{TemperatureC: 20, ElevationM: 1609}
	for _, c := range []struct {
		name        string
		in          leakage.TestAir
		want        leakage.AirCase
		leak, meter float64
		said        bool
	}{
		{"the fan stands in the home", leakage.TestAir{Direction: leakage.Pressurizing, FanTakes: leakage.HomeAir, Home: warm, Outside: cold}, leakage.PressurizedFromHome, 1, 1, false},
		{"the fan stands outside", leakage.TestAir{Direction: leakage.Pressurizing, FanTakes: leakage.OutsideAir, Home: warm, Outside: cold}, leakage.PressurizedFromOutside, 1, 1, true},
		{"outside air enters, home air assumed", leakage.TestAir{Direction: leakage.Depressurizing, Quantity: leakage.ScopeOutside, Home: warm, Outside: cold}, leakage.DepressurizedOutside, 0.8976109, 1, true},
		{"outside air enters, measured at the fan", leakage.TestAir{Direction: leakage.Depressurizing, Quantity: leakage.ScopeOutside, Home: warm, Outside: cold, Fan: &cool}, leakage.DepressurizedOutside, 0.9293286, 1, false},
		{"home and outside air mix", leakage.TestAir{Direction: leakage.Depressurizing, Quantity: leakage.ScopeTotal, Home: warm, Outside: cold}, leakage.DepressurizedTotal, 1, 1, true},
		{"meter in cold air", leakage.TestAir{Direction: leakage.Pressurizing, FanTakes: leakage.OutsideAir, Home: warm, Outside: cold, CalibrationDensity: 1.2041}, leakage.PressurizedFromOutside, 1, 0.9474233, true},
		{"meter at 1609 m", leakage.TestAir{Direction: leakage.Pressurizing, FanTakes: leakage.HomeAir, Home: high, Outside: high, CalibrationDensity: 1.2041}, leakage.PressurizedFromHome, 1, 1.1002172, false},
	} {
		got, err := c.in.Corrections()
		if err != nil || got.Case != c.want || (got.Says != "") != c.said {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
		near(t, c.name+", leak", got.Leak, c.leak, 5e-8, "ratio of densities [calc]")
		near(t, c.name+", meter", got.Meter, c.meter, 5e-8, "root of the ratio of densities [calc]")
		pairs := readings(10, 100, 20, 150)
		corrected, err := got.Readings(pairs)
		if err != nil || corrected[1].PressurePa != 20 || pairs[0].FlowCFM != 100 {
			t.Errorf("%s: %v, %v", c.name, corrected, err)
		}
		near(t, c.name+", flow", corrected[0].FlowCFM, 100*got.Leak*got.Meter, 1e-10, "both factors")
	}
	outside := leakage.TestAir{Direction: leakage.Depressurizing, Quantity: leakage.ScopeOutside, Home: warm, Outside: cold}
	got, err := outside.Corrections()
	if err != nil {
		t.Fatal(err)
	}
	_, err = got.Readings(readings(10, 100, 20, 0))
	refused(t, "flow", err, stat.NotPositive, "/readings/1/flow_cfm")
	for _, c := range []struct {
		argument string
		change   func(*leakage.TestAir)
	}{
		{"/direction", func(a *leakage.TestAir) { a.Direction = "sideways" }},
		{"/quantity", func(a *leakage.TestAir) { a.Quantity = "" }},
		{"/fan_takes", func(a *leakage.TestAir) { a.Direction = leakage.Pressurizing }},
		{"/outside/temperature_c", func(a *leakage.TestAir) { a.Outside.TemperatureC = 99 }},
		{"/fan/temperature_c", func(a *leakage.TestAir) { a.Fan = &leakage.Air{TemperatureC: 99} }},
		{"/calibration_density_kg_m3", func(a *leakage.TestAir) { a.CalibrationDensity = 1204 }},
	} {
		wrong := outside
		c.change(&wrong)
		_, err := wrong.Corrections()
		refused(t, c.argument, err, stat.OutOfRange, c.argument)
	}
}

func TestAtReferenceAir(t *testing.T) {
	test := fan(t, leakage.DefaultFanParameters(), 10, 100, 20, 152, 30, 190, 40, 231, 50, 260)
	at := func(air leakage.Air, test leakage.FanTest) (leakage.FanTest, float64) {
		c, err := leakage.TestAir{Direction: leakage.Pressurizing, FanTakes: leakage.HomeAir, Home: air, Outside: air}.Corrections()
		if err != nil {
			t.Fatal(err)
		}
		got, factor, err := c.AtReferenceAir(test)
		if err != nil {
			t.Fatal(err)
		}
		return got, factor
	}
	if same, factor := at(leakage.ReferenceAir(), test); same.LeakageCFM != test.LeakageCFM || factor != 1 {
		t.Errorf("reference air through the leaks changes the figure: %v by %v", same.LeakageCFM, factor)
	}
	air := leakage.Air{TemperatureC: -10}
	cold, factor := at(air, test)
	mu, _ := air.Viscosity()
	mu0, _ := leakage.ReferenceAir().Viscosity()
	n := test.Exponent
	f := math.Pow(mu/mu0, 2*n-1) * math.Pow(293.0/263.0, 1-n)
	near(t, "factor", factor, f, 1e-12, "ASTM E779 [mem]")
	near(t, "coefficient", cold.Coefficient, test.Coefficient*f, 1e-10, "ASTM E779 [mem]")
	near(t, "leakage", cold.LeakageCFM, test.LeakageCFM*f, 1e-9, "the same factor")
	near(t, "limit", cold.Fit.LeakageLimits.High, test.Fit.LeakageLimits.High*f, 1e-9, "the same factor")
	if cold.Exponent != n || test.Fit.LeakageLimits == cold.Fit.LeakageLimits {
		t.Error("the exponent moved, or the test handed in was changed")
	}
	six := test
	six.Exponent = 0.6
	_, factor = at(air, six)
	near(t, "n 0.6, -10 °C", factor, 1.0266053, 5e-8, "[calc]")
	_, factor = at(leakage.Air{TemperatureC: 20, ElevationM: 1609}, six)
	near(t, "n 0.6, 1609 m", factor, 0.9264399, 5e-8, "[calc]")

	// With n = 0.5 viscosity has no part, with n = 1 density has none.
	orifice := test
	orifice.Exponent, orifice.Fit = 0.5, nil
	o, _ := at(air, orifice)
	near(t, "orifice", o.Coefficient, test.Coefficient*math.Sqrt(293.0/263.0), 1e-10, "square-root law of density")

	mixed, err := leakage.TestAir{Direction: leakage.Depressurizing, Quantity: leakage.ScopeTotal, Home: air, Outside: air}.Corrections()
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = mixed.AtReferenceAir(test)
	refused(t, "a mix", err, stat.NotComplete, "/quantity")
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
		{"below", "open", 19.9, "outside_range", "/fan_pressure_pa"},
		{"above", "ring", 400.1, "outside_range", "/fan_pressure_pa"},
		{"unknown", "ring 3", 50, "unknown_range", "/range"},
		{"NaN", "open", math.NaN(), stat.NotFinite, "/fan_pressure_pa"},
	} {
		_, err := e.Flow(c.use, c.pa)
		refused(t, c.name, err, c.code, c.argument)
	}
	refused(t, "no range", leakage.FlowEquation{}.Check(), stat.TooFew, "/flow_equations")
	refused(t, "twice", append(e, e[0]).Check(), "repeated", "/flow_equations/2/range")
	refused(t, "coefficient", leakage.FlowEquation{{"a", 0, 0.5, 1, 2}}.Check(), stat.NotPositive, "/flow_equations/0/coefficient")
	refused(t, "exponent", leakage.FlowEquation{{"a", 1, 5, 1, 2}}.Check(), stat.OutOfRange, "/flow_equations/0/exponent")
	refused(t, "ends", leakage.FlowEquation{{"a", 1, 0.5, 2, 2}}.Check(), stat.OutOfRange, "/flow_equations/0/highest_pa")
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
