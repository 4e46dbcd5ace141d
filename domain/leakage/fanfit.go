package leakage

import (
	"cmp"
	"math"
	"slices"

	"ductledger/domain/stat"
)

func fanOnePoint(r Reading, p FanParameters) (FanTest, error) {
	n := p.AssumedExponent
	if err := p.exponent("/exponent", n); err != nil {
		return FanTest{}, err
	}
	t := FanTest{
		Method: OnePoint, ReferencePa: p.ReferencePa, Exponent: n,
		LeakageCFM:   r.FlowCFM * math.Pow(p.ReferencePa/r.PressurePa, n),
		Coefficient:  r.FlowCFM * math.Pow(r.PressurePa, -n),
		Uncertainty:  onePoint(r.PressurePa, p.ReferencePa, n, p.Accuracy),
		Extrapolated: r.PressurePa < p.ReferencePa-float64(p.ReferencePa*p.ReachTolerance),
	}
	half := float64(p.Coverage * t.Uncertainty.Relative())
	limits := around(t.LeakageCFM, half)
	t.Limits, t.Quality = &limits, p.Bounds.quality(half)
	return t, t.finite()
}

func fanLine(readings []Reading, p FanParameters) (FanTest, error) {
	sorted := slices.Clone(readings)
	slices.SortFunc(sorted, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.PressurePa, b.PressurePa), cmp.Compare(a.FlowCFM, b.FlowCFM))
	})
	logs := make([]float64, 2*len(sorted))
	x, y := logs[:len(sorted)], logs[len(sorted):]
	for i, r := range sorted {
		x[i], y[i] = math.Log(r.PressurePa), math.Log(r.FlowCFM)
	}
	lowest, highest := sorted[0].PressurePa, sorted[len(sorted)-1].PressurePa
	if x[0] == x[len(x)-1] {
		return FanTest{}, stat.Refuse(stat.NoSpread, "/readings", "take readings at different pressures",
			"all %d pressures are %v Pa: an exponent needs a difference", len(sorted), lowest)
	}
	line, err := stat.FitLine(x, y, math.Log(p.ReferencePa))
	if err != nil {
		return FanTest{}, stat.Under("/readings", err)
	}
	if err := p.exponent("/readings", line.Slope); err != nil {
		return FanTest{}, err
	}
	reach := float64(p.ReferencePa * p.ReachTolerance)
	t := FanTest{
		Method: TwoPoint, ReferencePa: p.ReferencePa, Exponent: line.Slope,
		LeakageCFM:   math.Exp(line.Intercept),
		Coefficient:  math.Exp(line.At(0)),
		Quality:      Weak,
		Extrapolated: highest < p.ReferencePa-reach || lowest > p.ReferencePa+reach,
	}
	if len(sorted) == 2 {
		weight := (line.Origin - x[0]) / (x[1] - x[0])
		t.Uncertainty = Uncertainty{
			Calibration: root(p.Accuracy.Flow, t.Exponent*p.Accuracy.Pressure),
			Random:      root(p.Accuracy.Repeatability, p.Accuracy.Scatter*weight, p.Accuracy.Scatter*(1-weight)),
		}
		if p.Bounds.quality(p.Coverage*t.Uncertainty.Relative()) == Undecided {
			t.Quality = Undecided
		}
		return t, t.finite()
	}
	return t.withFit(line, p)
}

// withFit adds what three and more readings tell.
func (t FanTest) withFit(line stat.Line, p FanParameters) (FanTest, error) {
	factor, err := stat.StudentTQuantile((1+p.Confidence)/2, float64(line.DegreesOfFreedom))
	if err != nil {
		return FanTest{}, err
	}
	f := Fit{
		ExponentSE: line.SlopeSE, LogCoefficientSE: line.SEAt(0), LogLeakageSE: line.InterceptSE,
		ResidualSD: line.ResidualSD, RSquared: line.RSquared, DegreesOfFreedom: line.DegreesOfFreedom,
		ExponentLimits: Interval{line.Slope - float64(factor*line.SlopeSE), line.Slope + float64(factor*line.SlopeSE)},
	}
	f.CoefficientLimits = around(t.Coefficient, float64(factor*f.LogCoefficientSE))
	f.LeakageLimits = around(t.LeakageCFM, float64(factor*f.LogLeakageSE))
	t.Method, t.Fit = MultiPoint, &f
	t.Uncertainty = Uncertainty{
		Calibration: root(p.Accuracy.Flow, t.Exponent*p.Accuracy.Pressure),
		Random:      root(f.LogLeakageSE, p.Accuracy.Repeatability),
	}
	t.Uncertainty.Freedom = freedomOf(f.LogLeakageSE, t.Uncertainty.Random, f.DegreesOfFreedom)
	common := root(p.Coverage*t.Uncertainty.Calibration, p.Coverage*p.Accuracy.Repeatability)
	half := root(factor*f.LogLeakageSE, common)
	limits, coefficients := around(t.LeakageCFM, half), around(t.Coefficient, root(factor*f.LogCoefficientSE, common))
	t.Limits, t.Coefficients = &limits, &coefficients
	t.Quality = p.Bounds.quality(half)
	brackets := !t.Extrapolated
	if t.Quality == Good && (line.N < p.GoodReadings || !brackets || f.ExponentSE > p.Bounds.ExponentSE) {
		t.Quality = Weak
	}
	return t, t.finite()
}

// freedomOf is the degrees of freedom of a whole of which a fit's part alone is
// estimated, 0 for as good as infinitely many.
//
//	ν = (N − 2)·whole⁴/part⁴
//
// Source: Welch-Satterthwaite, JCGM 100 (GUM) G.4 [pub].
func freedomOf(part, whole float64, freedom int) float64 {
	if part == 0 {
		return 0
	}
	r := whole / part
	if v := float64(freedom) * float64(r*r*r*r); v < stat.MaxShape {
		return v
	}
	return 0
}

// around gives q·e^∓h.
func around(q, h float64) Interval { return Interval{q * math.Exp(-h), q * math.Exp(h)} }

// finite refuses an answer that left float64, or fell to a flow of 0.
func (t FanTest) finite() error {
	ok := t.LeakageCFM > 0 && t.Coefficient > 0 && stat.IsFinite(t.LeakageCFM) && stat.IsFinite(t.Coefficient) &&
		stat.IsFinite(t.Uncertainty.Relative())
	if t.Limits != nil {
		ok = ok && stat.IsFinite(t.Limits.High)
	}
	if t.Fit != nil {
		ok = ok && stat.IsFinite(t.Fit.CoefficientLimits.High) && stat.IsFinite(t.Fit.LeakageLimits.High)
	}
	if !ok {
		return stat.Refuse(stat.NoAnswer, "/readings", "check each reading", "the readings lie so far apart that the result is not a finite flow")
	}
	return nil
}
