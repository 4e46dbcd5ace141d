package stat

import (
	"math"
	"sort"
	"strconv"

	"gonum.org/v1/gonum/mathext"
)

// MedianRank is the largest rank l ≥ 1 for which the interval from the l-th
// smallest to the l-th largest of n values covers the median with at least
// the probability level, and the coverage that it truly has, as fractions:
//
//	2·P(B ≤ l−1) ≤ 1 − level,  coverage = 1 − 2·P(B ≤ l−1),  B ~ Binomial(n, ½)
//
// At a level of 0.95 none exists below n = 6 (n = 5 reaches 0.9375).
//
// Refused: level outside (0, 1) (/level), n too small for the level (too_few, /values).
// Source: order-statistic limits, e.g. Conover, Practical Nonparametric Statistics [mem].
func MedianRank(n int, level float64) (rank int, coverage float64, err error) {
	if err := levelInside(level); err != nil {
		return 0, 0, err
	}
	alpha := 1 - level
	// The tail grows with the rank, so the first rank that fails ends the search.
	rank = sort.Search((n+1)/2, func(k int) bool { return 2*halfBinomialCDF(k, n) > alpha })
	if n < 1 || rank == 0 {
		return 0, 0, Refuse(TooFew, "/values", "", "%d values cannot bound a median at level %v", max(n, 0), level)
	}
	return rank, 1 - 2*halfBinomialCDF(rank-1, n), nil
}

// exactTail is the greatest n at which 2^n is still a float64, so that the
// tail can be summed from binomial coefficients; up to n = 53 without rounding.
const exactTail = 1000

// halfBinomialCDF is P(B ≤ k) for B ~ Binomial(n, ½), 0 ≤ k < n.
func halfBinomialCDF(k, n int) float64 {
	if n > exactTail {
		return mathext.RegIncBeta(float64(n-k), float64(k+1), 0.5)
	}
	choose, sum := 1.0, 1.0 // C(n, 0) and the running sum of C(n, i)
	for i := 1; i <= k; i++ {
		choose = choose * float64(n-i+1) / float64(i)
		sum += choose
	}
	return math.Ldexp(sum, -n)
}

func levelInside(level float64) error {
	if !(level > 0 && level < 1) {
		return Refuse(OutOfRange, "/level", "0.95 is usual", "%v is not between 0 and 1, both excluded", level)
	}
	return nil
}

// at is the JSON Pointer of one element of a list.
func at(list string, i int) string { return list + "/" + strconv.Itoa(i) }
