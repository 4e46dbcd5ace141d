package stat

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestFunnelRate(t *testing.T) {
	// Spiegelhalter's interpolation at rate .074 and n = 10, upper 99.9 %: .385
	// against .330 of the normal limit [calc].
	got, err := FunnelRate(.074, 10, .998)
	wantInterval(t, "ten cases", got, err, 0, .385, 5e-4)

	// By hand at n = 2, rate ½: F = ¼, ¾, 1. At p = .25 exactly, r = 1 and the
	// limit (1 − (¾−¼)/½)/2 = 0; at p = .75, r = 2: (2 − ¼/¼)/2 = ½ [calc].
	got, err = FunnelRate(.5, 2, .5)
	wantInterval(t, "two cases", got, err, 0, .5, 1e-12)
}

// Many cases bring the exact limits to the normal ones.
func TestFunnelRateNearsNormal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(.1, .9).Draw(t, "rate")
		n := rapid.IntRange(20000, 200000).Draw(t, "n")
		got, err := FunnelRate(rate, n, .95)
		half := 1.959964 * math.Sqrt(rate*(1-rate)/float64(n))
		if err != nil || math.Abs(got.Low-(rate-half)) > 1.2/float64(n)+1e-9 || math.Abs(got.High-(rate+half)) > 1.2/float64(n)+1e-9 {
			t.Fatalf("rate %v, n %d: %+v, %v; normal %v to %v", rate, n, got, err, rate-half, rate+half)
		}
	})
}

func TestOverdispersion(t *testing.T) {
	// O/E of six groups, z = √E·ln(O/E): φ = 2.948033 (tests of FunnelPlotR [pub]).
	var z []float64
	for _, c := range [][2]float64{{100, 108}, {150, 112}, {180, 165}, {80, 95}, {120, 100}, {225, 220}} {
		z = append(z, math.Sqrt(c[1])*math.Log(c[0]/c[1]))
	}
	got, err := Overdispersion(z, 0)
	if err != nil || math.Abs(got-2.948033) > 5e-7 {
		t.Errorf("φ = %.7f, %v", got, err)
	}
	// −1 … 3 drawn in to the quarter points 0 and 2: (0+0+1+4+4)/5 [calc].
	got, err = Overdispersion([]float64{3, -1, 0, 1, 2}, .25)
	if err != nil || got != 1.8 {
		t.Errorf("drawn in: %v, %v", got, err)
	}
}

func TestFunnelRefuses(t *testing.T) {
	_, err := FunnelRate(.5, 5, 1)
	wantCode(t, "level 1", err, OutOfRange)
	_, err = FunnelRate(0, 5, .95)
	wantCode(t, "rate 0", err, OutOfRange)
	_, err = FunnelRate(.5, 0, .95)
	wantCode(t, "no case", err, TooFew)
	_, err = Overdispersion(nil, .1)
	wantCode(t, "no effects", err, TooFew)
	_, err = Overdispersion([]float64{math.NaN()}, .1)
	wantCode(t, "NaN", err, NotFinite)
	_, err = Overdispersion([]float64{1}, .6)
	wantCode(t, "trim", err, OutOfRange)
}
