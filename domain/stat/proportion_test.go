package stat

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

// wantCode fails unless err is a Refusal of that code.
func wantCode(t *testing.T, what string, err error, code string) {
	t.Helper()
	var r *Refusal
	if !errors.As(err, &r) || r.Code != code {
		t.Errorf("%s: %v, want a refusal %s", what, err, code)
	}
}

func wantInterval(t *testing.T, what string, got Interval, err error, low, high, tol float64) {
	t.Helper()
	if err != nil || math.Abs(got.Low-low) > tol || math.Abs(got.High-high) > tol {
		t.Errorf("%s: %+v, %v; want %v to %v", what, got, err, low, high)
	}
}

func TestProportions(t *testing.T) {
	const newcombe = "Newcombe, Statistics in Medicine 17 (1998) 857, table I [pub]"
	for _, c := range []struct {
		x, n          int
		wilson, exact [2]float64
		source        string
	}{
		{81, 263, [2]float64{.2553, .3662}, [2]float64{.2527, .3676}, newcombe},
		{0, 20, [2]float64{0, .1611}, [2]float64{0, .1684}, newcombe},
		{0, 1, [2]float64{0, .7935}, [2]float64{0, .9750}, "z²/(1+z²); 1 − .025 [calc]"},
		{2, 2, [2]float64{.3424, 1}, [2]float64{.1581, 1}, "2/(2+z²); √.025 [calc]"},
		{5, 5, [2]float64{.5655, 1}, [2]float64{.4782, 1}, "5/(5+z²); .025^(1/5) [calc]"},
	} {
		got, err := Wilson(c.x, c.n, 0.95)
		wantInterval(t, "Wilson, "+c.source, got, err, c.wilson[0], c.wilson[1], 5e-5)
		got, err = ClopperPearson(c.x, c.n, 0.95)
		wantInterval(t, "Clopper-Pearson, "+c.source, got, err, c.exact[0], c.exact[1], 5e-5)
	}
}

func TestProportionsRefuse(t *testing.T) {
	for name, c := range map[string]struct {
		x, n  int
		level float64
		code  string
	}{
		"no case":   {0, 0, .95, TooFew},
		"x above n": {3, 2, .95, OutOfRange},
		"x below 0": {-1, 2, .95, OutOfRange},
		"level 0":   {1, 2, 0, OutOfRange},
		"level NaN": {1, 2, math.NaN(), OutOfRange},
	} {
		_, err := Wilson(c.x, c.n, c.level)
		wantCode(t, "Wilson, "+name, err, c.code)
		_, err = ClopperPearson(c.x, c.n, c.level)
		wantCode(t, "Clopper-Pearson, "+name, err, c.code)
	}
}

// Counting failures in place of passes mirrors both intervals, and the exact
// one holds the share itself.
func TestProportionsMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 500).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		for name, f := range map[string]func(int, int, float64) (Interval, error){"Wilson": Wilson, "exact": ClopperPearson} {
			a, errA := f(x, n, .95)
			b, errB := f(n-x, n, .95)
			if errA != nil || errB != nil || math.Abs(a.Low-(1-b.High)) > 1e-9 || math.Abs(a.High-(1-b.Low)) > 1e-9 {
				t.Fatalf("%s of %d/%d: %+v and %+v, %v %v", name, x, n, a, b, errA, errB)
			}
			share := float64(x) / float64(n)
			if a.Low < 0 || a.High > 1 || a.Low > share+1e-12 || a.High < share-1e-12 {
				t.Fatalf("%s of %d/%d: %+v", name, x, n, a)
			}
		}
	})
}

// The exact interval covers at least the level, at every true rate: the
// promise for which it is used. Summed over all outcomes, no draw.
func TestClopperPearsonCovers(t *testing.T) {
	const n = 12
	for rate := 0.01; rate < 1; rate += 0.01 {
		covered := 0.0
		for x := 0; x <= n; x++ {
			limits, err := ClopperPearson(x, n, .95)
			if err != nil {
				t.Fatal(err)
			}
			if limits.Low <= rate && rate <= limits.High {
				covered += binomialProb(x, n, rate)
			}
		}
		if covered < .95 {
			t.Errorf("rate %.2f: covered %.4f", rate, covered)
		}
	}
}

func TestObservedOverExpected(t *testing.T) {
	for _, c := range []struct {
		observed  int
		low, high float64
	}{
		{10, 4.795, 18.390}, {0, 0, 3.689},
	} {
		// Source: exact Poisson limits, standard tables [mem]; E = 2 scales them.
		got, err := ObservedOverExpected(c.observed, 2, .95)
		wantInterval(t, "Poisson limits", got, err, c.low/2, c.high/2, 3e-4)
	}
	_, err := ObservedOverExpected(3, .99, .95)
	wantCode(t, "too little expected", err, OutOfRange)
	_, err = ObservedOverExpected(-1, 5, .95)
	wantCode(t, "negative count", err, Negative)
	_, err = ObservedOverExpected(1, math.Inf(1), .95)
	wantCode(t, "infinite", err, NotFinite)
}
