package stat

import "math"

// An Estimate is one group's effect and the variance of its error.
type Estimate struct {
	Effect   float64 // in the unit of the comparison; logarithms have none
	Variance float64 // of the effect's error, in that unit squared
}

// PauleMandel is τ², the variance of the true effects between K groups, in
// the effects' unit squared: the root of the falling function
//
//	Q(τ²) = Σ w_j (y_j − μ)² = K − 1,  w_j = 1/(v_j + τ²),  μ = Σ w_j y_j / Σ w_j
//
// and 0 where Q(0) ≤ K − 1: the effects then differ no more than their errors
// do. Found by bisection down to neighboring floats, so equal input in equal
// order gives equal bits.
//
// Refused: fewer than 2 groups (too_few, /groups), an effect that is not
// finite, a variance not above 0 (/groups/j/…).
// Source: Paule & Mandel 1982; equals the empirical-Bayes estimator in
// Viechtbauer, J. Educ. Behav. Stat. 30 (2005) 261 [pub].
func PauleMandel(groups []Estimate) (float64, error) {
	if err := poolable(groups, 2); err != nil {
		return 0, err
	}
	target := float64(len(groups) - 1)
	if GeneralizedQ(groups, 0) <= target {
		return 0, nil
	}
	low, high := 0.0, 1e-300
	for GeneralizedQ(groups, high) > target {
		low, high = high, 4*high
		if math.IsInf(high, 0) {
			return 0, Refuse(NoAnswer, "/groups", "", "the effects lie too far apart for a float64")
		}
	}
	for {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			return high, nil
		}
		if GeneralizedQ(groups, mid) > target {
			low = mid
		} else {
			high = mid
		}
	}
}

// GeneralizedQ is Q(τ²) of PauleMandel, without unit; at τ² = 0 it is
// Cochran's Q, which has K − 1 on average when all true effects are equal.
// It refuses nothing: the caller has checked the groups.
// Source: Paule, Mandel, J. Res. NBS 87 (1982) 377 [mem].
func GeneralizedQ(groups []Estimate, tau2 float64) float64 {
	mu, _ := PooledMean(groups, tau2)
	q := 0.0
	for _, g := range groups {
		d := g.Effect - mu
		q += d / (g.Variance + tau2) * d
	}
	return q
}

// PooledMean is the mean of the groups' effects weighted by 1/(v_j + τ²), and
// its standard error 1/√Σw, both in the effects' unit. Taken in the order given.
// It refuses nothing: the caller has checked the groups.
// Source: the weighted mean [calc].
func PooledMean(groups []Estimate, tau2 float64) (mu, se float64) {
	sumW, sumWY := 0.0, 0.0
	for _, g := range groups {
		w := 1 / (g.Variance + tau2)
		sumW += w
		sumWY += float64(w * g.Effect)
	}
	return sumWY / sumW, math.Sqrt(1 / sumW)
}

// poolable refuses what cannot be pooled.
func poolable(groups []Estimate, least int) error {
	if len(groups) < least {
		return Refuse(TooFew, "/groups", "", "%d groups are fewer than %d", len(groups), least)
	}
	for j, g := range groups {
		if err := Finite(at("/groups", j)+"/effect", g.Effect, "the effects' unit"); err != nil {
			return err
		}
		if err := Positive(at("/groups", j)+"/variance", g.Variance, "the effects' unit squared"); err != nil {
			return err
		}
	}
	return nil
}
