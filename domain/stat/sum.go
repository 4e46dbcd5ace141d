package stat

import "math"

// Sum adds x[0] + x[1] + … in that order, in the values' unit. The empty sum is
// 0. It refuses nothing: NaN gives NaN.
//
// Its error grows with the length: for totals of many floats use SumCompensated or,
// better, add integers. Source: the definition [calc].
func Sum(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s
}

// SumCompensated adds in the given order and carries the digits that each
// addition lost (Neumaier's form of Kahan's sum):
//
//	t = s + v;  c += (s − t) + v  where |s| ≥ |v|,  else (v − t) + s;  result s + c
//
// In the values' unit; the empty sum is 0. A sum beyond float64 is an infinity,
// as in Sum: the caller that may meet one refuses it.
//
// Source: A. Neumaier, Z. Angew. Math. Mech. 54 (1974) 39–51 [mem].
func SumCompensated(x []float64) float64 {
	s, c := 0.0, 0.0
	for _, v := range x {
		t := s + v
		if math.Abs(s) >= math.Abs(v) {
			c += (s - t) + v
		} else {
			c += (v - t) + s
		}
		s = t
	}
	if !IsFinite(s) {
		return s // c is NaN by now and would hide the infinity
	}
	return s + c
}
