package leakage

import (
	"math"
	"strconv"

	"ductledger/domain/stat"
)

// A Direction says which way the fan pushes.
type Direction string

// The two directions.
const (
	Pressurizing   Direction = "pressurize"   // inside air leaves through the leaks
	Depressurizing Direction = "depressurize" // outside air enters through the leaks
)

// TestAir is the air during a fan test. Inside is where the fan takes its air
// when it pressurizes; outside is beyond the leaks.
type TestAir struct {
	Inside, Outside Air
	Direction       Direction
}

// LeakFlow carries a flow through the fan, cfm, to the flow through the leaks,
// cfm, by conservation of mass:
//
//	depressurizing  Q_leak = Q_fan·ρ_in/ρ_out     (the fan passes inside air)
//	pressurizing    Q_leak = Q_fan·ρ_out/ρ_in     (the fan passes outside air)
//
// Refused: a flow not above 0 (/flow_cfm), air outside its limits
// (/inside/…, /outside/…), an unknown direction.
// Source: ASTM E779 [mem].
func (c TestAir) LeakFlow(flowCFM float64) (float64, error) {
	if err := stat.Positive("/flow_cfm", flowCFM, "cfm"); err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	q := flowCFM * c.inToOut()
	return q, stat.Positive("/flow_cfm", q, "cfm")
}

// LeakReadings is LeakFlow for each reading; the readings stay as they are.
// Pressures in Pa, flows in cfm. Refused: as by LeakFlow, with the reading named
// (/readings/i/flow_cfm). Source: ASTM E779 [mem].
func (c TestAir) LeakReadings(readings []Reading) ([]Reading, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	out := make([]Reading, len(readings))
	for i, r := range readings {
		q, err := c.LeakFlow(r.FlowCFM)
		if err != nil {
			return nil, stat.Under("/readings/"+strconv.Itoa(i), err)
		}
		out[i] = Reading{PressurePa: r.PressurePa, FlowCFM: q}
	}
	return out, nil
}

// AtReferenceAir carries a fan test from the air that went through the leaks
// to ReferenceAir:
//
//	C₀ = C·(μ/μ₀)^(2n−1)·(ρ/ρ₀)^(1−n)
//
// with ρ and μ of the inside air when pressurizing, of the outside air when
// depressurizing. All flows of t are multiplied, exponent and relative errors
// stay; cfm in and out. The readings of t were LeakReadings before the fit.
//
// Refused: air outside its limits (/inside/…, /outside/…), an unknown direction
// (/direction), flows that leave float64 (no_answer). Source: ASTM E779 [mem].
func (c TestAir) AtReferenceAir(t FanTest) (FanTest, error) {
	if err := c.check(); err != nil {
		return FanTest{}, err
	}
	air := c.Inside
	if c.Direction == Depressurizing {
		air = c.Outside
	}
	f := math.Pow(air.viscosity()/ReferenceAir().viscosity(), 2*t.Exponent-1) *
		math.Pow(air.density()/ReferenceAir().density(), 1-t.Exponent)
	t.LeakageCFM *= f
	t.Coefficient *= f
	if t.Limits != nil {
		t.Limits = &Interval{t.Limits.Low * f, t.Limits.High * f}
	}
	if t.Fit != nil {
		fit := *t.Fit
		fit.CoefficientLimits = Interval{fit.CoefficientLimits.Low * f, fit.CoefficientLimits.High * f}
		fit.LeakageLimits = Interval{fit.LeakageLimits.Low * f, fit.LeakageLimits.High * f}
		t.Fit = &fit
	}
	return t, t.finite()
}

// inToOut is the quotient of flow through the leaks and flow through the fan.
func (c TestAir) inToOut() float64 {
	if c.Direction == Depressurizing {
		return c.Inside.density() / c.Outside.density()
	}
	return c.Outside.density() / c.Inside.density()
}

func (c TestAir) check() error {
	if err := stat.Under("/inside", c.Inside.check()); err != nil {
		return err
	}
	if err := stat.Under("/outside", c.Outside.check()); err != nil {
		return err
	}
	if c.Direction != Pressurizing && c.Direction != Depressurizing {
		return stat.Refuse(stat.OutOfRange, "/direction", "", "%.40q is neither %q nor %q", string(c.Direction), Pressurizing, Depressurizing)
	}
	return nil
}
