package stat

import (
	"math"
	"testing"
)

// Weights of risk-adjusted charts. At odds halved and the risk of logit −3.67 + .077·19 a case
// that passed adds .05083 (documentation of a published package for such charts, after Rigdon &
// Fricker 2015 [pub]). Steiner et al. 2000 p. 446 [mem], logit −3.68 + .077·score: at odds doubled,
// score 0 adds −.024 and .669, score 50 −.433 and .260.
func TestCUSUMWeight(t *testing.T) {
	risk := func(at, score float64) float64 { return 1 / (1 + math.Exp(at-.077*score)) }
	for _, c := range []struct {
		p, odds float64
		failed  bool
		want    float64
		within  float64
	}{{risk(3.67, 19), .5, false, .05083, 5e-6}, {risk(3.68, 0), 2, false, -.024, 1e-3}, {risk(3.68, 0), 2, true, .669, 1e-3}, {risk(3.68, 50), 2, false, -.433, 1e-3}, {risk(3.68, 50), 2, true, .260, 1e-3}} {
		if got, err := CUSUMWeight(c.p, c.odds, c.failed); err != nil || math.Abs(got-c.want) > c.within {
			t.Errorf("%+v: %.5f (%v)", c, got, err)
		}
	}
}

// Mean run lengths of the two-sided chart of a normal mean with k = .5: h = 4: 168 in control and 8.38
// at a shift of one standard deviation, h = 5: 10.4; one side alone runs twice as long in
// control, and at the shift the other is silent. Montgomery, Introduction to Statistical
// Quality Control; Lucas & Crosier, Technometrics 24 (1982) 199 [mem].
func TestCUSUMRunLength(t *testing.T) {
	normal := func(shift float64) (steps []CUSUMStep) {
		const each, n = .1, 130
		for i := range n {
			low := float64(i-n/2) * each
			steps = append(steps, CUSUMStep{low + each/2 + shift - .5, NormalCDF(low+each) - NormalCDF(low)})
		}
		steps[0].Chance += NormalCDF(-each * n / 2)
		steps[n-1].Chance += NormalCDF(-each * n / 2)
		return steps
	}
	for _, c := range []struct{ shift, limit, want float64 }{{0, 4, 2 * 168}, {1, 4, 8.38}, {1, 5, 10.4}} {
		if got, err := CUSUMRunLength(normal(c.shift), c.limit, math.Inf(1)); err != nil || math.Abs(got/c.want-1) > .006 {
			t.Errorf("%+v: %.2f (%v)", c, got, err)
		}
	}
	// A limit that one failure reaches rings at the first: 1/p cases [calc].
	if got, err := CUSUMRunLength([]CUSUMStep{{.6, .08}, {-.1, .92}}, .6, math.Inf(1)); err != nil || math.Abs(got-12.5) > 1e-6 {
		t.Errorf("one failure: %v (%v)", got, err)
	}
	// Where nothing comes down two failures ring at twice that [calc].
	if got, err := CUSUMRunLength([]CUSUMStep{{.6, .08}, {0, .92}}, 1.2, math.Inf(1)); err != nil || math.Abs(got-25) > 1e-6 {
		t.Errorf("two failures: %v (%v)", got, err)
	}
}

// The limit keeps the promise that it is chosen by, as a long run of a generator shows, and a
// hundredth less does not.
func TestCUSUMLimit(t *testing.T) {
	const p, odds, asked = .1, 2.0, 60.0
	limit, err := CUSUMLimit(p, odds, asked)
	if err != nil {
		t.Fatal(err)
	}
	fail, _ := CUSUMWeight(p, odds, true)
	pass, _ := CUSUMWeight(p, odds, false)
	steps := []CUSUMStep{{fail, p}, {pass, 1 - p}}
	at, err := CUSUMRunLength(steps, limit, math.Inf(1))
	below, errBelow := CUSUMRunLength(steps, limit-.01, math.Inf(1))
	if err != nil || errBelow != nil || at < asked || below >= asked {
		t.Fatalf("limit %v: %.2f cases, a hundredth below %.2f (%v, %v)", limit, at, below, err, errBelow)
	}
	weights, state := make([]float64, 400_000), uint64(20)
	for i := range weights {
		state = state*6364136223846793005 + 1442695040888963407
		if weights[i] = pass; float64(state>>11)/(1<<53) < p {
			weights[i] = fail
		}
	}
	points, err := CUSUM(weights, limit)
	if err != nil {
		t.Fatal(err)
	}
	signals := 0
	for _, s := range points {
		if s.Signal {
			signals++
		}
	}
	if simulated := float64(len(weights)) / float64(signals); math.Abs(simulated/at-1) > .05 {
		t.Errorf("%.1f cases between signals, computed %.1f", simulated, at)
	}
}

func TestCUSUMRefuses(t *testing.T) {
	fine := []CUSUMStep{{.6, .1}, {-.1, .9}}
	for name, f := range map[string]func() error{
		"no chance":       func() error { _, err := CUSUMWeight(0, 2, true); return err },
		"odds of 1":       func() error { _, err := CUSUMWeight(.1, 1, true); return err },
		"odds NaN":        func() error { _, err := CUSUMWeight(.1, math.NaN(), true); return err },
		"weight NaN":      func() error { _, err := CUSUM([]float64{math.NaN()}, 1); return err },
		"limit 0":         func() error { _, err := CUSUM(nil, 0); return err },
		"a run's limit":   func() error { _, err := CUSUMRunLength(fine, math.NaN(), 60); return err },
		"half the chance": func() error { _, err := CUSUMRunLength(fine[:1], 1, 60); return err },
		"a step of ∞":     func() error { _, err := CUSUMRunLength([]CUSUMStep{{math.Inf(1), 1}}, 1, 60); return err },
		"a chance of 2":   func() error { _, err := CUSUMRunLength([]CUSUMStep{{1, 2}}, 1, 60); return err },
		"only down":       func() error { _, err := CUSUMRunLength([]CUSUMStep{{-1, 1}}, 1, 60); return err },
		"run of 0":        func() error { _, err := CUSUMLimit(.1, 2, 0); return err },
		"run for ever":    func() error { _, err := CUSUMLimit(.1, 2, math.Inf(1)); return err },
	} {
		if f() == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
}
