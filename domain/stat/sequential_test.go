package stat

import (
	"math"
	"testing"
)

// NIST/SEMATECH e-Handbook 6.2.6 [mem]: p1 = .01, p2 = .10, α = .05, β = .10 give h1 = .939,
// h2 = 1.205, s = .0397; two failures of two reject, no failure accepts from 24 on, where
// three reject.
func TestSequentialPlan(t *testing.T) {
	p, err := Sequential(.01, .10, .05, .10)
	if err != nil || math.Abs(p.Good-.939) > 5e-4 || math.Abs(p.Bad-1.205) > 5e-4 || math.Abs(p.Slope-.0397) > 6e-5 {
		t.Fatalf("%+v, %v", p, err)
	}
	for _, c := range []struct {
		n, failures int
		want        SequentialDecision
	}{{1, 1, SequentialMore}, {2, 2, SequentialBad}, {23, 0, SequentialMore}, {24, 0, SequentialGood}, {24, 2, SequentialMore}, {24, 3, SequentialBad}} {
		if got := p.After(c.n, c.failures); got != c.want {
			t.Errorf("%d of %d: %s, want %s", c.failures, c.n, got, c.want)
		}
	}
}

// The errors hold what Wald's inequalities promise, α' ≤ α/(1−β) and β' ≤ β/(1−α) (Sequential
// Analysis, 3.2 [mem]): chances by going through all counts of failures, case by case [calc].
func TestSequentialErrors(t *testing.T) {
	const good, bad, alpha, beta = .05, .20, .05, .10
	p, err := Sequential(good, bad, alpha, beta)
	if err != nil {
		t.Fatal(err)
	}
	run := func(rate float64) (said map[SequentialDecision]float64, looks float64) {
		said, open := map[SequentialDecision]float64{}, map[int]float64{0: 1}
		for n := 1; len(open) > 0; n++ {
			next := map[int]float64{}
			for d, chance := range open {
				looks += chance
				for failed, share := range []float64{1 - rate, rate} {
					if says := p.After(n, d+failed); says == SequentialMore {
						next[d+failed] += chance * share
					} else {
						said[says] += chance * share
					}
				}
			}
			open = next
		}
		return said, looks
	}
	fine, fineLooks := run(good)
	poor, poorLooks := run(bad)
	if fine[SequentialBad] > alpha/(1-beta) || poor[SequentialGood] > beta/(1-alpha) {
		t.Errorf("of good ones %.4f called bad, of bad ones %.4f good", fine[SequentialBad], poor[SequentialGood])
	}
	if fine[SequentialUndecided] > .01 || poor[SequentialUndecided] > .01 {
		t.Errorf("undecided at the end: %.4f and %.4f", fine[SequentialUndecided], poor[SequentialUndecided])
	}
	if single := float64(p.Most) / 3; fineLooks >= single || poorLooks >= single { // it saves cases, which is what it is for
		t.Errorf("%.1f and %.1f cases on average, %v by the single plan", fineLooks, poorLooks, single)
	}
}

// The least plan is a plan, and none with a case fewer is [calc].
func TestSinglePlan(t *testing.T) {
	n := singlePlan(.05, .20, .05, .10)
	fits := func(n int) bool {
		for c := range n {
			if binomialCDF(c, n, .05) >= .95 && binomialCDF(c, n, .20) <= .10 {
				return true
			}
		}
		return false
	}
	if !fits(n) || fits(n-1) {
		t.Errorf("%d", n)
	}
}

func TestSequentialRefuses(t *testing.T) {
	for _, bad := range [][4]float64{{.1, .1, .05, .1}, {0, .1, .05, .1}, {.1, 1, .05, .1}, {.01, .1, 0, .1}, {.01, .1, .05, .5}, {.01, .1, math.NaN(), .1}, {math.NaN(), .1, .05, .1}} {
		if _, err := Sequential(bad[0], bad[1], bad[2], bad[3]); err == nil {
			t.Errorf("%v was taken", bad)
		}
	}
}
