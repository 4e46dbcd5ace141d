package stat

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mathext"
)

// Where all variances are v, the share 1 − B = v/(v + τ²) that the mean takes is
// a gamma variable of shape (K − 3)/2 and rate S/2v, cut off to v/(v + most) … 1:
// its mean is James and Stein's (K − 3)·v/S times a ratio of incomplete gamma
// functions. Source: Morris, J. Am. Stat. Assoc. 78 (1983) 47 [mem]; the gamma
// functions by gonum. The hits of Efron and Morris, Sci. Am. 1977 [pub], on the
// scale of rates.
func TestBeliefOfEqualVariances(t *testing.T) {
	hits := []float64{18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7}
	for _, k := range []int{4, 5, 8, 18} {
		groups := make([]Estimate, k)
		mean := 0.0
		for i := range groups {
			groups[i] = Estimate{hits[i*18/k] / 45, .2654 * .7346 / 45}
			mean += groups[i].Effect / float64(k)
		}
		v, s := groups[0].Variance, 0.0
		for _, g := range groups {
			s += (g.Effect - mean) * (g.Effect - mean)
		}
		const most = 1.0
		shape, rate := float64(k-3)/2, s/2/v
		between := func(a float64) float64 {
			return mathext.GammaIncReg(a, rate) - mathext.GammaIncReg(a, rate*v/(v+most))
		}
		want := shape / rate * between(shape+1) / between(shape)

		belief, err := SpreadBelief(groups, most)
		if err != nil {
			t.Fatal(err)
		}
		got, total := 0.0, 0.0
		for _, n := range belief {
			got += n.Weight * v / (v + n.Variance)
			total += n.Weight
		}
		if math.Abs(got-want) > 2e-4 || math.Abs(total-1) > 1e-12 {
			t.Errorf("%d groups: the mean takes %.6f, in closed form %.6f; weights add up to %v", k, got, want, total)
		}
	}
}

// Two groups of variances v and w that agree: their difference has the variance
// s = v + w + 2τ², whose density is then s^−½ between v + w and v + w + 2·most,
// with the mean (b^1.5 − a^1.5)/(√b − √a)/3 [calc].
func TestBeliefOfTwoGroups(t *testing.T) {
	belief, err := SpreadBelief([]Estimate{{.3, .01}, {.3, .05}}, 1)
	if err != nil {
		t.Fatal(err)
	}
	got := 0.0
	for _, n := range belief {
		got += n.Weight * (.06 + 2*n.Variance)
	}
	want := (math.Pow(2.06, 1.5) - math.Pow(.06, 1.5)) / (math.Sqrt(2.06) - math.Sqrt(.06)) / 3
	if math.Abs(got-want) > 1e-4 {
		t.Errorf("mean variance %.6f, in closed form %.6f", got, want)
	}
}

// With many groups the belief gathers at Paule and Mandel's estimate.
func TestBeliefOfManyGroups(t *testing.T) {
	var groups []Estimate
	for i := range 1000 {
		p := (float64(i) + .5) / 1000
		z, err := NormalQuantile(p)
		if err != nil {
			t.Fatal(err)
		}
		groups = append(groups, Estimate{z * math.Sqrt(.01+.02), .02})
	}
	tau2, err := PauleMandel(groups)
	if err != nil {
		t.Fatal(err)
	}
	belief, err := SpreadBelief(groups, 1)
	if err != nil {
		t.Fatal(err)
	}
	mean := 0.0
	for _, n := range belief {
		mean += n.Weight * n.Variance
	}
	if math.Abs(mean-tau2) > 5e-4 {
		t.Errorf("mean of τ² %v, Paule-Mandel %v", mean, tau2)
	}
}

func TestBeliefRefuses(t *testing.T) {
	two := []Estimate{{0, 1}, {1, 1}}
	if _, err := SpreadBelief(two[:1], 1); err == nil {
		t.Error("one group: no refusal")
	}
	if _, err := SpreadBelief(two, 0); err == nil {
		t.Error("no room for τ²: no refusal")
	}
	if _, err := SpreadBelief([]Estimate{{0, 0}, {1, 1}}, 1); err == nil {
		t.Error("a variance of 0: no refusal")
	}
	if b, err := SpreadBelief(two, 1); err != nil || len(b) == 0 || b[0].Variance <= 0 || b[len(b)-1].Variance >= 1 {
		t.Error(b, err)
	}
}
