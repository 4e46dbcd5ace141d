package triage

import (
	"math"
	"testing"
)

// Reductions 10, 20 … 200: the middle 105, the twentieths 19.5 and 190.5, by quantiles of
// type 7, h = p(n − 1) [calc].
func TestExpect(t *testing.T) {
	var homes []Sealed
	for i := range 20 {
		homes = append(homes, Sealed{"double", 400, 400 - 10*float64(i+1)}, Sealed{"broken reading", 0, 5})
	}
	e := Learn(homes)
	near := func(what string, got *float64, want float64) {
		t.Helper()
		if got == nil || math.Abs(*got-want) > 1e-9 {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	x := e.Expect("double", 0, 0)
	near("middle", x.ReductionCFM25, 105)
	near("low", x.LowCFM25, 19.5)
	near("high", x.HighCFM25, 190.5)
	if x.N != 20 || x.Alike != "class" || x.BelowStartRatio != nil {
		t.Errorf("%+v", x)
	}
	x = e.Expect("triple", 200, 500) // no triple: all; half the leakage, half the reduction
	near("middle of 200 cfm25", x.ReductionCFM25, 52.5)
	near("below the start", x.BelowStartRatio, 1)
	if x.Alike != "all" {
		t.Errorf("%+v", x)
	}
	if x := Learn(homes[:30]).Expect("double", 0, 0); x.Reason != "too_few" || x.N != 15 || x.ReductionCFM25 != nil {
		t.Errorf("fifteen homes: %+v", x)
	}
}

// Nine of ten further homes lie in the range, and the middle is as often above as below.
func TestSimulatedExpectation(t *testing.T) {
	state := uint64(7)
	next := func() float64 { // the sum of twelve, near to normal
		sum := -6.0
		for range 12 {
			state = state*6364136223846793005 + 1442695040888963407
			sum += float64(state>>11) / (1 << 53)
		}
		return sum
	}
	home := func() Sealed {
		before := 150 * math.Exp(.6*next())
		return Sealed{"single", before, before * math.Exp(-.9+.3*next())}
	}
	inside, above, worlds := 0, 0, 2000
	for range worlds {
		var homes []Sealed
		for range 100 {
			homes = append(homes, home())
		}
		x, further := Learn(homes).Expect("single", 0, 0), home()
		brought := further.Before - further.After
		if *x.LowCFM25 <= brought && brought <= *x.HighCFM25 {
			inside++
		}
		if brought > *x.ReductionCFM25 {
			above++
		}
	}
	if inside < 1720 || inside > 1850 || above < 930 || above > 1070 {
		t.Errorf("of %d homes %d lie inside, %d above the middle", worlds, inside, above)
	}
}
