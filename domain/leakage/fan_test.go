package leakage_test

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"ductledger/domain/leakage"
	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func fan(t testing.TB, p leakage.FanParameters, pairs ...float64) leakage.FanTest {
	t.Helper()
	r, err := leakage.Fan(readings(pairs...), p)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func readings(pairs ...float64) []leakage.Reading {
	var out []leakage.Reading
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, leakage.Reading{PressurePa: pairs[i], FlowCFM: pairs[i+1]})
	}
	return out
}

func near(t *testing.T, name string, got, want, tol float64, source string) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.12g, want %.12g ± %g (%s)", name, got, want, tol, source)
	}
}

func refused(t *testing.T, name string, err error, code, argument string) {
	t.Helper()
	var r *stat.Refusal
	if !errors.As(err, &r) || r.Code != code || r.Argument != argument || r.Detail == "" {
		t.Errorf("%s: got %v, want %s at %q", name, err, code, argument)
	}
}

func TestFanOnePoint(t *testing.T) {
	p := leakage.DefaultFanParameters()
	for _, c := range []struct {
		flow, pressure, want, tol float64
		extrapolated              bool
		source                    string
	}{
		{320, 15, 434.76966, 5e-6, true, "formula of ANSI/RESNET/ICC 380 [mem], [calc]"},
		{410, 18, 499.32621, 5e-6, true, "the same"},
		{700, 10, 1213.0035, 5e-5, true, "the same"},
		{600, 19, 707.39681, 5e-6, true, "the same; not the 708 of a factor rounded first"},
		{121, 25.1, 120.71052607, 5e-9, false, "the same"},
		{318, 25, 318, 0, false, "no conversion"},
		{100, 24.5, 100 * math.Pow(25/24.5, 0.6), 1e-12, false, "at the limit of reach, 24.5 Pa"},
		{100, 24.499, 100 * math.Pow(25/24.499, 0.6), 1e-12, true, "just below it"},
		{100, 50, 100 * math.Pow(0.5, 0.6), 1e-12, false, "factor 0.660 at n 0.6 [calc]"},
	} {
		r := fan(t, p, c.pressure, c.flow)
		near(t, "leakage", r.LeakageCFM, c.want, c.tol, c.source)
		if r.Extrapolated != c.extrapolated || r.Method != leakage.OnePoint || (r.Quality == leakage.Good) != (c.pressure > 10) || r.Exponent != 0.6 || r.Fit != nil {
			t.Errorf("%v cfm at %v Pa: %+v", c.flow, c.pressure, r)
		}
		near(t, "flow at 1 Pa", r.Coefficient*math.Pow(25, 0.6), r.LeakageCFM, 1e-12*c.want, "Q = C·25^n")
	}
}

func TestFanOnePointUncertainty(t *testing.T) {
	p := leakage.DefaultFanParameters()
	r := fan(t, p, 25, 100)
	near(t, "u", r.Uncertainty.Relative(), math.Sqrt(0.03*0.03/3+0.36*0.01*0.01/3+0.02*0.02), 1e-15, "JCGM 100 law of propagation")
	near(t, "u", r.Uncertainty.Relative(), 0.0267, 5e-5, "2.67 % [calc]")
	near(t, "low", r.Limits.Low, 100*math.Exp(-1.96*r.Uncertainty.Relative()), 1e-12, "95 % limits")
	near(t, "high", r.Limits.High, 100*math.Exp(1.96*r.Uncertainty.Relative()), 1e-12, "95 % limits")
	for _, c := range []struct{ pressure, want float64 }{{10, 0.046}, {5, 0.080}, {20, 0.011}} {
		p.Accuracy = leakage.Accuracy{Exponent: 0.05}
		near(t, "u from extrapolation", fan(t, p, c.pressure, 100).Uncertainty.Random, c.want, 5e-4, "ln(25/P)·0.05 [calc]")
	}
}

// 12.5·ΔP^0.6 comes back exactly, whatever number of readings.
func TestFanExactPowerLaw(t *testing.T) {
	p := leakage.DefaultFanParameters()
	var pairs []float64
	for _, pa := range []float64{10, 20, 25, 50, 60, 70, 80} {
		pairs = append(pairs, pa, 12.5*math.Pow(pa, 0.6))
	}
	for n := 2; n <= 7; n++ {
		r := fan(t, p, pairs[:2*n]...)
		near(t, "exponent", r.Exponent, 0.6, 1e-13, "power law")
		near(t, "coefficient", r.Coefficient, 12.5, 1e-11, "power law")
		near(t, "leakage", r.LeakageCFM, 12.5*math.Pow(25, 0.6), 1e-11, "power law")
		quality, method := leakage.Weak, leakage.MultiPoint
		if n == 2 {
			method = leakage.TwoPoint
		}
		if n >= 5 {
			quality = leakage.Good
		}
		if r.Method != method || r.Quality != quality || (r.Fit == nil) != (n == 2) || (r.Limits == nil) != (n == 2) {
			t.Errorf("%d readings: %+v", n, r)
		}
		if n > 2 {
			near(t, "exponent se", r.Fit.ExponentSE, 0, 1e-12, "no scatter")
			near(t, "r squared", r.Fit.RSquared, 1, 1e-12, "no scatter")
		}
	}
	// A sharp orifice stands exactly at the lower limit, and its logarithms may round below.
	for pa := 5.0; pa < 60; pa++ {
		fan(t, p, pa, 3*math.Sqrt(pa), pa+7, 3*math.Sqrt(pa+7), pa+19, 3*math.Sqrt(pa+19))
		fan(t, p, pa, 3*pa, pa+7, 3*(pa+7))
	}
}

// The annex form of ASTM E779 [mem], written with variances and covariances, is
// another way to the same errors: S_n = √((S_y² − n·S_xy)/(N−2))/S_x and
// u(ln Q at x0) = S_n·√((N−1)/N·S_x² + (x0 − x̄)²).
func TestFanAgainstAnnexForm(t *testing.T) {
	in := readings(12.4, 151, 18, 183, 25.2, 226, 31, 249, 37.5, 287, 44, 311, 50.6, 341)
	p := leakage.DefaultFanParameters()
	r, err := leakage.Fan(in, p)
	if err != nil {
		t.Fatal(err)
	}
	n := float64(len(in))
	var mx, my float64
	for _, v := range in {
		mx += math.Log(v.PressurePa) / n
		my += math.Log(v.FlowCFM) / n
	}
	var xx, yy, xy float64
	for _, v := range in {
		dx, dy := math.Log(v.PressurePa)-mx, math.Log(v.FlowCFM)-my
		xx, yy, xy = xx+dx*dx/(n-1), yy+dy*dy/(n-1), xy+dx*dy/(n-1)
	}
	slope := xy / xx
	sn := math.Sqrt((yy-slope*xy)/(n-2)) / math.Sqrt(xx)
	at := func(x0 float64) float64 { return sn * math.Sqrt((n-1)/n*xx+(x0-mx)*(x0-mx)) }
	near(t, "exponent", r.Exponent, slope, 1e-13, "annex form")
	near(t, "exponent se", r.Fit.ExponentSE, sn, 1e-12, "annex form")
	near(t, "se of ln C", r.Fit.LogCoefficientSE, at(0), 1e-12, "annex form")
	near(t, "se of ln Q25", r.Fit.LogLeakageSE, at(math.Log(25)), 1e-12, "annex form")
	const t5 = 2.570581836 // t(0.975), 5 degrees of freedom, NIST TN 1297 table B.1 [pub]
	near(t, "exponent low", r.Fit.ExponentLimits.Low, slope-t5*sn, 1e-9, "t limits")
	near(t, "coefficient high", r.Fit.CoefficientLimits.High, r.Coefficient*math.Exp(t5*at(0)), 1e-7, "t limits")
	near(t, "leakage low", r.Fit.LeakageLimits.Low, r.LeakageCFM*math.Exp(-t5*at(math.Log(25))), 1e-6, "t limits")

	// Calibration is added after the fit: wider limits, the same fit.
	cal := math.Sqrt(0.03*0.03/3 + slope*slope*0.01*0.01/3)
	h := math.Sqrt(math.Pow(t5*at(math.Log(25)), 2) + math.Pow(1.96*cal, 2) + math.Pow(1.96*0.02, 2)) // and 2 % for doing it again
	near(t, "leakage high with calibration", r.Limits.High, r.LeakageCFM*math.Exp(h), 1e-6, "half-widths in quadrature")
	p.Accuracy = leakage.Accuracy{}
	bare, err := leakage.Fan(in, p)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(bare.Fit, r.Fit) || math.Abs(bare.Limits.High-bare.Fit.LeakageLimits.High) > 1e-12 {
		t.Errorf("without calibration: %+v, limits %+v", bare.Fit, bare.Limits)
	}
}

// Two readings scatter as is assumed, each with its weight at 25 Pa: half and
// half where 25 Pa lies in the middle of their logarithms [calc].
func TestFanTwoPointUncertainty(t *testing.T) {
	p := leakage.DefaultFanParameters()
	p.Accuracy = leakage.Accuracy{Scatter: 0.01, Repeatability: 0.02}
	middle := fan(t, p, 20, 10*math.Pow(20, 0.6), 31.25, 10*math.Pow(31.25, 0.6))
	near(t, "random part", middle.Uncertainty.Random, math.Sqrt(0.02*0.02+0.01*0.01/2), 1e-12, "the mean of two")
	far := fan(t, p, 6.25, 10*math.Pow(6.25, 0.6), 12.5, 10*math.Pow(12.5, 0.6))
	near(t, "random part, carried as far again", far.Uncertainty.Random, math.Sqrt(0.02*0.02+0.01*0.01*(4+1)), 1e-12, "weights 2 and −1")
}

func TestFanReach(t *testing.T) {
	p := leakage.DefaultFanParameters()
	law := func(pas ...float64) (pairs []float64) {
		for _, pa := range pas {
			pairs = append(pairs, pa, 10*math.Pow(pa, 0.6))
		}
		return pairs
	}
	for _, c := range []struct {
		name string
		in   []float64
		want bool
	}{
		{"around the reference", law(10, 20, 40), false},
		{"up to it within the tolerance", law(10, 20, 24.5), false},
		{"below it", law(10, 15, 20), true},
		{"down to it within the tolerance", law(25.5, 30), false},
		{"above it", law(30, 40, 50), true},
	} {
		if got := fan(t, p, c.in...).Extrapolated; got != c.want {
			t.Errorf("%s: extrapolated %v, want %v", c.name, got, c.want)
		}
	}
}

func TestFanRefuses(t *testing.T) {
	p := leakage.DefaultFanParameters()
	call := func(p leakage.FanParameters, pairs ...float64) error {
		_, err := leakage.Fan(readings(pairs...), p)
		return err
	}
	steep := call(p, 10, 10, 20, 25, 40, 60)
	refused(t, "steep", steep, "exponent_out_of_range", "/readings")
	if !strings.Contains(steep.Error(), "1.29248") {
		t.Errorf("the exponent, ln(6)/ln(4), is not named: %v", steep)
	}
	refused(t, "flat", call(p, 10, 100, 50, 100), "exponent_out_of_range", "/readings")
	refused(t, "none", call(p), stat.TooFew, "/readings")
	refused(t, "no spread", call(p, 25, 100, 25, 104, 25, 99), stat.NoSpread, "/readings")
	refused(t, "zero pressure", call(p, 25, 100, 20, 90, 0, 80), stat.NotPositive, "/readings/2/pressure_pa")
	refused(t, "negative flow", call(p, 25, 100, 20, -90), stat.NotPositive, "/readings/1/flow_cfm")
	refused(t, "NaN", call(p, math.NaN(), 100), stat.NotFinite, "/readings/0/pressure_pa")
	refused(t, "infinite", call(p, 25, math.Inf(1)), stat.NotFinite, "/readings/0/flow_cfm")
	q := p
	q.LeastReadings = 5
	refused(t, "fewer than asked", call(q, 25, 100, 50, 150), stat.TooFew, "/readings")
	q = p
	q.AssumedExponent = 0.49
	refused(t, "assumed exponent", call(q, 25, 100), "exponent_out_of_range", "/exponent")
	q = p
	q.ReferencePa = 0
	refused(t, "reference", call(q, 25, 100), stat.NotPositive, "/reference_pressure_pa")
	q = p
	q.Accuracy.Flow = -0.01
	refused(t, "accuracy", call(q, 25, 100), stat.OutOfRange, "/accuracy/flow")
}

// The order of the readings changes no bit and the readings are left alone;
// flows in another unit scale the flows and nothing else.
func TestFanProperties(t *testing.T) {
	p := leakage.DefaultFanParameters()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 9).Draw(t, "n")
		exponent := rapid.Float64Range(0.55, 0.95).Draw(t, "exponent")
		in := make([]leakage.Reading, n)
		for i := range in {
			pa := rapid.Float64Range(5, 70).Draw(t, "pa")
			in[i] = leakage.Reading{PressurePa: pa, FlowCFM: 20 * math.Pow(pa, exponent) * rapid.Float64Range(0.97, 1.03).Draw(t, "scatter")}
		}
		kept := slices.Clone(in)
		a, err := leakage.Fan(in, p)
		if err != nil {
			t.Skip(err)
		}
		b, err := leakage.Fan(rapid.Permutation(in).Draw(t, "order"), p)
		if err != nil || !reflect.DeepEqual(a, b) {
			t.Fatalf("another order: %+v, %v; before %+v", b, err, a)
		}
		if !slices.Equal(in, kept) {
			t.Fatal("the readings were changed")
		}
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		for i := range in {
			in[i].FlowCFM *= scale
		}
		c, err := leakage.Fan(in, p)
		if err != nil {
			t.Skip(err) // at a limit of the exponent
		}
		if math.Abs(c.LeakageCFM/(scale*a.LeakageCFM)-1) > 1e-11 || math.Abs(c.Exponent-a.Exponent) > 1e-11 ||
			math.Abs(c.Uncertainty.Relative()-a.Uncertainty.Relative()) > 1e-9 {
			t.Fatalf("flows times %v: %+v, before %+v", scale, c, a)
		}
		if a.Limits != nil && !(a.Limits.Low <= a.LeakageCFM && a.LeakageCFM <= a.Limits.High) {
			t.Fatalf("limits %+v do not hold %v", a.Limits, a.LeakageCFM)
		}
	})
}

func BenchmarkFanSevenPoints(b *testing.B) {
	in := readings(12.4, 151, 18, 183, 25.2, 226, 31, 249, 37.5, 287, 44, 311, 50.6, 341)
	p := leakage.DefaultFanParameters()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := leakage.Fan(in, p); err != nil {
			b.Fatal(err)
		}
	}
}
