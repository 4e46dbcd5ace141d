package stat

import (
	"math"
	"math/big"
	"testing"
)

// The lady tasting tea, Fisher 1935: 8 cups, 4 of one kind, 4 named; all four
// right 1/70, three or more 17/70 = .2429 [pub].
func TestHypergeometricTail(t *testing.T) {
	for _, c := range []struct {
		x, n, K, N int
		want       float64
	}{
		{4, 4, 4, 8, 1.0 / 70}, {3, 4, 4, 8, 17.0 / 70}, {0, 4, 4, 8, 1}, {5, 4, 4, 8, 0},
		{2, 3, 3, 4, 1},            // at least two of three must be drawn [calc]
		{0, 0, 0, 0, 1},            // nothing drawn
		{1, 1, 1, 100000, 0.00001}, // [calc]
	} {
		if got := HypergeometricTail(c.x, c.n, c.K, c.N); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("P(X ≥ %d; %d of %d, %d) = %v, want %v", c.x, c.n, c.K, c.N, got, c.want)
		}
	}
}

// Jobs to look at without a failure, for one job in ten and one in twenty. Source: the
// least n with C(N−D, n)/C(N, n) ≤ .05, in whole numbers [calc].
func TestDiscoveryCount(t *testing.T) {
	for _, c := range []struct{ N, tenth, twentieth int }{
		{20, 16, 19}, {50, 22, 31}, {100, 25, 45}, {200, 27, 51}, {500, 28, 56}, {1000, 29, 57},
	} {
		for share, want := range map[float64]int{.1: c.tenth, .05: c.twentieth} {
			n, err := DiscoveryCount(c.N, share, .95)
			if err != nil || n != want {
				t.Errorf("%v of %d: %d, %v; want %d", share, c.N, n, err, want)
			}
			bad := int64(math.Ceil(share*float64(c.N) - 1e-9))
			missed := func(n int64) float64 {
				chance, _ := new(big.Rat).SetFrac(new(big.Int).Binomial(int64(c.N)-bad, n), new(big.Int).Binomial(int64(c.N), n)).Float64()
				return chance
			}
			if missed(int64(n)) > .05 || missed(int64(n)-1) <= .05 {
				t.Errorf("%v of %d: %d is not the least", share, c.N, n)
			}
		}
	}
	for _, bad := range []func() (int, error){
		func() (int, error) { return DiscoveryCount(0, .1, .95) },
		func() (int, error) { return DiscoveryCount(10, 0, .95) },
		func() (int, error) { return DiscoveryCount(10, .1, 1) },
	} {
		if n, err := bad(); err == nil {
			t.Errorf("%d was given", n)
		}
	}
}

// Operating characteristics. A lot of 50 with 5 failing ones passes 8 looked at and
// none failed with .40149 [calc]; of the plan (52, 3) the NIST/SEMATECH handbook, section
// 6.2.3.2, tells .998 .980 .930 .845 .739 .620 .502 .394 .300 .223 .162 .115 for shares of
// .01 to .12 in an endless lot, of which .845 and .739 are cut off and not rounded [mem].
func TestAcceptanceChance(t *testing.T) {
	if got := AcceptanceChance(8, 0, 5, 50); math.Abs(got-.40149) > 5e-6 {
		t.Errorf("50, 8, 0, 5: %.6f", got)
	}
	const lot = 100_000_000
	for i, want := range []float64{.998, .980, .930, .845, .739, .620, .502, .394, .300, .223, .162, .115} {
		if got := AcceptanceChance(52, 3, (i+1)*lot/100, lot); math.Abs(got-want) > 1.1e-3 {
			t.Errorf("%d %% of an endless lot: %.4f, want %.3f", i+1, got, want)
		}
	}
}

// Of the plan (52, 3) the handbook tells .930 accepted where 3 % fail: four or more are
// the rest, .070. NIST/SEMATECH 6.2.3.2 [mem]; 3 of 3 coins 1/8 [calc].
func TestBinomialTail(t *testing.T) {
	for _, c := range []struct {
		x, n         int
		p, want, tol float64
	}{{4, 52, .03, .070, 5e-4}, {3, 3, .5, .125, 1e-12}, {0, 0, .5, 1, 0}, {1, 5, 0, 0, 0}, {5, 5, 1, 1, 0}} {
		if got, err := BinomialTail(c.x, c.n, c.p); err != nil || math.Abs(got-c.want) > c.tol {
			t.Errorf("P(X ≥ %d of %d, %v) = %v, %v; want %v", c.x, c.n, c.p, got, err, c.want)
		}
	}
	for _, c := range []struct {
		x, n int
		p    float64
	}{{2, 1, .5}, {-1, 1, .5}, {1, 1, 1.5}, {1, 1, math.NaN()}} {
		if got, err := BinomialTail(c.x, c.n, c.p); err == nil {
			t.Errorf("%+v gave %v", c, got)
		}
	}
}
