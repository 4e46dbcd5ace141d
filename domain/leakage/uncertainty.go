package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// Coverage95 widens a standard uncertainty to a 95 % interval, no unit: the
// normal quantile 1.95996 as tables print it, so that a pocket calculator
// agrees. Source: JCGM 100 (GUM) table G.1 [pub].
const Coverage95 = 1.96

// Level95 is the probability with which every interval here is meant to cover.
const Level95 = 0.95

// An Interval holds the limits of a value, in the value's unit.
type Interval struct{ Low, High float64 }

// Accuracy is what an instrument and its use contribute, as standard
// uncertainties.
type Accuracy struct {
	Flow          float64 // relative, of the flow the instrument reports; common to all its readings
	Pressure      float64 // relative, of the pressure; common to all its readings
	Exponent      float64 // of an exponent that was assumed and not measured; no unit
	Repeatability float64 // relative, of a whole test done again, set up anew
	Scatter       float64 // relative, of one reading among others of a test; for two readings, which show none of their own
}

// DefaultAccuracy is used where a certificate says nothing else: ±3 % flow and
// ±1 % pressure, both rectangular, 0.05 for an assumed exponent, 2 % for doing
// the test again, 1 % for one of two readings, as fractions [cp].
func DefaultAccuracy() Accuracy {
	return Accuracy{Flow: Rectangular(0.03), Pressure: Rectangular(0.01), Exponent: 0.05, Repeatability: 0.02, Scatter: 0.01}
}

// Rectangular turns "±a" without a stated level into a standard uncertainty,
// a/√3, in the unit of a. It refuses nothing: a comes from a certificate that
// was checked. Source: JCGM 100 (GUM) 4.3.7 [pub].
func Rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// Expanded turns "±a with coverage factor k" into a standard uncertainty, a/k,
// in the unit of a; k has none and is above 0, which the caller has checked.
// Source: JCGM 100 (GUM) 4.3.3 [pub].
func Expanded(halfWidth, k float64) float64 { return halfWidth / k }

// Uncertainty is that of one figure: relative standard uncertainties, no unit.
type Uncertainty struct {
	Calibration float64 // the instrument's: cancels between two tests with the same one
	Random      float64 // the rest: repeatability, scatter of a fit, an assumed exponent
	Freedom     float64 // degrees of freedom of Random; 0: well known, as good as infinitely many
}

// Relative is both parts together, √(calibration² + random²).
// No unit. Source: JCGM 100 (GUM) 5.1.2 [pub].
func (u Uncertainty) Relative() float64 { return root(u.Calibration, u.Random) }

// onePoint is the uncertainty of a flow carried from pressure measuredPa to
// referencePa with exponent n:
//
//	calibration² = u_flow² + (n·u_pressure)²
//	random²      = (ln(reference/measured)·u_n)² + u_repeatability²
//
// ±3 %, ±1 %, n 0.6, 2 %, at the reference pressure: 2.67 % together.
// Source: law of propagation, JCGM 100 (GUM) 5.1.2 [pub].
func onePoint(measuredPa, referencePa, n float64, a Accuracy) Uncertainty {
	return Uncertainty{
		Calibration: root(a.Flow, n*a.Pressure),
		Random:      root(math.Log(referencePa/measuredPa)*a.Exponent, a.Repeatability),
	}
}

func (a Accuracy) check() error {
	for _, v := range []struct {
		argument string
		value    float64
	}{
		{"/accuracy/flow", a.Flow}, {"/accuracy/pressure", a.Pressure},
		{"/accuracy/exponent", a.Exponent}, {"/accuracy/repeatability", a.Repeatability},
		{"/accuracy/scatter", a.Scatter},
	} {
		if err := stat.Within(v.argument, v.value, 0, 1, "(standard uncertainty, fraction of 1)"); err != nil {
			return err
		}
	}
	return nil
}

func (u Uncertainty) check(argument string) error {
	if err := stat.Within(argument+"/calibration_u_ratio", u.Calibration, 0, 10, "(fraction of 1)"); err != nil {
		return err
	}
	if err := stat.Within(argument+"/random_u_ratio", u.Random, 0, 10, "(fraction of 1)"); err != nil {
		return err
	}
	if !(u.Freedom >= 0) {
		return stat.Refuse(stat.Negative, argument+"/degrees_of_freedom", "", "%v degrees of freedom are less than 0", u.Freedom)
	}
	return nil
}

// root is √(a² + b² + …), in that order.
func root(parts ...float64) float64 {
	s := 0.0
	for _, p := range parts {
		s += float64(p * p)
	}
	return math.Sqrt(s)
}
