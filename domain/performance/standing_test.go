package performance

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"ductledger/domain/stat"
)

// drawnAt draws the groups together at a τ that is known, against no program.
func drawnAt(groups []stat.Estimate, tau float64) (Pool, []Shrunk) {
	p := Pool{ContractorsCount: len(groups), Tau: tau, PowerIndex: powerIndex, Difference: Difference{Shown: true}}
	return p, p.draw(groups, make([]float64, len(groups)), []stat.SpreadNode{{Variance: tau * tau, Weight: 1}}, 1.959964)
}

// Raudenbush 1985, 19 studies of teacher expectancy: estimates drawn together
// at the REML τ² of .0188, mean .0837. Source: tests of metafor quoting
// Raudenbush's chapter, pp. 83-86 [pub]; the inputs recalled [mem].
func TestPublishedShrinkage(t *testing.T) {
	y := []float64{.03, .12, -.14, 1.18, .26, -.06, -.02, -.32, .27, .80, .54, .18, -.02, .23, -.18, -.06, .30, .07, -.07}
	v := []float64{.0156, .0216, .0279, .1391, .1362, .0106, .0106, .0484, .0269, .0630, .0912, .0497, .0835, .0841, .0253, .0279, .0193, .0088, .0303}
	groups := make([]stat.Estimate, len(y))
	for i := range y {
		groups[i] = stat.Estimate{Effect: y[i], Variance: v[i]}
	}
	p, shrunk := drawnAt(groups, math.Sqrt(.0188))
	near(t, "mean", &p.Mean, .0837, 6e-5)
	for i, want := range []float64{.0543, .1006, -.0064, .2144, .1051} {
		near(t, "study", &shrunk[i].theta, want, 3e-4) // τ² is known to 5·10⁻⁵, which moves the fourth by 2.4·10⁻⁴
	}
	q := stat.GeneralizedQ(groups, 0)
	near(t, "Q", &q, 35.8295, 5e-5)
}

// Own weight B = τ²/(τ² + σ²/n) at τ = .10, σ = .40 by number of jobs [calc].
func TestOwnWeight(t *testing.T) {
	for _, c := range []struct {
		n    float64
		want float64
	}{{1, .06}, {3, .16}, {10, .38}, {50, .76}, {200, .93}} {
		_, s := drawnAt([]stat.Estimate{{Effect: .2, Variance: .16 / c.n}, {Effect: 0, Variance: .01}}, .10)
		near(t, "weight", &s[0].Weight, c.want, 5e-3)
	}
}

// The worked case of three jobs that left 28 % more: r = .25, σ = .40, τ = .10
// give θ = .0395, sd .092, and e^(.0395 ∓ 1.96·.092) = .87 and 1.25 [calc]: no
// word of it compares, since three jobs may not. Many large contractors around 0
// hold the mean there.
func TestThreeJobsInWords(t *testing.T) {
	own := effect{contractor: id(1), n: 3, r: .25, v: .16 / 3, own: .16 / 3}
	groups := []stat.Estimate{{Effect: .25, Variance: .16 / 3}}
	for range 20000 {
		groups = append(groups, stat.Estimate{Effect: 0, Variance: 1e-9})
	}
	p, shrunk := drawnAt(groups, .10)
	near(t, "theta", &shrunk[0].theta, .0395, 5e-5)
	a := adjustedOf(own, 1.959964)
	near(t, "own low", a.Low, 1-.18, 5e-3)
	near(t, "own high", a.High, 1+1.02, 5e-3)
	a.Shrunk = &shrunk[0]
	a.Standing = &Standing{Side: NotDistinguishable}
	want := "From 3 jobs: index 1.04, range 0.87 to 1.25: too wide a range for a comparison. " +
		"A review hardly ever finds a difference of 35% from so many jobs."
	if got := a.say(&p); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	a.Standing.Comparison = true
	want = "From 3 jobs: 4% more leakage left than expected for the same homes, range -13% to +25%: not distinguishable from the program. " +
		"A review hardly ever finds one with 3 jobs who truly leaves 35% more."
	if got := a.say(&p); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// Without comparison wording no sentence compares, whatever else is true.
func TestNoWordCompares(t *testing.T) {
	for _, watch := range []bool{false, true} {
		for _, shown := range []bool{false, true} {
			p := Pool{PowerIndex: powerIndex, Difference: Difference{Shown: shown}}
			a := Adjusted{N: 12, Shrunk: &Shrunk{Index: 1.3, Low: 1.1, High: 1.6}, Standing: &Standing{Watch: watch, Side: LeavesMore}}
			said := a.say(&p)
			for _, word := range []string{"more", "less", "than", "program", "expected"} {
				if strings.Contains(said, word) {
					t.Errorf("%q in %s", word, said)
				}
			}
		}
	}
}

// What is said of all together follows the test, in the words of the groups.
func TestPoolInWords(t *testing.T) {
	p := Pool{ContractorsCount: 40, Tau: .095, TauLow: .04, TauHigh: .16, ExpectedWatchCount: 2, WatchCount: 3}
	want := "These figures cannot tell the 40 crew leads apart, which does not say that they are equal. Of 40 about 2.0 stand outside the 95% limits by chance alone, and 3 do."
	if got := p.say("crew leads"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	p.Difference.Shown = true
	want = "The contractors differ beyond chance (a test at 5%), by about 10% in the leakage left, range 4% to 17% (one standard deviation). Of 40 about 2.0 stand outside the 95% limits by chance alone, and 3 do."
	if got := p.say("contractors"); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if _, _, err := shrink([]effect{{n: 40, r: .1, v: .004, own: .004}}, 1.959964); err == nil {
		t.Error("one contractor: no refusal")
	}
}

// The pooled index follows from what is published, by the formula at BeliefNode.
func TestPooledIndexFromPublishedNumbers(t *testing.T) {
	w := world{effects: []float64{.3, 0, -.2, .1, 0, -.1, 0}, counts: []int{3, 40, 25, 12, 60, 31, 6}, sigma: .4, classes: []string{"single", "double"}}
	c := w.compare(t, rand.New(rand.NewPCG(4, 18)))
	for _, x := range c.Contractors {
		sum, weights, own := 0.0, 0.0, 0.0
		for _, node := range c.Model.Pool.Belief {
			b := node.Tau2 / (node.Tau2 + *x.Adjusted.Variance)
			sum += node.Weight * (node.Mean + b*(math.Log(*x.Adjusted.Index)-node.Mean) - node.Shift)
			weights += node.Weight
			own += node.Weight * b
		}
		near(t, "weights", &weights, 1, 1e-12)
		near(t, "pooled index", &x.Adjusted.Shrunk.Index, math.Exp(sum), 1e-12)
		near(t, "own weight", &x.Adjusted.Shrunk.Weight, own, 1e-12)
		near(t, "reliability", &x.Adjusted.Standing.Reliability, own, 1e-12)
	}
}

// standingsOf places contractors 1, 2, … with effects r and jobs n at σ = .40,
// τ = .10, v = σ²/n.
func standingsOf(t *testing.T, r []float64, n []int64) ([]Standing, Pool) {
	t.Helper()
	var effects []effect
	var groups []stat.Estimate
	for i := range r {
		v := .16 / float64(n[i])
		effects = append(effects, effect{contractor: id(i + 1), n: n[i], r: r[i], v: v, own: v})
		groups = append(groups, stat.Estimate{Effect: r[i], Variance: v})
	}
	p, shrunk := drawnAt(groups, .10)
	s, err := stand(effects, shrunk, &p, 1e7)
	if err != nil {
		t.Fatal(err)
	}
	return s, p
}

// Limits at n = 16: ± 1.960·.1 and ± 3.090·.1; with τ ± 3.090·√.02 = .437 [calc].
func TestStanding(t *testing.T) {
	r := []float64{0, .19, .20, .30, .32, .45, -.65, .9, .28}
	n := []int64{16, 16, 16, 16, 16, 16, 16, 9, 400}
	s, p := standingsOf(t, r, n)
	for i, want := range []struct {
		name                              string
		outside, outer, confirmed, review bool
	}{
		{"at the program", false, false, false, false},
		{"just inside 95 %", false, false, false, false},
		{"just outside 95 %", true, false, false, false},
		{"just inside 99.8 %", true, false, false, false},
		{"outside 99.8 %, not beyond the spread", true, true, false, false},
		{"outside all, more", true, true, true, true},
		{"outside all, less", true, true, true, true},
		{"outside all, nine jobs", true, true, true, false},
		{"a large one within the spread", true, true, false, false},
	} {
		if got := s[i]; got.Outside != want.outside || got.Outer != want.outer || got.Confirmed != want.confirmed || got.Review != want.review {
			t.Errorf("%s: %+v", want.name, got)
		}
	}
	for i := range s { // one ladder: nothing contradicts anything
		if g := &s[i]; g.Watch != (g.Side != NotDistinguishable) || g.Watch && !g.Outside || g.Listed && !g.Watch || g.Review && !g.Listed {
			t.Errorf("contractor %d: %+v", i, *g)
		}
	}
	if p.WatchCount != 7 || p.OuterCount != 5 {
		t.Errorf("outside: %d and %d", p.WatchCount, p.OuterCount)
	}
	near(t, "expected outside 95 %", &p.ExpectedWatchCount, .45, 1e-12)
	near(t, "expected outside 99.8 %", &p.ExpectedOuterCount, .018, 1e-12)
}

// A large contractor 3 % away is far outside and yet not worth a letter.
func TestImmaterialIsNotReviewed(t *testing.T) {
	s, _ := standingsOf(t, []float64{.045, 0, 0, 0}, []int64{4000, 4000, 4000, 4000})
	if !s[0].Outer || s[0].conditions || s[0].Review {
		t.Errorf("%+v", s[0])
	}
}

// Two successive periods on one side confirm; two sides do not.
func TestConfirm(t *testing.T) {
	at := func(r float64) *Comparison {
		s, _ := standingsOf(t, []float64{r, 0, 0}, []int64{16, 100, 100})
		c := &Comparison{}
		for i := range s {
			c.Contractors = append(c.Contractors, Contractor{ContractorID: id(i + 1), Adjusted: Adjusted{Standing: &s[i]}})
		}
		return c
	}
	for _, c := range []struct {
		name          string
		before, after float64
		want          bool
	}{
		{"twice outside", .34, .34, true},
		{"outside on the other side", -.34, .34, false},
		{"inside before", .25, .34, false},
		{"inside now", .34, .25, false},
	} {
		now := at(c.after)
		now.Confirm(at(c.before))
		if got := now.Contractors[0].Adjusted.Standing.Review; got != c.want {
			t.Errorf("%s: review %v", c.name, got)
		}
	}
}

// Reliability at τ = .10, σ = .40 reaches .5 at 16 jobs, .7 at 38, .9 at 144
// (formula of Adams, RAND TR-653, 2009 [pub]; counts [calc]).
func TestNaming(t *testing.T) {
	n := []int64{1, 4, 5, 9, 10, 16, 37, 38, 144}
	s, _ := standingsOf(t, make([]float64, len(n)), n)
	for i, want := range []string{NamedNotOutside, NamedNotOutside, NamedInsideOnly, NamedInsideOnly, NamedWithItsSpan, NamedWithItsSpan} {
		if s[i].Naming != want {
			t.Errorf("%d jobs: %s, want %s", n[i], s[i].Naming, want)
		}
	}
	near(t, "16 jobs", &s[5].Reliability, .5, 1e-12)
	near(t, "144 jobs", &s[8].Reliability, .9, 1e-12)
	if s[6].Comparison || !s[7].Comparison {
		t.Errorf("comparison wording at 37: %v, at 38: %v", s[6].Comparison, s[7].Comparison)
	}
}
