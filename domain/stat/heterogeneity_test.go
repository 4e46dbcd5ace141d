package stat

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The other two estimators of τ² are cross-checks only: published sets give
// all three, so a slip in the data shows.

// derSimonianLaird is the moment estimator.
func derSimonianLaird(groups []Estimate) float64 {
	var s1, s2 float64
	for _, g := range groups {
		s1 += 1 / g.Variance
		s2 += 1 / g.Variance / g.Variance
	}
	return max(0, (GeneralizedQ(groups, 0)-float64(len(groups)-1))/(s1-s2/s1))
}

// restrictedLikelihood finds the root of the REML score by bisection.
func restrictedLikelihood(groups []Estimate) float64 {
	score := func(tau2 float64) float64 {
		mu, se := PooledMean(groups, tau2)
		var s float64
		for _, g := range groups {
			w, d := 1/(g.Variance+tau2), g.Effect-mu
			s += w*w*d*d - w + w*w*se*se
		}
		return s
	}
	if score(0) <= 0 {
		return 0
	}
	low, high := 0.0, 1.0
	for score(high) > 0 {
		high *= 2
	}
	for range 200 {
		mid := (low + high) / 2
		if score(mid) > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

func estimates(y, v []float64) []Estimate {
	groups := make([]Estimate, len(y))
	for i := range y {
		groups[i] = Estimate{y[i], v[i]}
	}
	return groups
}

// bcg are the log relative risks of the 13 BCG trials (Colditz et al., JAMA
// 271 (1994) 698; counts recalled from the metafor package's dat.bcg [mem]).
func bcg() []Estimate {
	var groups []Estimate
	for _, c := range [][4]float64{
		{4, 119, 11, 128}, {6, 300, 29, 274}, {3, 228, 11, 209}, {62, 13536, 248, 12619}, {33, 5036, 47, 5761},
		{180, 1361, 372, 1079}, {8, 2537, 10, 619}, {505, 87886, 499, 87892}, {29, 7470, 45, 7232},
		{17, 1699, 65, 1600}, {186, 50448, 141, 27197}, {5, 2493, 3, 2338}, {27, 16886, 29, 17825},
	} {
		n1, n2 := c[0]+c[1], c[2]+c[3]
		groups = append(groups, Estimate{math.Log(c[0] / n1 / (c[2] / n2)), 1/c[0] - 1/n1 + 1/c[2] - 1/n2})
	}
	return groups
}

func TestHeterogeneity(t *testing.T) {
	ten := estimates([]float64{-.581, .530, .771, 1.031, .553, .295, .078, .573, -.176, -.232},
		[]float64{.023, .052, .060, .115, .095, .203, .200, .211, .051, .040})
	strokes := estimates([]float64{-20, -2, -55, -71, -4, 1, 11, -10, 7},
		[]float64{40.5863, 2.0468, 15.2809, 150.2222, 20.1923, 1.2235, 95.3756, 8.0321, 20.6936})
	var schools []Estimate
	for _, s := range [][2]float64{{28, 15}, {8, 10}, {-3, 16}, {7, 11}, {-1, 9}, {1, 11}, {18, 10}, {12, 18}} {
		schools = append(schools, Estimate{s[0], s[1] * s[1]})
	}
	const (
		viechtbauer = "Viechtbauer, J. Educ. Behav. Stat. 30 (2005) 261, p. 271; tests of metafor [pub]"
		colditz     = "tests of metafor on dat.bcg [pub]; Paule-Mandel [mem]"
		normand     = "Normand, Statistics in Medicine 18 (1999) 321, tables VIII-IX; tests of metafor [pub]"
		gelman      = "Gelman et al., Bayesian Data Analysis, eight schools [pub]"
	)
	mean := func(groups []Estimate, tau2 float64) float64 { mu, _ := PooledMean(groups, tau2); return mu }
	pm := func(groups []Estimate) float64 {
		tau2, err := PauleMandel(groups)
		if err != nil {
			t.Fatal(err)
		}
		return tau2
	}
	_, schoolsSE := PooledMean(schools, 0)
	for _, c := range []struct {
		name           string
		got, want, tol float64
		source         string
	}{
		{"ten studies, Paule-Mandel", pm(ten), .1920, 5e-5, viechtbauer},
		{"ten studies, DerSimonian-Laird", derSimonianLaird(ten), .2768, 5e-5, viechtbauer},
		{"ten studies, REML", restrictedLikelihood(ten), .2232, 5e-5, viechtbauer},
		{"BCG, Paule-Mandel", pm(bcg()), .3181, 5e-5, colditz},
		{"BCG, DerSimonian-Laird", derSimonianLaird(bcg()), .3088, 5e-5, colditz},
		{"BCG, REML", restrictedLikelihood(bcg()), .3132, 5e-5, colditz},
		{"BCG, REML mean", mean(bcg(), restrictedLikelihood(bcg())), -.7145, 5e-5, colditz},
		{"BCG, mean at τ² = 0", mean(bcg(), 0), -.4303, 5e-5, colditz},
		{"BCG, Q", GeneralizedQ(bcg(), 0), 152.2330, 5e-5, colditz},
		{"strokes, DerSimonian-Laird", derSimonianLaird(strokes), 218.72, 5e-3, normand},
		{"strokes, its mean", mean(strokes, derSimonianLaird(strokes)), -14.0972, 5e-5, normand},
		{"strokes, REML", restrictedLikelihood(strokes), 685.197, 1e-3, normand},
		{"strokes, mean at τ² = 0", mean(strokes, 0), -3.494, 5e-4, normand},
		{"schools, Paule-Mandel", pm(schools), 0, 0, gelman},
		{"schools, mean", mean(schools, 0), 7.7, .05, gelman},
		{"schools, variance of the mean", schoolsSE * schoolsSE, 16.6, .05, gelman},
	} {
		if math.Abs(c.got-c.want) > c.tol {
			t.Errorf("%s: %.7g, want %.7g (%s)", c.name, c.got, c.want, c.source)
		}
	}
}

// With equal variances the root has a closed form: the variance of the
// effects less v, or 0.
func TestPauleMandelEqualVariances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		effects := rapid.SliceOfN(rapid.Float64Range(-2, 2), 2, 40).Draw(t, "effects")
		v := rapid.Float64Range(.001, 2).Draw(t, "v")
		var groups []Estimate
		sum := 0.0
		for _, y := range effects {
			groups = append(groups, Estimate{y, v})
			sum += y
		}
		mean, squares := sum/float64(len(effects)), 0.0
		for _, y := range effects {
			squares += (y - mean) * (y - mean)
		}
		want := max(0, squares/float64(len(effects)-1)-v)
		got, err := PauleMandel(groups)
		if err != nil || math.Abs(got-want) > 1e-9 {
			t.Fatalf("τ² = %v, %v; want %v", got, err, want)
		}
	})
}

func TestPauleMandelRefuses(t *testing.T) {
	_, err := PauleMandel([]Estimate{{1, 1}})
	wantCode(t, "one group", err, TooFew)
	_, err = PauleMandel([]Estimate{{1, 1}, {2, 0}})
	wantCode(t, "no variance", err, NotPositive)
	_, err = PauleMandel([]Estimate{{1, 1}, {math.NaN(), 1}})
	wantCode(t, "NaN", err, NotFinite)
	if _, err := PauleMandel([]Estimate{{1e200, 1}, {-1e200, 1}}); err == nil {
		t.Error("effects whose squares overflow: no refusal")
	}
}
