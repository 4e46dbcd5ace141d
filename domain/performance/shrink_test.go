package performance

import (
	"math"
	"strings"
	"testing"

	"ductledger/domain/stat"
)

// drawnAt draws the groups together at a τ that is known, against no program.
func drawnAt(groups []stat.Estimate, tau float64) (Pool, []Shrunk) {
	p := Pool{ContractorsCount: len(groups), Tau: tau, TauSource: TauEstimated}
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
// give θ = .0395, sd .092, and the sentence (e^(.0395 + 1.96·.092) = 1.25) [calc]. Many large contractors
// around 0 hold the mean there.
func TestThreeJobsInWords(t *testing.T) {
	effects := []effect{{id(1), 3, .25, .16 / 3, .16 / 3}}
	groups := []stat.Estimate{{Effect: .25, Variance: .16 / 3}}
	for range 20000 {
		groups = append(groups, stat.Estimate{Effect: 0, Variance: 1e-9})
	}
	p, shrunk := drawnAt(groups, .10)
	near(t, "theta", &shrunk[0].theta, .0395, 5e-5)
	a := adjustedOf(effects[0], 1.959964)
	near(t, "own low", a.Low, 1-.18, 5e-3)
	near(t, "own high", a.High, 1+1.02, 5e-3)
	a.Shrunk = &shrunk[0]
	a.Standing = &Standing{Side: sideOf(&shrunk[0])}
	want := "From 3 jobs: 4% more leakage left than expected for the same homes, range -13% to +25%: not distinguishable from the program."
	if got := a.say(&p); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// What is said of few contractors, and where none differ.
func TestPoolInWords(t *testing.T) {
	spread := func(r ...float64) []effect {
		effects := make([]effect, len(r))
		for i := range r {
			effects[i] = effect{id(i + 1), 40, r[i], .004, .004}
		}
		return effects
	}
	for _, c := range []struct {
		name    string
		effects []effect
		source  string
		tau     float64
		says    string
	}{
		{"two", spread(-.3, .3), TauPrior, .10, "With 2 contractors their true spread cannot be estimated; 10% is assumed for the outer limit, and the ranges allow for any other."},
		{"three", spread(-.3, 0, .3), TauPrior, .10, "With 3 contractors"},
		{"four", spread(0, 0, 0, 0), TauPrior, .10, "With 4 contractors"},
		{"five", spread(-.3, 0, .3, 0, 0), TauPrior, .10, "With 5 contractors"},
		{"six alike", spread(-.01, .01, 0, 0, -.01, .01), TauEstimated, 0, "No difference between contractors is detectable in these jobs. Of 6 contractors about 0.3 would"},
		// (.09·6/5 − .004) = .104, τ = .3225, e^τ − 1 = 38 % [calc]
		{"six apart", spread(-.3, .3, -.3, .3, -.3, .3), TauEstimated, math.Sqrt(.104), "Contractors truly differ by about 38%"},
	} {
		p, shrunk, err := shrink(c.effects, 1.959964)
		if err != nil {
			t.Fatal(err)
		}
		if p.TauSource != c.source || math.Abs(p.Tau-c.tau) > 1e-9 || !strings.HasPrefix(p.Statement, c.says) {
			t.Errorf("%s: %s τ %v: %s", c.name, p.TauSource, p.Tau, p.Statement)
		}
		if strings.Contains(p.Statement, "equal") {
			t.Errorf("%s: undetectable is not equal: %s", c.name, p.Statement)
		}
		for i, s := range shrunk {
			if c.tau == 0 && (math.Abs(s.theta) > math.Abs(c.effects[i].r)/2 || sideOf(&s) != NotDistinguishable) {
				t.Errorf("%s: t = %v of r = %v, %v to %v", c.name, s.theta, c.effects[i].r, s.Low, s.High)
			}
		}
	}
	if _, _, err := shrink(spread(.1), 1.959964); err == nil {
		t.Error("one contractor: no refusal")
	}
}
