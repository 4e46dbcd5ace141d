package performance

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

func TestWideIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Logarithms in steps stay below 2^50: ln of the largest reading is 14.
		steps := rapid.Int64Range(-1<<50, 1<<50)
		pairs := rapid.SliceOf(rapid.Custom(func(t *rapid.T) [2]int64 {
			return [2]int64{steps.Draw(t, "a"), steps.Draw(t, "b")}
		})).Draw(t, "pairs")
		var sum wide
		want := new(big.Int)
		for i, p := range pairs {
			v := new(big.Int).Mul(big.NewInt(p[0]), big.NewInt(p[1]))
			if i%3 == 2 {
				sum.sub(product(p[0], p[1]))
				want.Sub(want, v)
			} else {
				sum.add(product(p[0], p[1]))
				want.Add(want, v)
			}
		}
		if sum.big().Cmp(want) != 0 {
			t.Fatalf("sum %v, want %v", sum.big(), want)
		}
	})
}

func TestWideOf(t *testing.T) {
	for _, v := range []int64{0, 1, -1, math.MaxInt64, math.MinInt64} {
		if got := wideOf(v).big(); got.Cmp(big.NewInt(v)) != 0 {
			t.Errorf("wideOf(%d) = %v", v, got)
		}
	}
}

// The centered sum of products must survive values that differ in their last
// steps only, where Σab − ΣaΣb/n in floats loses every digit.
func TestCenteredDoesNotCancel(t *testing.T) {
	var a, aa wide
	base := int64(10) << logBits
	for _, v := range []int64{base, base + 2, base + 4} {
		a.add(wideOf(v))
		aa.add(product(v, v))
	}
	if got, want := centered(3, aa, a, a), math.Ldexp(8, -2*logBits); got != want {
		t.Errorf("centered = %g, want %g", got, want)
	}
}

// Rounded once, as math/big rounds.
func TestWideToFloat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := wide{hi: rapid.Int64().Draw(t, "hi") >> rapid.UintRange(0, 63).Draw(t, "less"), lo: rapid.Uint64().Draw(t, "lo")}
		if rapid.Bool().Draw(t, "near a middle") {
			w.lo = w.lo>>40<<40 | uint64(rapid.IntRange(0, 1).Draw(t, "last"))
		}
		want, _ := new(big.Float).SetInt(w.big()).Float64()
		if got := w.float(0); got != want {
			t.Fatalf("%v as a float is %v, want %v", w.big(), got, want)
		}
	})
}
