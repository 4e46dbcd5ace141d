package stat

import "math"

// NotSorted is the code for values that should ascend and do not.
const NotSorted = "not_sorted"

// Quantile is the p-quantile of values in ascending order, in their unit, by
// linear interpolation between order statistics: type 7 of Hyndman and Fan,
//
//	h = p·(n − 1),  j = ⌊h⌋,  value = x_j + (h − j)·(x_{j+1} − x_j)
//
// with x_0 … x_{n−1}. Spreadsheets call it PERCENTILE or PERCENTILE.INC, and
// Postgres percentile_cont computes this form in this order of operations, so
// the three agree to the last bit. The algebraically equal (1−g)·x_j + g·x_{j+1}
// does not.
//
// Refused: no values (too_few), p outside 0 … 1 (out_of_range, /probability),
// values not finite or not ascending (/values/i), neighbors further apart
// than a float64 holds (no_answer).
// Source: Hyndman & Fan, The American Statistician 50 (1996) 361 [mem].
func Quantile(sorted []float64, p float64) (float64, error) {
	if len(sorted) == 0 {
		return 0, Refuse(TooFew, "/values", "", "a quantile needs at least 1 value")
	}
	if err := Within("/probability", p, 0, 1, "probability"); err != nil {
		return 0, err
	}
	if err := ascending(sorted); err != nil {
		return 0, err
	}
	q := quantile7(sorted, p)
	if math.IsInf(q, 0) {
		return 0, Refuse(NoAnswer, "/values", "", "neighboring values lie too far apart for a float64")
	}
	return q, nil
}

// quantile7 is Quantile of values already found in order.
func quantile7(sorted []float64, p float64) float64 {
	j, part := QuantileRank(len(sorted), p)
	if part == 0 {
		return sorted[j]
	}
	return sorted[j] + float64(part*(sorted[j+1]-sorted[j]))
}

// QuantileRank says of which of n values Quantile is made: x_j + part·(x_{j+1} −
// x_j), and x_j alone where part is 0. p is a probability and part a fraction,
// no unit; n is at least 1. Source: Hyndman & Fan (1996), type 7 [mem].
func QuantileRank(n int, p float64) (j int, part float64) {
	h := p * float64(n-1)
	j = int(math.Floor(h))
	if j >= n-1 {
		return n - 1, 0
	}
	return j, h - float64(j)
}

func ascending(values []float64) error {
	for i, x := range values {
		if err := Finite(at("/values", i), x, "the values' unit"); err != nil {
			return err
		}
		if i > 0 && x < values[i-1] {
			return Refuse(NotSorted, at("/values", i), "sort the values first", "%v stands after %v", x, values[i-1])
		}
	}
	return nil
}
