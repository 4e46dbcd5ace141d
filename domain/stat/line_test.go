package stat_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"ductledger/domain/stat"
	"pgregory.net/rapid"
)

func TestSums(t *testing.T) {
	for _, c := range []struct {
		name        string
		in          []float64
		plain, want float64
		source      string
	}{
		{"none", nil, 0, 0, "the empty sum"},
		{"lost one", []float64{1, 1e100, 1, -1e100}, 0, 2, "Neumaier's own example [mem]"},
		{"ten tenths", slices.Repeat([]float64{0.1}, 10), 0.9999999999999999, 1, "IEEE 754 arithmetic [calc]"},
	} {
		if got := stat.Sum(c.in); got != c.plain {
			t.Errorf("%s: Sum = %v, want %v (%s)", c.name, got, c.plain, c.source)
		}
		if got := stat.SumCompensated(c.in); got != c.want {
			t.Errorf("%s: SumCompensated = %v, want %v (%s)", c.name, got, c.want, c.source)
		}
	}
	if got := stat.SumCompensated([]float64{math.MaxFloat64, math.MaxFloat64}); !math.IsInf(got, 1) {
		t.Errorf("a sum beyond float64 is %v, want +Inf", got)
	}
}

func TestFitsRefuse(t *testing.T) {
	line := func(x, y []float64) error { _, err := stat.FitLine(x, y, 0); return err }
	nan := math.NaN()
	for _, c := range []struct {
		name           string
		err            error
		code, argument string
	}{
		{"one point", line([]float64{1}, []float64{1}), stat.TooFew, "/x"},
		{"lengths", line([]float64{1, 2}, []float64{1}), stat.NotComplete, "/y"},
		{"NaN", line([]float64{1, 2}, []float64{1, nan}), stat.NotFinite, "/y/1"},
		{"no spread", line([]float64{2, 2, 2}, []float64{1, 2, 3}), stat.NoSpread, "/x"},
		{"squares beyond float64", line([]float64{1e200, -1e200, 3}, []float64{1, 2, 3}), stat.NoAnswer, ""},
	} {
		var r *stat.Refusal
		if !errors.As(c.err, &r) || r.Code != c.code || r.Argument != c.argument {
			t.Errorf("%s: got %v, want %s at %q", c.name, c.err, c.code, c.argument)
		}
	}
}

// Two points give their line exactly, and say that no error is known.
func TestTwoPoints(t *testing.T) {
	l, err := stat.FitLine([]float64{1, 3}, []float64{5, 9}, 2)
	if err != nil || l.Slope != 2 || l.Intercept != 7 || l.At(0) != 3 || l.DegreesOfFreedom != 0 || l.SlopeSE != 0 {
		t.Errorf("got %+v, %v", l, err)
	}
}

// A fit follows a shift and a scale of y; the origin moves only the intercept;
// the inputs stay as they were.
func TestFitFollowsScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfNDistinct(rapid.Float64Range(-10, 10), 3, 12, func(v float64) int { return int(v * 4) }).Draw(t, "x")
		y := rapid.SliceOfN(rapid.Float64Range(-10, 10), len(x), len(x)).Draw(t, "y")
		a, b := rapid.Float64Range(-5, 5).Draw(t, "a"), rapid.Float64Range(0.5, 5).Draw(t, "b")
		keepX, keepY := slices.Clone(x), slices.Clone(y)
		l, err := stat.FitLine(x, y, 0)
		if err != nil {
			t.Skip(err)
		}
		if !slices.Equal(x, keepX) || !slices.Equal(y, keepY) {
			t.Fatal("the inputs were changed")
		}
		moved := make([]float64, len(y))
		for i := range y {
			moved[i] = a + b*y[i]
		}
		m, err := stat.FitLine(x, moved, 3)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range [][2]float64{{m.Slope, b * l.Slope}, {m.Intercept, a + b*l.At(3)}, {m.SlopeSE, b * l.SlopeSE}, {m.InterceptSE, b * l.SEAt(3)}} {
			if math.Abs(c[0]-c[1]) > 1e-9*(1+math.Abs(c[1])) {
				t.Fatalf("got %v, want %v", c[0], c[1])
			}
		}
	})
}
