package draws

import (
	"math"
	"testing"

	"ductledger/domain"
)

// Lohr's four supermarkets: two are drawn one after the other, without putting
// back, with chances that go by floor space. The book gives the chances of the
// pairs to four digits and the variance of the estimated total, 4383.6.
// Source: Lohr, Sampling: Design and Analysis, ch. 6 [mem].
func TestSupermarkets(t *testing.T) {
	size := []float64{1. / 16, 2. / 16, 3. / 16, 10. / 16}
	sales := []float64{11, 20, 24, 245} // thousand dollars, 300 in all
	together := func(i, k int) float64 {
		return size[i]*size[k]/(1-size[i]) + size[k]*size[i]/(1-size[k])
	}
	for _, c := range []struct {
		i, k int
		want float64
	}{{0, 1, .0173}, {0, 2, .0269}, {0, 3, .1458}, {1, 2, .0556}, {1, 3, .2976}, {2, 3, .4567}} {
		if p := together(c.i, c.k); math.Abs(p-c.want) > 5e-5 {
			t.Fatalf("shops %d and %d: %.4f, the book has %.4f", c.i, c.k, p, c.want)
		}
	}
	chance := make([]float64, 4)
	for i := range chance {
		for k := range chance {
			if k != i {
				chance[i] += together(i, k)
			}
		}
	}
	// Over all samples, each as often as it comes: the totals' mean is the true
	// one, their variance the book's, and so is the mean of what variance says.
	var mean, square, estimated float64
	for i := range size {
		for k := i + 1; k < len(size); k++ {
			p, pair := together(i, k), []int{i, k}
			total := sales[i]/chance[i] + sales[k]/chance[k]
			mean += p * total
			square += p * total * total
			estimated += p * variance([]float64{sales[i], sales[k]}, []float64{chance[i], chance[k]},
				func(a, b int) float64 { return together(pair[a], pair[b]) })
		}
	}
	if math.Abs(mean-300) > 1e-9 {
		t.Errorf("the totals are %v on average, want 300", mean)
	}
	if v := square - mean*mean; math.Abs(v-4383.6) > 0.05 {
		t.Errorf("the totals' variance is %.2f, the book has 4383.6", v)
	}
	if math.Abs(estimated-4383.6) > 0.05 {
		t.Errorf("the variance is estimated as %.2f on average, the book has 4383.6", estimated)
	}
}

// valued gives each drawn job the value that of says.
func valued(jobs []Job, of func(*Job) float64) map[domain.UUID]float64 {
	values := map[domain.UUID]float64{}
	for i := range jobs {
		if jobs[i].Drawn() {
			values[jobs[i].JobID] = of(&jobs[i])
		}
	}
	return values
}

// With part A alone the design is a stratified simple draw, whose total is
// Σ N·ȳ and whose variance Σ N²(1 − n/N) s²/n.
// Source: Cochran, Sampling Techniques (1977) theorems 5.1, 5.3, 5.4 [mem].
func TestStratifiedDraw(t *testing.T) {
	jobs := draw(t, secret, append(stratumOf(1, 12), stratumOf(2, 30)...), Design{SharePercent: 25})
	y := func(j *Job) float64 { n := int(j.JobID[15]); return float64(n*n%17) / 4 }
	total, err := Total(jobs, valued(jobs, y))
	if err != nil {
		t.Fatal(err)
	}
	wantTotal, wantVariance := 0.0, 0.0
	for _, stratum := range strata(jobs) {
		var n, sum, squares float64
		for _, j := range stratum {
			if j.Drawn() {
				n, sum, squares = n+1, sum+y(j), squares+y(j)*y(j)
			}
		}
		all := float64(len(stratum))
		wantTotal += all * sum / n
		wantVariance += all * all * (1 - n/all) * (squares - sum*sum/n) / (n - 1) / n
	}
	if math.Abs(total.Value-wantTotal) > 1e-9 || total.Variance == nil || math.Abs(*total.Variance-wantVariance) > 1e-9*wantVariance {
		t.Errorf("%+v (variance %v), Cochran's formulas give %v, variance %v", total, total.Variance, wantTotal, wantVariance)
	}
}

// A plain share of a draw by risk speaks of the risky jobs; the weighted one of
// all. One job in thirteen fails here, more often where the risk is high.
func TestWeightsTakeTheRiskOut(t *testing.T) {
	const seeds = 400
	candidates := append(stratumOf(1, 150, 1, 1, 1, 8), stratumOf(2, 150, 1, 1, 1, 8)...)
	fails := func(j *Job) float64 {
		if j.Risk > 1 && j.JobID[15]%4 == 0 && j.JobID[15]%13 < 4 {
			return 1
		}
		return 0
	}
	var truth, weighted, plain float64
	for s := range seeds {
		seed := append([]byte{byte(s), byte(s >> 8)}, secret...)
		jobs := draw(t, seed, candidates, Design{SharePercent: 5, TopUp: 30})
		values := valued(jobs, fails)
		rate, err := Rate(jobs, values)
		if err != nil {
			t.Fatal(err)
		}
		failed := 0.0
		for _, v := range values {
			failed += v
		}
		weighted, plain = weighted+rate.Value/seeds, plain+failed/float64(len(values))/seeds
		truth = 0
		for i := range jobs {
			truth += fails(&jobs[i]) / float64(len(jobs))
		}
	}
	if truth == 0 || math.Abs(weighted-truth) > 0.05*truth || plain < 1.5*truth {
		t.Errorf("true share %.4f, weighted %.4f, plain %.4f", truth, weighted, plain)
	}
}

func TestWhatEstimatesNeed(t *testing.T) {
	few := draw(t, secret, stratumOf(1, 5), DefaultDesign())
	rate, err := Rate(few, valued(few, func(*Job) float64 { return 1 }))
	if err != nil || rate.Value != 1 || rate.Variance != nil || rate.Reason != OneOfStratum {
		t.Errorf("one of five jobs: %+v, %v", rate, err)
	}
	all := draw(t, secret, stratumOf(1, 4), Design{SharePercent: 100})
	total, err := Total(all, valued(all, func(*Job) float64 { return 2 }))
	if err != nil || total.Value != 8 || total.Variance == nil || *total.Variance != 0 {
		t.Errorf("all four jobs: %+v, %v", total, err)
	}
	if _, err := Rate(nil, nil); err == nil {
		t.Error("a rate of no job was given")
	}
	if none, err := Total(nil, nil); err != nil || none.Value != 0 {
		t.Errorf("the total of no job: %+v, %v", none, err)
	}
	missing := valued(all, func(*Job) float64 { return 2 })
	delete(missing, all[2].JobID)
	if _, err := Total(all, missing); err == nil {
		t.Error("a drawn job without a value went unnoticed")
	}
	if _, err := Total(all, valued(all, func(*Job) float64 { return math.NaN() })); err == nil {
		t.Error("a value that is no number was taken")
	}
}
