package stat

import (
	"math"
	"testing"
)

// NIST/SEMATECH e-Handbook 6.3.3.2 [pub]: 30 samples of 50; center .2313, limits .4103 and .0524
// (the page rounds first), beyond them the samples 15 and 23.
func TestPChart(t *testing.T) {
	var groups []PChartPoint
	for _, failed := range []int{12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6} {
		groups = append(groups, PChartPoint{N: 50, Failed: failed})
	}
	center, points, err := PChart(groups)
	if err != nil || math.Abs(center-.2313) > 5e-5 || math.Abs(points[0].High-.4103) > 1e-4 || math.Abs(points[0].Low-.0524) > 1e-4 || points[0].Exact {
		t.Fatalf("%.5f, %+v, %v", center, points[0], err)
	}
	for i, p := range points {
		if p.Signal != (i == 14 || i == 22) {
			t.Errorf("sample %d: %+v", i+1, p)
		}
	}
}

// Of small groups the normal limits are wrong: of ten at a share of .074 the upper exact limit of
// 99.8 % is .385, the normal one .330 (Spiegelhalter 2005 [mem], at FunnelRate).
func TestPChartOfFew(t *testing.T) {
	center, points, err := PChart([]PChartPoint{{N: 10, Failed: 3}, {N: 990, Failed: 71}})
	if err != nil || math.Abs(center-.074) > 1e-12 || !points[0].Exact || points[0].Signal || points[1].Exact || points[0].High < .35 {
		t.Errorf("%v, %+v, %v", center, points, err)
	}
	for _, none := range []int{0, 8} { // nobody failed, or all
		if _, points, err := PChart([]PChartPoint{{N: 4, Failed: none / 2}, {N: 4, Failed: none / 2}}); err != nil || points[0].Signal || points[0].Exact {
			t.Errorf("%+v, %v", points, err)
		}
	}
	for _, bad := range [][]PChartPoint{nil, {{N: 0}}, {{N: 2, Failed: 3}}, {{N: 2, Failed: -1}}} {
		if _, _, err := PChart(bad); err == nil {
			t.Errorf("%+v was taken", bad)
		}
	}
}
