package stat

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mathext"
)

// A funnel plot shows groups of different size around one target with limits
// that a group of that size crosses by chance alone with the probability
// 1 − level, half of it on each side. All after Spiegelhalter, Statistics in
// Medicine 24 (2005) 1185 [mem].

// FunnelRate bounds the rate of a group of n cases around the target rate, as
// fractions, from the exact binomial distribution made continuous:
//
//	r = min{k: F(k) > p},  limit = (r − (F(r) − p)/f(r))/n, at least 0
//
// at p = α/2 and 1 − α/2. Normal limits are wrong for small n: they go below
// 0 and are too narrow above.
//
// Refused: n < 1 (too_few, /n), target outside (0, 1), level outside (0, 1).
// Source: Spiegelhalter, Stat. Med. 24 (2005) 1185 [mem].
func FunnelRate(target float64, n int, level float64) (Interval, error) {
	if n < 1 {
		return Interval{}, Refuse(TooFew, "/n", "", "a rate needs at least 1 case, not %d", n)
	}
	if !(target > 0 && target < 1) {
		return Interval{}, Refuse(OutOfRange, "/target", "", "%v is not between 0 and 1, both excluded", target)
	}
	if err := levelInside(level); err != nil {
		return Interval{}, err
	}
	alpha := 1 - level
	limit := func(p float64) float64 {
		r := sort.Search(n, func(k int) bool { return binomialCDF(k, n, target) > p })
		return max(0, (float64(r)-(binomialCDF(r, n, target)-p)/binomialProb(r, n, target))/float64(n))
	}
	return Interval{Low: limit(alpha / 2), High: limit(1 - alpha/2)}, nil
}

// Overdispersion is φ = Σz²/K of K standardized effects after drawing the
// outermost fraction trim on each side in to the type-7 quantiles at trim and
// 1 − trim: about 1 where the groups differ by chance alone. Trim 0 keeps all.
//
// Refused: no effects (too_few), one not finite, trim outside 0 … 0.5.
// Source: Spiegelhalter, Stat. Med. 24 (2005) 1185 [mem].
func Overdispersion(z []float64, trim float64) (float64, error) {
	if err := Within("/trim", trim, 0, 0.5, "fraction"); err != nil {
		return 0, err
	}
	sorted := slices.Sorted(slices.Values(z))
	low, err := Quantile(sorted, trim)
	if err != nil {
		return 0, err
	}
	high := quantile7(sorted, 1-trim)
	sum := 0.0
	for _, v := range sorted {
		v = min(max(v, low), high)
		sum += float64(v * v)
	}
	return sum / float64(len(z)), nil
}

// binomialCDF is P(B ≤ k) for B ~ Binomial(n, p).
func binomialCDF(k, n int, p float64) float64 {
	if k >= n {
		return 1
	}
	return mathext.RegIncBeta(float64(n-k), float64(k+1), 1-p)
}

// binomialProb is P(B = k) for B ~ Binomial(n, p), by logarithms so that a
// large n does not underflow.
func binomialProb(k, n int, p float64) float64 {
	lg := func(i int) float64 { v, _ := math.Lgamma(float64(i + 1)); return v }
	return math.Exp(lg(n) - lg(k) - lg(n-k) + float64(float64(k)*math.Log(p)) + float64(float64(n-k)*math.Log1p(-p)))
}
