package leakage

import (
	"math"
	"strconv"

	"ductledger/domain/stat"
)

// A FlowRange is one line of a calibration certificate: what flow a pressure
// across the instrument means, between two pressures. The numbers are those of
// the one instrument, never a table for its kind.
type FlowRange struct {
	Name        string  // as the certificate names it, such as "ring 2"
	Coefficient float64 // C, cfm/Pa^n
	Exponent    float64 // n, no unit
	LowPa       float64 // pressures the certificate covers, both ends included
	HighPa      float64
}

// A FlowEquation holds the ranges of one instrument from one certificate.
type FlowEquation []FlowRange

// MaxRangeExponent bounds the exponent of a flow equation, no unit: an orifice
// has 0.5, a laminar element 1; twice that is a slip of the pen.
const MaxRangeExponent = 2

// Check refuses an equation that cannot be used: no range (too_few, /flow_equations),
// a name twice (repeated, /flow_equations/i/range), a coefficient or pressure not above
// 0, an exponent outside 0 … MaxRangeExponent, a low end not below its high end.
// Coefficients in cfm/Pa^n, pressures in Pa.
// Source: the instrument's own calibration certificate [cp].
func (e FlowEquation) Check() error {
	if len(e) == 0 {
		return stat.Refuse(stat.TooFew, "/flow_equations", "enter the equation of the certificate", "0 ranges, at least 1 is needed")
	}
	for i, r := range e {
		at := "/flow_equations/" + strconv.Itoa(i)
		for _, other := range e[:i] {
			if other.Name == r.Name {
				return stat.Refuse("repeated", at+"/range", "", "the range %.40q stands twice", r.Name)
			}
		}
		if err := stat.Positive(at+"/coefficient", r.Coefficient, "cfm/Pa^n"); err != nil {
			return err
		}
		if err := stat.Positive(at+"/exponent", r.Exponent, "(no unit)"); err != nil {
			return err
		}
		if err := stat.Within(at+"/exponent", r.Exponent, 0, MaxRangeExponent, "(no unit)"); err != nil {
			return err
		}
		if err := stat.Positive(at+"/lowest_pa", r.LowPa, "Pa"); err != nil {
			return err
		}
		if err := stat.Finite(at+"/highest_pa", r.HighPa, "Pa"); err != nil {
			return err
		}
		if r.HighPa <= r.LowPa {
			return stat.Refuse(stat.OutOfRange, at+"/highest_pa", "", "%v Pa is not above the low end, %v Pa", r.HighPa, r.LowPa)
		}
	}
	return nil
}

// Flow is Q = C·ΔP^n in cfm for the pressure across the instrument, in Pa.
//
// Refused: a range the certificate does not name (unknown_range, /range), a
// pressure outside its limits (outside_range, /fan_pressure_pa), since beyond
// them the certificate says nothing, and what Check refuses.
//
// Source: the form of the equation, ASTM E779 [mem]; its numbers, the
// instrument's own calibration certificate.
func (e FlowEquation) Flow(rangeName string, instrumentPa float64) (float64, error) {
	if err := e.Check(); err != nil {
		return 0, err
	}
	if err := stat.Finite("/fan_pressure_pa", instrumentPa, "Pa"); err != nil {
		return 0, err
	}
	for _, r := range e {
		if r.Name != rangeName {
			continue
		}
		if instrumentPa < r.LowPa || instrumentPa > r.HighPa {
			return 0, stat.Refuse("outside_range", "/fan_pressure_pa", "read again in another range of the instrument",
				"%v Pa is outside %v to %v Pa, which the certificate covers in %.40q", instrumentPa, r.LowPa, r.HighPa, r.Name)
		}
		q := r.Coefficient * math.Pow(instrumentPa, r.Exponent)
		if err := stat.Positive("/fan_pressure_pa", q, "cfm"); err != nil {
			return 0, err
		}
		return q, nil
	}
	return 0, stat.Refuse("unknown_range", "/range", "", "the certificate has no range %.40q", rangeName)
}

// SubtractZero takes the zero-flow offset from the pressures of readings: wind
// and warm air press on the ducts before the fan runs, and the fan's own
// pressure is what is left without them.
//
//	ΔP = P − (mean(before) + mean(after))/2
//
// before and after are pressures with the fan sealed off, in Pa, with the sign
// that pressures in the test's direction have as positive; an empty one counts
// as no check on that side, both empty as offset 0. The readings handed in stay
// as they are.
//
// Refused: a value not finite (/zero_before_pa/i, /zero_after_pa/i), a pressure
// that is not above 0 without the offset (not_positive, /readings/i/pressure_pa).
//
// Source: ASTM E779, zero-flow pressures before and after [mem].
func SubtractZero(readings []Reading, before, after []float64) ([]Reading, error) {
	offset, sides := 0.0, 0.0
	for _, side := range []struct {
		argument string
		values   []float64
	}{{"/zero_before_pa", before}, {"/zero_after_pa", after}} {
		if len(side.values) == 0 {
			continue
		}
		for i, v := range side.values {
			if err := stat.Finite(side.argument+"/"+strconv.Itoa(i), v, "Pa"); err != nil {
				return nil, err
			}
		}
		offset += stat.Sum(side.values) / float64(len(side.values))
		sides++
	}
	if sides > 0 {
		offset /= sides
	}
	if err := stat.Finite("/zero_before_pa", offset, "Pa"); err != nil {
		return nil, err
	}
	corrected := make([]Reading, len(readings))
	for i, r := range readings {
		at := "/readings/" + strconv.Itoa(i) + "/pressure_pa"
		if err := stat.Finite(at, r.PressurePa, "Pa"); err != nil {
			return nil, err
		}
		induced := r.PressurePa - offset
		if !(induced > 0) {
			return nil, stat.Refuse(stat.NotPositive, at, "test when the wind is calm, or at a higher pressure",
				"%v Pa less the zero-flow offset of %v Pa is not more than 0 Pa", r.PressurePa, offset)
		}
		corrected[i] = Reading{PressurePa: induced, FlowCFM: r.FlowCFM}
	}
	return corrected, nil
}
