package leakage

import "ductledger/domain/stat"

// FanParameters are the settings of a fan test.
type FanParameters struct {
	ReferencePa     float64 // pressure at which leakage is reported; 25 Pa [cp]
	AssumedExponent float64 // for a single reading; 0.6, no unit (ANSI/RESNET/ICC 380 [mem])
	LowExponent     float64 // an orifice has 0.5, nothing less is a leak; no unit
	HighExponent    float64 // laminar flow has 1, nothing more is a leak; no unit
	ReachTolerance  float64 // how far a reading may lie from the reference and still reach it; 0.02 of it [cp]
	LeastReadings   int     // fewer are refused; 1
	GoodReadings    int     // 2 and more readings below this number are weak; 5 [cp]
	Confidence      float64 // of the t limits; 0.95
	Coverage        float64 // for parts without degrees of freedom; Coverage95
	Accuracy        Accuracy
	Bounds          Bounds
}

// Bounds say from which width of its 95 % interval on a figure is only weak, and
// from which on it decides nothing. Widths are half of the interval, as a
// fraction of the figure.
type Bounds struct {
	Good       float64 // up to this it is good
	Undecided  float64 // beyond this it decides nothing
	ExponentSE float64 // standard error of a fit's exponent beyond which it is weak, no unit
}

// DefaultBounds: good within ±10 %, undecided beyond ±50 %; an exponent known
// to 0.05 [cp].
func DefaultBounds() Bounds { return Bounds{Good: 0.10, Undecided: 0.50, ExponentSE: 0.05} }

// quality is the word for a figure whose interval has this half-width.
func (b Bounds) quality(half float64) Quality {
	switch {
	case half > b.Undecided:
		return Undecided
	case half > b.Good:
		return Weak
	}
	return Good
}

func (b Bounds) check() error {
	if err := stat.NotBelowZero("/bounds/good", b.Good, "(fraction)"); err != nil {
		return err
	}
	if err := stat.NotBelowZero("/bounds/exponent_se", b.ExponentSE, "(no unit)"); err != nil {
		return err
	}
	return stat.Within("/bounds/undecided", b.Undecided, b.Good, 1e3, "(fraction, not below good)")
}

// DefaultFanParameters gives the values named at the fields, in their units and
// from their sources: practice [cp] but for the assumed exponent,
// ANSI/RESNET/ICC 380 [mem].
func DefaultFanParameters() FanParameters {
	return FanParameters{
		ReferencePa: 25, AssumedExponent: 0.6, LowExponent: 0.5, HighExponent: 1,
		ReachTolerance: 0.02, LeastReadings: 1, GoodReadings: 5,
		Confidence: 0.95, Coverage: Coverage95, Accuracy: DefaultAccuracy(), Bounds: DefaultBounds(),
	}
}

// ExponentSlack is the rounding error allowed at the limits of the exponent, no unit.
const ExponentSlack = 1e-9

// exponent refuses n outside the limits; the readings or the assumption at
// argument gave it. ExponentSlack keeps readings of an exact orifice, whose
// logarithms round to 0.49999999999999994, on the right side.
func (p FanParameters) exponent(argument string, n float64) error {
	if n >= p.LowExponent-ExponentSlack && n <= p.HighExponent+ExponentSlack {
		return nil
	}
	return stat.Refuse("exponent_out_of_range", argument, "check each reading and the flow range of the fan, or test again",
		"the exponent is %.6g, outside %v to %v: no leak behaves so, whatever the fit", n, p.LowExponent, p.HighExponent)
}

func (p FanParameters) check() error {
	if err := stat.Positive("/reference_pressure_pa", p.ReferencePa, "Pa"); err != nil {
		return err
	}
	if err := stat.Within("/reach_tolerance", p.ReachTolerance, 0, 1, "(fraction of the reference pressure)"); err != nil {
		return err
	}
	if !(p.Confidence > 0 && p.Confidence < 1) {
		return stat.Refuse(stat.OutOfRange, "/confidence", "", "%v is not between 0 and 1", p.Confidence)
	}
	if err := stat.Within("/coverage", p.Coverage, 0, 10, "(no unit)"); err != nil {
		return err
	}
	if err := p.Bounds.check(); err != nil {
		return err
	}
	return p.Accuracy.check()
}
