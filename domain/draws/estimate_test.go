package draws

import (
	"math"
	"math/rand/v2"
	"testing"

	"ductledger/domain"
	"ductledger/domain/stat"
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
	few := draw(t, secret, stratumOf(1, 5), usual)
	rate, err := Rate(few, valued(few, func(*Job) float64 { return 1 }))
	if err != nil || rate.Value != 1 || rate.Variance != nil || rate.Reason != OneOfStratum {
		t.Errorf("one of five jobs: %+v, %v", rate, err)
	}
	if limits, err := rate.Limits(.95); err != nil || math.Abs(limits.Low-.025) > 1e-9 || limits.High != 1 { // 1 of 1, Newcombe 1998 [pub]
		t.Errorf("one of five jobs: %+v, %v", limits, err)
	}
	all := draw(t, secret, stratumOf(1, 4), Design{SharePercent: 100})
	total, err := Total(all, valued(all, func(*Job) float64 { return 2 }))
	if err != nil || total.Value != 8 || total.Variance == nil || *total.Variance != 0 {
		t.Errorf("all four jobs: %+v, %v", total, err)
	}
	if rate, err = Rate(all, valued(all, func(j *Job) float64 { return float64(j.JobID[15] % 2) })); err != nil {
		t.Fatal(err)
	}
	if limits, err := rate.Limits(.95); err != nil || limits.Low != .5 || limits.High != .5 {
		t.Errorf("all four jobs looked at: %+v, %v", limits, err)
	}
	if _, err := Rate(nil, nil); err == nil {
		t.Error("a rate of no job was given")
	}
	if _, err := Rate(all, nil); err == nil {
		t.Error("a rate was given though every home refused")
	}
	stray := valued(all, func(*Job) float64 { return 2 })
	none := draw(t, secret, stratumOf(1, 30), usual)
	for i := range none {
		if !none[i].Drawn() {
			stray[none[i].JobID] = 1
			break
		}
	}
	if _, err := Total(none, stray); err == nil {
		t.Error("a value of a job that was not drawn was taken")
	}
	if _, err := Total(all, valued(all, func(*Job) float64 { return math.NaN() })); err == nil {
		t.Error("a value that is no number was taken")
	}
}

// Whoever refuses is not replaced: with part A alone the answered jobs of a stratum
// are a simple draw of their own, Σ N·ȳ over those that answered, with the
// variance of so many. Source: Cochran (1977) theorems 5.1, 5.3, 5.4, ch. 13 [mem].
func TestRefusalsAreWeighedOut(t *testing.T) {
	jobs := draw(t, secret, append(stratumOf(1, 12), stratumOf(2, 30)...), Design{SharePercent: 34})
	y := func(j *Job) float64 { n := int(j.JobID[15]); return float64(n*n%17) / 4 }
	values := valued(jobs, y)
	for _, stratum := range strata(jobs) { // one of each refuses
		for _, j := range stratum {
			if j.Drawn() {
				delete(values, j.JobID)
				break
			}
		}
	}
	total, err := Total(jobs, values)
	if err != nil {
		t.Fatal(err)
	}
	wantTotal, wantVariance := 0.0, 0.0
	for _, stratum := range strata(jobs) {
		var n, sum, squares float64
		for _, j := range stratum {
			if v, answered := values[j.JobID]; answered {
				n, sum, squares = n+1, sum+v, squares+v*v
			}
		}
		all := float64(len(stratum))
		wantTotal += all * sum / n
		wantVariance += all * all * (1 - n/all) * (squares - sum*sum/n) / (n - 1) / n
	}
	if math.Abs(total.Value-wantTotal) > 1e-9 || total.Variance == nil || math.Abs(*total.Variance-wantVariance) > 1e-9*wantVariance {
		t.Errorf("%+v (variance %v), Cochran's formulas give %v, variance %v", total, total.Variance, wantTotal, wantVariance)
	}
	if total.DrawnCount-total.AnsweredCount != 2 {
		t.Errorf("two refused: %+v", total)
	}
}

// Strata of which one job each was drawn are compared in pairs: of two of equal size
// the variance is (t1 − t2)². Source: Wolter (2007) §2.5, with L = 2 and equal A [calc].
func TestStrataOfOneAreCompared(t *testing.T) {
	jobs := draw(t, secret, append(stratumOf(1, 15), stratumOf(2, 15)...), usual)
	total, err := Total(jobs, valued(jobs, func(j *Job) float64 { return float64(j.ContractorID[7]) }))
	if err != nil || total.Variance == nil || math.Abs(*total.Variance-15*15) > 1e-9 || total.Freedom != 1 {
		t.Errorf("15·1 and 15·2: %+v (variance %v), %v", total, total.Variance, err)
	}
}

// A simple draw is worth its own size but for the part of the frame that it is: with
// the frame large its limits are those of Clopper and Pearson, 81 of 263 .2527 to .3676.
// Source: Newcombe, Stat. Med. 17 (1998) 857, table I [pub].
func TestLimitsOfASimpleDraw(t *testing.T) {
	v := .3080 * .6920 / 263
	e := Estimate{Value: 81. / 263, Variance: &v, Freedom: 262, FrameCount: 1_000_000, DrawnCount: 263, AnsweredCount: 263, Alike: 263}
	limits, err := e.Limits(.95)
	if err != nil || math.Abs(limits.Low-.2527) > 5e-5 || math.Abs(limits.High-.3676) > 5e-5 {
		t.Errorf("%+v, %v", limits, err)
	}
	zero := 0.0
	e = Estimate{Value: 0, Variance: &zero, Freedom: 19, FrameCount: 1000, DrawnCount: 20, AnsweredCount: 20, Alike: 20}
	if limits, err = e.Limits(.95); err != nil || limits.Low != 0 || math.Abs(limits.High-.1684) > 5e-5 {
		t.Errorf("none of 20 failed: %+v, %v", limits, err)
	}
}

// Simulated programs of thirty contractors and three months, mostly one job drawn of
// each, more where the screens asked; one home in six refuses. The interval holds the
// true share at least as often as it says, the plain share's does not: it speaks of
// the risky jobs.
func TestSimulatedFailRates(t *testing.T) {
	const worlds = 120
	held, plainHeld, plain, weighted, truth := 0, 0, 0.0, 0.0, 0.0
	for w := range worlds {
		dice := rand.New(rand.NewPCG(6, uint64(w)))
		var candidates []Candidate
		fails := map[domain.UUID]bool{}
		for c := range 30 {
			for m := range 3 {
				for range 4 + dice.IntN(25) {
					id := domain.UUID{byte(len(candidates) >> 8), byte(len(candidates)), byte(c)}
					risk, chance := 0.0, .05
					if dice.IntN(6) == 0 {
						risk, chance = 1+float64(dice.IntN(3)), .40
					}
					fails[id] = dice.Float64() < chance
					candidates = append(candidates, Candidate{JobID: id, ContractorID: domain.UUID{byte(c + 1)}, Month: []string{"2026-07", "2026-08", "2026-09"}[m], Risk: risk})
				}
			}
		}
		jobs := draw(t, append([]byte{byte(w), byte(w >> 8)}, secret...), candidates, Design{SharePercent: 5, TopUp: 60})
		values, failed, looked, all := map[domain.UUID]float64{}, 0, 0, 0
		for i := range jobs {
			j := &jobs[i]
			if fails[j.JobID] {
				all++
			}
			if !j.Drawn() || dice.IntN(6) == 0 {
				continue
			}
			values[j.JobID] = 0
			if looked++; fails[j.JobID] {
				values[j.JobID] = 1
				failed++
			}
		}
		rate, err := Rate(jobs, values)
		if err != nil {
			t.Fatal(err)
		}
		limits, err := rate.Limits(.95)
		if err != nil {
			t.Fatal(err)
		}
		share := float64(all) / float64(len(jobs))
		if limits.Low <= share && share <= limits.High {
			held++
		}
		exact, err := stat.ClopperPearson(failed, looked, .95)
		if err != nil {
			t.Fatal(err)
		}
		if exact.Low <= share && share <= exact.High {
			plainHeld++
		}
		plain, weighted, truth = plain+float64(failed)/float64(looked)/worlds, weighted+rate.Value/worlds, truth+share/worlds
	}
	t.Logf("true share %.4f, weighted %.4f, plain %.4f; the interval holds it in %d of %d worlds, the plain one in %d", truth, weighted, plain, held, worlds, plainHeld)
	if math.Abs(weighted-truth) > .01 || plain < truth+.04 || held < 108 || plainHeld > 80 {
		t.Errorf("true share %.4f, weighted %.4f, plain %.4f; held in %d, plain in %d of %d worlds", truth, weighted, plain, held, plainHeld, worlds)
	}
}
