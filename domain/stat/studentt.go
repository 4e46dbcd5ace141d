package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// The closed form is taken for whole degrees of freedom up to closedFreedom
// and tails from closedTail: beyond them it is slow or loses digits. It takes a
// twentieth of the time of the library's root search, which a fan test's limits
// would otherwise spend most of their time in.
const (
	closedFreedom = 30
	closedTail    = 1e-3
)

// nearMedian is the smaller tail from which the quantile counts as near the median.
const nearMedian = 0.25

// StudentTQuantile is t with P(T ≤ t) = p for df degrees of freedom, no
// unit. df need not be whole (Welch-Satterthwaite).
//
// Refused: p outside MinTail … 1 − MinTail (/probability), df not in
// (0, MaxShape] (/degrees_of_freedom), a quantile that no float64 holds to
// enough digits (no_answer).
//
// Source: Abramowitz, Stegun 26.7.3 and 26.7.4 [mem], gonum distuv for the
// rest; check values in NIST TN 1297 table B.1 [pub].
func StudentTQuantile(p, df float64) (float64, error) {
	if err := probability(p); err != nil {
		return 0, err
	}
	if err := shape("/degrees_of_freedom", df); err != nil {
		return 0, err
	}
	switch {
	case p == 0.5:
		return 0, nil
	case df <= closedFreedom && df == math.Trunc(df) && min(p, 1-p) >= closedTail:
		if p < 0.5 {
			return -closedT(1-p-p, int(df)), nil
		}
		return closedT(p-(1-p), int(df)), nil
	}
	d := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}
	if min(p, 1-p) >= nearMedian {
		return checked(p, func(p float64) float64 { return medianT(p, df) }, d.CDF)
	}
	return checked(p, d.Quantile, d.CDF)
}

// medianT is t with P(T ≤ t) = p for p about a half, where the library's own
// way, by ν/(ν+t²), takes 1 from nearly 1. This one searches the complement:
//
//	P(|T| ≤ t) = I_u(½, ν/2)    u = t²/(ν+t²)
func medianT(p, nu float64) float64 {
	u := mathext.InvRegIncBeta(0.5, nu/2, math.Abs(p-(1-p)))
	return math.Copysign(math.Sqrt(nu*u/(1-u)), p-0.5)
}

// closedT is t with P(|T| ≤ t) = a for ν whole degrees of freedom. With
// θ = atan(t/√ν), c = cos θ:
//
//	ν even  a = sin θ·(1 + ½c² + (1·3)/(2·4)·c⁴ + … to c^(ν−2))
//	ν odd   a = (2/π)·(θ + sin θ·(c + (2/3)c³ + … to c^(ν−2)))
//	da/dθ = K·c^(ν−1)
//
// a is concave in θ, so Newton's steps from 0 rise to the root and never pass it.
func closedT(a float64, nu int) float64 {
	theta := 0.0
	for range 100 {
		sin, cos := math.Sincos(theta)
		square := float64(cos * cos)
		// sum of the series, and its next term, which is the derivative's
		sum, term, first := 0.0, 1.0, 2
		if nu%2 == 1 {
			term, first = cos, 3
		}
		for k := first; k <= nu; k += 2 {
			sum += term
			term *= square * float64(k-1) / float64(k)
		}
		value := float64(sin * sum)
		var slope float64
		if nu%2 == 1 {
			value = (theta + value) * (2 / math.Pi)
			slope = 2 / math.Pi * term / cos * float64(nu)
		} else {
			slope = term / cos * float64(nu)
		}
		step := (a - value) / slope
		if !(step > 1e-16*theta) {
			break
		}
		theta += step
	}
	return math.Sqrt(float64(nu)) * math.Tan(theta)
}

// StudentTTail is P(|T| ≥ |t|) for Student's t with ν degrees of freedom, no
// unit: the two-sided chance of a value as far from 0.
//
//	I_{ν/(ν+t²)}(ν/2, ½)
//
// Refused: t not finite (/t), ν outside (0, MaxShape] (/degrees_of_freedom).
// Source: the regularized incomplete beta function, NIST DLMF 8.17 [mem].
func StudentTTail(t, df float64) (float64, error) {
	if err := Finite("/t", t, "(no unit)"); err != nil {
		return 0, err
	}
	if err := shape("/degrees_of_freedom", df); err != nil {
		return 0, err
	}
	return mathext.RegIncBeta(df/2, 0.5, df/(df+float64(t*t))), nil
}

// FTail is P(F ≥ f) for Fisher's F with ν₁ and ν₂ degrees of freedom, no unit.
//
//	I_{ν₂/(ν₂+ν₁·f)}(ν₂/2, ν₁/2)
//
// Refused: f below 0 or not finite (/f), ν₁ or ν₂ outside (0, MaxShape]
// (/numerator_freedom, /denominator_freedom).
// Source: the regularized incomplete beta function, NIST DLMF 8.17 [mem].
func FTail(f, numerator, denominator float64) (float64, error) {
	if err := NotBelowZero("/f", f, "(no unit)"); err != nil {
		return 0, err
	}
	if err := shape("/numerator_freedom", numerator); err != nil {
		return 0, err
	}
	if err := shape("/denominator_freedom", denominator); err != nil {
		return 0, err
	}
	return mathext.RegIncBeta(denominator/2, numerator/2, denominator/(denominator+float64(numerator*f))), nil
}
