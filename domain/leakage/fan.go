package leakage

import (
	"strconv"

	"ductledger/domain/stat"
)

// A Reading is one pair of a fan test.
type Reading struct {
	PressurePa float64 // duct to outside or to the home, induced; more than 0
	FlowCFM    float64 // through the fan; more than 0
}

// Method says how a fan test's figure was got.
type Method string

// The three methods.
const (
	OnePoint   Method = "one_point"   // exponent assumed
	TwoPoint   Method = "two_point"   // exact line, no interval
	MultiPoint Method = "multi_point" // least squares
)

// Quality is a plain word for how far a figure carries.
type Quality string

// The words.
const (
	Good      Quality = "good"
	Weak      Quality = "weak"
	Undecided Quality = "undecided"
)

// A FanTest is the answer of Fan.
type FanTest struct {
	Method       Method
	LeakageCFM   float64   // at ReferencePa
	ReferencePa  float64   //
	Limits       *Interval // of LeakageCFM, 95 %, calibration and repeatability included; nil for two points
	Coefficients *Interval // of Coefficient, the same parts; nil unless MultiPoint
	Uncertainty  Uncertainty
	Exponent     float64 // assumed for one point
	Coefficient  float64 // cfm/Pa^n: the flow at 1 Pa
	Fit          *Fit    // nil unless MultiPoint
	Quality      Quality // by the width of the interval; at best weak for 2 to 4 readings and where they do not bracket ReferencePa
	// Extrapolated: the readings do not reach the reference pressure.
	Extrapolated bool
}

// Fit is what only three and more readings tell. Its limits are t limits of
// the fit alone: scatter, neither calibration nor repeatability.
type Fit struct {
	ExponentSE        float64 // no unit
	LogCoefficientSE  float64 // of ln(coefficient), no unit
	LogLeakageSE      float64 // of ln(flow at the reference pressure), no unit
	ResidualSD        float64 // of ln(flow), no unit
	RSquared          float64 // a high one excuses nothing
	DegreesOfFreedom  int     // N − 2
	ExponentLimits    Interval
	CoefficientLimits Interval // cfm/Pa^n
	LeakageLimits     Interval // cfm at the reference pressure
}

// Fan computes duct leakage from the readings of a fan test, Q = C·ΔP^n.
//
//	1 reading    Q_ref = Q·(P_ref/P)^n with n assumed
//	2 readings   the exact line through both, no interval
//	3 and more   least squares of ln Q on ln ΔP, x centered at ln P_ref, so that
//	             the intercept is ln Q_ref; t limits with N − 2 degrees of freedom
//
// An instrument's calibration is common to all readings, and so is what
// setting up the test anew would change: the fit cannot see either. They are
// added afterwards, half-widths in quadrature, so that the interval is never
// narrower than the fit's own:
//
//	h² = (t·u(ln Q_ref))² + (k·u_calibration)² + (k·u_repeatability)²    limits Q_ref·e^±h
//
// For one reading h = k·u of the one-point formula. Two readings show no
// interval; for a later reduction their scatter is assumed, with the weight
// that each has at the reference: u² = u_repeatability² + u_scatter²·Σw².
// The readings are sorted before they are added: their order changes no bit.
//
// Refused: fewer than LeastReadings (too_few, /readings), a pressure or flow
// not finite or not above 0 (/readings/i/pressure_pa, /readings/i/flow_cfm),
// all pressures equal (no_spread), an exponent outside LowExponent …
// HighExponent (exponent_out_of_range, the exponent in the detail), limits that
// leave float64 (no_answer), parameters outside their range.
//
// Source: ANSI/RESNET/ICC 380 [mem] for one reading, ASTM E779 [mem] for the
// fit, JCGM 100 (GUM) 5.1.2 [pub] for the uncertainty.
func Fan(readings []Reading, p FanParameters) (FanTest, error) {
	if err := p.check(); err != nil {
		return FanTest{}, err
	}
	if len(readings) < max(1, p.LeastReadings) {
		return FanTest{}, stat.Refuse(stat.TooFew, "/readings", "take more readings",
			"%d readings, at least %d are asked", len(readings), max(1, p.LeastReadings))
	}
	for i, r := range readings {
		if r.PressurePa > 0 && r.FlowCFM > 0 && stat.IsFinite(r.PressurePa) && stat.IsFinite(r.FlowCFM) {
			continue // no text is made for what is in order
		}
		at := "/readings/" + strconv.Itoa(i)
		if err := stat.Positive(at+"/pressure_pa", r.PressurePa, "Pa"); err != nil {
			return FanTest{}, err
		}
		return FanTest{}, stat.Positive(at+"/flow_cfm", r.FlowCFM, "cfm")
	}
	if len(readings) == 1 {
		return fanOnePoint(readings[0], p)
	}
	return fanLine(readings, p)
}
