package stat

import (
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestBenjaminiHochberg(t *testing.T) {
	// Benjamini & Hochberg 1995, section 3.2 [pub]: 4 of 15 at q = .05, where
	// Bonferroni's .05/15 would leave 3.
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1}
	marked, err := BenjaminiHochberg(p, .05)
	want := make([]bool, len(p))
	want[0], want[1], want[2], want[3] = true, true, true, true
	if err != nil || !slices.Equal(marked, want) {
		t.Errorf("marked %v, %v", marked, err)
	}

	if marked, err := BenjaminiHochberg(nil, .05); len(marked) != 0 || err != nil {
		t.Errorf("nothing: %v, %v", marked, err)
	}
	// The second alone fails its own step, .04 > .025, but passes at the
	// second, .04 ≤ .05; both are marked [calc].
	if marked, _ := BenjaminiHochberg([]float64{.04, .03}, .05); !slices.Equal(marked, []bool{true, true}) {
		t.Errorf("step up: %v", marked)
	}
	_, err = BenjaminiHochberg([]float64{1.5}, .05)
	wantCode(t, "p above 1", err, OutOfRange)
	_, err = BenjaminiHochberg(p, 1)
	wantCode(t, "q of 1", err, OutOfRange)
}

func TestBenjaminiHochbergOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOf(rapid.Float64Range(0, .2)).Draw(t, "p")
		count := func(values []float64, q float64) int {
			marked, err := BenjaminiHochberg(values, q)
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for i, m := range marked {
				if m {
					n++
				}
				for j := range marked { // a smaller p-value is never passed over
					if m && values[j] <= values[i] && !marked[j] {
						t.Fatalf("%v marked, %v not", values[i], values[j])
					}
				}
			}
			return n
		}
		n := count(p, .05)
		if other := count(rapid.Permutation(p).Draw(t, "order"), .05); other != n {
			t.Fatalf("%d marked, %d in another order", n, other)
		}
		if more := count(p, .10); more < n {
			t.Fatalf("%d marked at q = .05, %d at .10", n, more)
		}
	})
}
