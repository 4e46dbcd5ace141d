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
		Quality:      Good,
		Extrapolated: r.PressurePa < p.ReferencePa-float64(p.ReferencePa*p.ReachTolerance),
	}
	limits := around(t.LeakageCFM, float64(p.Coverage*t.Uncertainty.Relative()))
	t.Limits = &limits
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
		nearest := lowest
		if math.Abs(x[1]-line.Origin) < math.Abs(x[0]-line.Origin) {
			nearest = highest
		}
		t.Uncertainty = onePoint(nearest, p.ReferencePa, t.Exponent, p.Accuracy)
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
	if line.N >= p.GoodReadings {
		t.Quality = Good
	}
	t.Uncertainty = Uncertainty{
		Calibration: root(p.Accuracy.Flow, t.Exponent*p.Accuracy.Pressure),
		Random:      f.LogLeakageSE, Freedom: f.DegreesOfFreedom,
	}
	limits := around(t.LeakageCFM, root(factor*f.LogLeakageSE, p.Coverage*t.Uncertainty.Calibration))
	t.Limits = &limits
	return t, t.finite()
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
