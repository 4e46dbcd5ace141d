package stat

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// HypergeometricTail is P(X ≥ x) where n of N are drawn without replacement and K
// of the N are marked; no unit. With the margins of a table it is Fisher's exact
// test, one-sided.
//
//	P(X = k) = C(K, k)·C(N−K, n−k)/C(N, n)
//
// summed upwards from x by the ratio of neighbors, not above 1. It refuses nothing:
// what cannot be drawn has the chance 0. Source: Fisher, The Design of Experiments
// (1935) ch. 2 [mem].
func HypergeometricTail(x, n, K, N int) float64 {
	if x <= max(0, n+K-N) {
		return 1
	}
	choose := func(a, b int) float64 {
		lg := func(i int) float64 { v, _ := math.Lgamma(float64(i + 1)); return v }
		return lg(a) - lg(b) - lg(a-b)
	}
	if x > min(n, K) {
		return 0
	}
	p := math.Exp(choose(K, x) + choose(N-K, n-x) - choose(N, n))
	sum := 0.0
	for k := x; k <= min(n, K) && p > 0; k++ {
		sum += p
		p *= float64(K-k) / float64(k+1) * float64(n-k) / float64(N-K-n+k+1)
	}
	return min(1, sum)
}

// DiscoveryCount is how many of N homes must be looked at without a failure to say
// with the confidence level, a fraction as share is, that not as many as ceil(share·N)
// of them fail: the least n with
//
//	C(N−D, n)/C(N, n) ≤ 1 − level    D = ceil(share·N)
//
// Refused: N < 1 (too_few, /n), a share outside (0, 1] (/share), level outside
// (0, 1) (/level). Source: discovery sampling without replacement [calc].
func DiscoveryCount(N int, share, level float64) (int, error) {
	if N < 1 {
		return 0, Refuse(TooFew, "/n", "", "of %d homes nothing is shown", N)
	}
	if !(share > 0 && share <= 1) {
		return 0, Refuse(OutOfRange, "/share", "", "%v is not above 0 and at most 1", share)
	}
	if err := levelInside(level); err != nil {
		return 0, err
	}
	marked := int(math.Ceil(float64(share*float64(N)) - 1e-9)) // 0.1·30 is not 3 in binary
	missed := 1.0                                              // the chance that none of n is marked
	for n := 1; n <= N; n++ {
		missed *= float64(N-marked-n+1) / float64(N-n+1)
		if missed <= 1-level {
			return n, nil
		}
	}
	return N, nil
}

// AcceptanceChance is the chance that a lot of N with D failing ones passes a plan
// that looks at n and takes at most c failures; no unit.
//
//	Σ_{k≤c} C(D, k)·C(N−D, n−k)/C(N, n)
//
// It refuses nothing. Source: Dodge, Romig, Sampling Inspection Tables (1944) [mem].
func AcceptanceChance(n, c, D, N int) float64 { return 1 - HypergeometricTail(c+1, n, D, N) }

// BinomialTail is P(X ≥ x) of n independent cases of the chance p each; no unit.
//
//	I_p(x, n − x + 1), the regularized incomplete beta function
//
// Refused: p outside 0 … 1 (/probability), n < 0 or x outside 0 … n (/x). Source:
// Abramowitz, Stegun 26.5.24 [mem], by package mathext of gonum.
func BinomialTail(x, n int, p float64) (float64, error) {
	if err := Within("/probability", p, 0, 1, "probability"); err != nil {
		return 0, err
	}
	switch {
	case n < 0 || x < 0 || x > n:
		return 0, Refuse(OutOfRange, "/x", "", "%d of %d: x is outside 0 to n", x, n)
	case x == 0 || p == 1:
		return 1, nil
	case p == 0:
		return 0, nil
	}
	return mathext.RegIncBeta(float64(x), float64(n-x+1), p), nil
}
