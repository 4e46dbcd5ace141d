package stat

import (
	"math"
	"testing"
)

// Newcombe's differences, method 10. Source: Newcombe, Statistics in Medicine 17
// (1998) 873, table II [mem].
func TestRateContrast(t *testing.T) {
	for _, c := range []struct {
		x1, n1, x2, n2  int
		want, low, high float64
	}{
		{56, 70, 48, 80, .2, .0524, .3339},
		{9, 10, 3, 10, .6, .1705, .8090},
		{5, 56, 0, 29, .0893, -.0381, .1926},
		{0, 10, 0, 20, 0, -.1611, .2775},
	} {
		value, limits, err := RateContrast([]RateTerm{{1, c.x1, c.n1}, {-1, c.x2, c.n2}}, .95)
		if err != nil || math.Abs(value-c.want) > 5e-5 || math.Abs(limits.Low-c.low) > 5e-5 || math.Abs(limits.High-c.high) > 5e-5 {
			t.Errorf("%d/%d − %d/%d: %.4f, %.4f to %.4f, %v; want %.4f, %.4f to %.4f", c.x1, c.n1, c.x2, c.n2, value, limits.Low, limits.High, err, c.want, c.low, c.high)
		}
	}
	one, limits, err := RateContrast([]RateTerm{{1, 81, 263}}, .95) // a proportion alone: Wilson's, Newcombe 1998 [pub]
	if err != nil || math.Abs(one-.3080) > 5e-5 || math.Abs(limits.Low-.2553) > 5e-5 || math.Abs(limits.High-.3662) > 5e-5 {
		t.Errorf("81 of 263: %v, %+v, %v", one, limits, err)
	}
	terms := []RateTerm{{1, 2, 10}, {-1, 6, 10}, {-1, 4, 40}, {1, 3, 40}}
	plus, a, err := RateContrast(terms, .95)
	if err != nil || math.Abs(plus-(.2-.6-.1+.075)) > 1e-12 {
		t.Errorf("a difference of differences: %v, %v", plus, err)
	}
	for i := range terms {
		terms[i].Sign = -terms[i].Sign
	}
	minus, b, err := RateContrast(terms, .95)
	if err != nil || math.Abs(plus+minus) > 1e-12 || math.Abs(a.Low+b.High) > 1e-12 || math.Abs(a.High+b.Low) > 1e-12 {
		t.Errorf("turned round: %v %+v, %v %+v, %v", plus, a, minus, b, err)
	}
	for _, bad := range [][]RateTerm{nil, {{1, 1, 0}}, {{1, 3, 2}}} {
		if _, _, err := RateContrast(bad, .95); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}
