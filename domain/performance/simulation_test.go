package performance

import (
	"math"
	"math/rand/v2"
	"testing"
)

// The promises that no single example shows, over many invented programs
// with a known truth (fixed seed): few jobs do not win by luck, intervals
// cover, flags ring at the printed rate. The bounds are three standard errors
// or more beyond what this seed gives; the figures are in the comments.
func TestPromisesOverManyWorlds(t *testing.T) {
	const (
		worlds = 300
		tau    = 0.10
		few    = 8 // contractors with three jobs, of 40
	)
	r := rand.New(rand.NewPCG(20261001, 6))
	var byPercent, byIndex, byPooled, own, pooled, contractors float64
	for range worlds {
		w := world{sigma: .40, classes: []string{"single", "double", "triple"}}
		for c := range 40 {
			w.effects = append(w.effects, tau*r.NormFloat64())
			if c < few {
				w.counts = append(w.counts, 3)
			} else {
				w.counts = append(w.counts, 10+r.IntN(40))
			}
		}
		c := w.compare(t, r)
		mean, jobs := 0.0, 0
		for i, n := range w.counts {
			mean += float64(n) * w.effects[i]
			jobs += n
		}
		mean /= float64(jobs)

		var percent, index, drawn []float64
		for i, x := range c.Contractors { // by id: no names
			truth := math.Exp(w.effects[i] - mean)
			a := x.Adjusted
			percent = append(percent, -*x.Pooled.Ratio)
			index = append(index, *a.Index)
			drawn = append(drawn, a.Shrunk.Index)
			own += indicator(*a.Low <= truth && truth <= *a.High)
			pooled += indicator(a.Shrunk.Low <= truth && truth <= a.Shrunk.High)
			contractors++
		}
		byPercent += indicator(first(percent) < few)
		byIndex += indicator(first(index) < few)
		byPooled += indicator(first(drawn) < few)
	}
	t.Logf("a three-job contractor first: by percent %.3f, by own index %.3f, pooled %.4f", byPercent/worlds, byIndex/worlds, byPooled/worlds)
	t.Logf("coverage of 95 %% intervals: own %.4f, pooled %.4f", own/contractors, pooled/contractors)
	if got := byPercent / worlds; got < .45 || got > .75 {
		t.Errorf("by crude percent a three-job contractor is first in %.3f of worlds; the trap should be there", got)
	}
	if got := byPooled / worlds; got >= .02 {
		t.Errorf("pooled, a three-job contractor is first in %.4f of worlds, 2 %% are allowed", got)
	}
	for name, got := range map[string]float64{"own": own / contractors, "pooled": pooled / contractors} {
		if got < .93 || got > .97 {
			t.Errorf("%s intervals cover %.4f, 0.93 to 0.97 is allowed", name, got)
		}
	}
}

// However few contractors there are and however much they differ, the intervals
// cover, averaged over contractors and worlds, as they say. Where contractors
// hardly differ (τ = .05, that is 5 %) eight or twelve of them cannot tell so:
// the pooled intervals are then wider than they need be. A belief uniform in τ
// would make these right, and cover 91 % where forty contractors differ so little.
func TestIntervalsCover(t *testing.T) {
	const contractors = 2400
	r := rand.New(rand.NewPCG(20261003, 6))
	for _, k := range []int{2, 4, 8, 12, 40} {
		for _, tau := range []float64{.05, .10, .20} {
			own, pooled := 0.0, 0.0
			for range contractors / k {
				w := world{sigma: .40, classes: []string{"single", "double"}}
				mean, jobs := 0.0, 0
				for jobs < minModelJobs {
					w.effects, w.counts, mean, jobs = nil, nil, 0, 0
					for range k {
						effect, n := tau*r.NormFloat64(), 3+r.IntN(58)
						w.effects, w.counts = append(w.effects, effect), append(w.counts, n)
						mean += float64(n) * effect
						jobs += n
					}
				}
				mean /= float64(jobs)
				for i, x := range w.compare(t, r).Contractors {
					truth := math.Exp(w.effects[i] - mean)
					a := x.Adjusted
					own += indicator(*a.Low <= truth && truth <= *a.High)
					pooled += indicator(a.Shrunk.Low <= truth && truth <= a.Shrunk.High)
				}
			}
			most := .97
			if tau == .05 && (k == 8 || k == 12) {
				most = .985
			}
			t.Logf("%2d contractors, τ = %.2f: own %.4f, pooled %.4f", k, tau, own/contractors, pooled/contractors)
			if got := own / contractors; got < .93 || got > .97 {
				t.Errorf("%d contractors, τ = %v: own intervals cover %.4f, 0.93 to 0.97 is allowed", k, tau, got)
			}
			if got := pooled / contractors; got < .93 || got > most {
				t.Errorf("%d contractors, τ = %v: pooled intervals cover %.4f, 0.93 to %v is allowed", k, tau, got, most)
			}
		}
	}
}

// Where all contractors are alike, the share outside is what the page prints.
func TestFalseFlagsAtThePrintedRate(t *testing.T) {
	const worlds = 200
	r := rand.New(rand.NewPCG(20261002, 6))
	var watch, outer, expectedWatch, expectedOuter, review, listed, contractors float64
	for range worlds {
		w := world{effects: make([]float64, 40), sigma: .40, classes: []string{"single", "double"}}
		for range 40 {
			w.counts = append(w.counts, 3+r.IntN(30))
		}
		c := w.compare(t, r)
		p := c.Model.Pool
		watch += float64(p.WatchCount)
		outer += float64(p.OuterCount)
		expectedWatch += p.ExpectedWatchCount
		expectedOuter += p.ExpectedOuterCount
		anyListed := false
		for _, x := range c.Contractors {
			review += indicator(x.Adjusted.Standing.Review)
			anyListed = anyListed || x.Adjusted.Standing.Listed
			contractors++
		}
		listed += indicator(anyListed)
	}
	t.Logf("outside 95 %%: %.0f, printed %.0f; outside 99.8 %%: %.0f, printed %.1f; reviews %.0f; worlds with a listed one %.3f",
		watch, expectedWatch, outer, expectedOuter, review, listed/worlds)
	if math.Abs(watch-expectedWatch) > .15*expectedWatch {
		t.Errorf("outside 95 %%: %v, printed %v", watch, expectedWatch)
	}
	if math.Abs(outer-expectedOuter) > 3*math.Sqrt(expectedOuter) {
		t.Errorf("outside 99.8 %%: %v, printed %v", outer, expectedOuter)
	}
	if review > 3 || listed/worlds > .09 {
		t.Errorf("of contractors all alike %v are up for review, and %.3f of worlds list one", review, listed/worlds)
	}
}

func (w world) compare(t *testing.T, r *rand.Rand) Comparison {
	c, err := Compare(w.jobs(r), october, nil)
	if err != nil || c.Model.Reason != "" {
		t.Fatal(err, c.Model.Reason)
	}
	return c
}

// first is the index of the smallest value, or one past the end when several
// share it: nobody then stands first.
func first(values []float64) int {
	least, at, shared := math.Inf(1), -1, false
	for i, v := range values {
		switch {
		case v < least:
			least, at, shared = v, i, false
		case v == least:
			shared = true
		}
	}
	if shared {
		return len(values)
	}
	return at
}
