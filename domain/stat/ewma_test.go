package stat

import (
	"math"
	"testing"
)

func TestEWMA(t *testing.T) {
	// NIST/SEMATECH e-Handbook 6.3.2.4 [pub]: λ = .3, target 50, σ = 2.0539.
	// Its limits are those for t → ∞, and it rounds on the way: worst .0048.
	x := []float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	points, err := EWMA(x, 50, 2.0539, .3, 3)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range points {
		if math.Abs(p.Value-want[i]) > .0055 || p.Signal {
			t.Errorf("point %d: %+v, want %v", i+1, p, want[i])
		}
	}
	if got := points[19].High; math.Abs(got-52.5884) > 1e-4 {
		t.Errorf("upper limit %v, want 52.5884", got)
	}
	// The first limit is λ·L·σ from the target [calc].
	if got, want := points[0].Low, 50-.3*3*2.0539; math.Abs(got-want) > 1e-12 {
		t.Errorf("first lower limit %v, want %v", got, want)
	}
}

// The published constants keep their promise: mean run lengths from the
// integral equation ℓ(u) = 1 + ∫ℓ(z)·φ((z − (1−λ)u)/λ − shift)/λ dz, solved by
// iteration on a grid. Lucas & Saccucci 1990 [mem]: 500 in control, 10.5 at a
// shift of one standard deviation, for L = 2.962 and limits for t → ∞.
func TestEWMARunLength(t *testing.T) {
	for _, c := range []struct{ shift, want, tol float64 }{{0, 500, 5}, {1, 10.5, .1}} {
		if got := runLength(t, c.shift); math.Abs(got-c.want) > c.tol {
			t.Errorf("shift %v: mean run length %.2f, want %v", c.shift, got, c.want)
		}
	}
}

func runLength(t *testing.T, shift float64) float64 {
	// After 200 points of nothing the limit is the final one.
	points, err := EWMA(make([]float64, 200), 0, 1, EWMALambda, EWMAWidth)
	if err != nil {
		t.Fatal(err)
	}
	limit := points[199].High
	const n = 101
	step := 2 * limit / n
	at := func(i int) float64 { return -limit + (float64(i)+.5)*step }
	var move [n][n]float64 // probability from cell i to cell j
	for i := range n {
		for j := range n {
			edge := func(z float64) float64 { return NormalCDF((z-(1-EWMALambda)*at(i))/EWMALambda - shift) }
			move[i][j] = edge(at(j)+step/2) - edge(at(j)-step/2)
		}
	}
	var length [n]float64
	for range 4000 {
		for i := range n {
			l := 1.0
			for j := range n {
				l += move[i][j] * length[j]
			}
			length[i] = l
		}
	}
	return length[n/2]
}

func TestEWMARefuses(t *testing.T) {
	for name, f := range map[string]func() error{
		"lambda 0":    func() error { _, err := EWMA([]float64{1}, 0, 1, 0, 3); return err },
		"lambda NaN":  func() error { _, err := EWMA([]float64{1}, 0, 1, math.NaN(), 3); return err },
		"sigma 0":     func() error { _, err := EWMA([]float64{1}, 0, 0, .2, 3); return err },
		"width 0":     func() error { _, err := EWMA([]float64{1}, 0, 1, .2, 0); return err },
		"value NaN":   func() error { _, err := EWMA([]float64{math.NaN()}, 0, 1, .2, 3); return err },
		"target inf":  func() error { _, err := EWMA(nil, math.Inf(1), 1, .2, 3); return err },
		"lambda of 2": func() error { _, err := EWMA([]float64{1}, 0, 1, 2, 3); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
	if points, err := EWMA(nil, 0, 1, .2, 3); len(points) != 0 || err != nil {
		t.Errorf("no values: %v, %v", points, err)
	}
}
