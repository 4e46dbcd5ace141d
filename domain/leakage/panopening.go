package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// PanExpected is the pan pressure in Pa over a register whose duct leaks to
// outside with ratio times its opening to the home (areas, no unit):
//
//	pan = P·q/(1 + q)    q = ratio^(1/n)
//
// Refused: a ratio negative (/ratio), a home pressure not above 0
// (/house_pressure_pa), n not in (0, 1] (/exponent).
// Source: two openings in series with equal exponents [calc]; ratio 0.1 →
// 1.40643 Pa, 1 → 25 Pa at 50 Pa and n 0.65.
func PanExpected(ratio, housePa, exponent float64) (float64, error) {
	if err := stat.NotBelowZero("/ratio", ratio, "(no unit)"); err != nil {
		return 0, err
	}
	if err := stat.Positive("/house_pressure_pa", housePa, "Pa"); err != nil {
		return 0, err
	}
	if err := panExponent(exponent); err != nil {
		return 0, err
	}
	if ratio == 0 {
		return 0, nil
	}
	return housePa / (1 + math.Pow(ratio, -1/exponent)), nil
}

// PanOpeningRatio is the other way: which leak-to-opening ratio a reading
// speaks for,
//
//	ratio = q^n    q = pan/(P − pan)
//
// Pressures in Pa, ratio and n without unit. A plausible figure for a person,
// not a size: one opening is not measured.
// Refused: a pan pressure negative (/pan_pa) or not below the home's, the rest
// as by PanExpected.
// Source: PanExpected solved for the ratio [calc].
func PanOpeningRatio(panPa, housePa, exponent float64) (float64, error) {
	if err := stat.NotBelowZero("/pan_pa", panPa, "Pa"); err != nil {
		return 0, err
	}
	if err := stat.Positive("/house_pressure_pa", housePa, "Pa"); err != nil {
		return 0, err
	}
	if err := panExponent(exponent); err != nil {
		return 0, err
	}
	if panPa >= housePa {
		return 0, stat.Refuse(stat.OutOfRange, "/pan_pa", "read both pressures again",
			"%v Pa under the pan is not below the home's %v Pa", panPa, housePa)
	}
	return math.Pow(panPa/(housePa-panPa), exponent), nil
}

func panExponent(n float64) error {
	if !(n > 0 && n <= 1) {
		return stat.Refuse("exponent_out_of_range", "/exponent", "", "the exponent is %v, outside 0 (excluded) to 1", n)
	}
	return nil
}
