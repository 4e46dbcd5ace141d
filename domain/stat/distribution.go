package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Limits of the quantiles' arguments, no unit: beyond them the library's series
// lose digits, and no figure of ours has use for them.
const (
	MaxShape = 1e8   // degrees of freedom, counts
	MinTail  = 1e-12 // p keeps this distance from 0 and 1
)

// quantileTolerance is by how much the distribution function at a quantile may
// miss p, relative to the smaller tail.
const quantileTolerance = 1e-7

// NormalCDF is the standard normal distribution function Φ(z), as
// erfc(−z/√2)/2, exact in the lower tail; no units. It refuses nothing: NaN
// gives NaN. Source: Abramowitz, Stegun 26.2.29 [mem].
func NormalCDF(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// NormalQuantile is z with Φ(z) = p, for MinTail ≤ p ≤ 1 − MinTail; no units.
//
// Refused: p outside the range (out_of_range, /probability).
// Source: gonum distuv; check values in NIST TN 1297 table B.1, last row [pub].
func NormalQuantile(p float64) (float64, error) {
	if err := probability(p); err != nil {
		return 0, err
	}
	return distuv.UnitNormal.Quantile(p), nil
}

// ChiSquareQuantile is x with P(X ≤ x) = p for df degrees of freedom, no units:
//
//	x = 2·P⁻¹(df/2, p)    P the regularized incomplete gamma function
//
// Refused: p outside MinTail … 1 − MinTail (/probability), df not in
// (0, MaxShape] (/degrees_of_freedom), a quantile that no float64 holds to
// enough digits (no_answer).
// Source: Abramowitz, Stegun 26.4.19 [mem], by package mathext of gonum.
func ChiSquareQuantile(p, df float64) (float64, error) {
	if err := probability(p); err != nil {
		return 0, err
	}
	if err := shape("/degrees_of_freedom", df); err != nil {
		return 0, err
	}
	return checked(p,
		func(p float64) float64 { return 2 * mathext.GammaIncRegInv(df/2, p) },
		func(x float64) float64 { return mathext.GammaIncReg(df/2, x/2) })
}

// BetaQuantile is x in 0 … 1 with I_x(a, b) = p, no units.
//
// Refused: p outside MinTail … 1 − MinTail (/probability), a or b not in
// (0, MaxShape] (/a, /b), a quantile that no float64 holds to enough digits
// (no_answer).
// Source: Abramowitz, Stegun 26.5.1 [mem], by package mathext of gonum.
func BetaQuantile(p, a, b float64) (float64, error) {
	if err := probability(p); err != nil {
		return 0, err
	}
	if err := shape("/a", a); err != nil {
		return 0, err
	}
	if err := shape("/b", b); err != nil {
		return 0, err
	}
	return checked(p,
		func(p float64) float64 { return mathext.InvRegIncBeta(a, b, p) },
		func(x float64) float64 { return mathext.RegIncBeta(a, b, x) })
}

func probability(p float64) error {
	if !(p >= MinTail && p <= 1-MinTail) {
		return Refuse(OutOfRange, "/probability", "", "%v is outside %v to 1 − %v", p, MinTail, MinTail)
	}
	return nil
}

func shape(argument string, v float64) error {
	if !(v > 0 && v <= MaxShape) {
		return Refuse(OutOfRange, argument, "", "%v is not above 0 and at most %v", v, MaxShape)
	}
	return nil
}

// checked gives the quantile after looking back through the distribution
// function. For shapes near 0 the library's root search steps outside the
// function's range, which it answers with a panic, or ends off the root: both
// are refused here.
func checked(p float64, quantile, distribution func(float64) float64) (x float64, err error) {
	none := Refuse(NoAnswer, "/probability", "", "no float64 holds the quantile to enough digits")
	defer func() {
		if recover() != nil {
			x, err = 0, none
		}
	}()
	x = quantile(p)
	if !(math.Abs(distribution(x)-p) <= quantileTolerance*min(p, 1-p)) || math.IsInf(x, 0) {
		return 0, none
	}
	return x, nil
}
