package leakage

import (
	"math"

	"ductledger/domain/stat"
)

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
