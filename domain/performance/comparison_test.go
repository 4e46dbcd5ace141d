package performance

import (
	"encoding/json"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

// An invented month and invented contractors.
var october = Period{
	From:   time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC),
	Before: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), Quantity: domain.TotalLeakage,
}

func id(n int) domain.UUID {
	var u domain.UUID
	u[14], u[15] = byte(n>>8), byte(n)
	return u
}

// measured is a job of contractor c that found before and left after, in cfm25.
func measured(n, c int, before, after float64) Job {
	p, q := int64(math.Round(before*10)), int64(math.Round(after*10))
	return Job{
		ID: id(n), HomeID: id(1000 + n), ContractorID: id(c), Class: "single", PayBasis: Measured, Quantity: domain.TotalLeakage,
		BeforeTenths: &p, AfterTenths: &q, AcceptedAt: october.From.Add(time.Duration(n) * time.Minute),
	}
}

func compareOne(t *testing.T, jobs ...Job) Summary {
	t.Helper()
	c, err := Compare(jobs, october, nil)
	if err != nil {
		t.Fatal(err)
	}
	return c.Program
}

func near(t *testing.T, what string, got *float64, want, tol float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s is absent, want %v", what, want)
	} else if math.Abs(*got-want) > tol {
		t.Errorf("%s = %.10g, want %.10g ± %g", what, *got, want, tol)
	}
}

func absent(t *testing.T, what string, got *float64) {
	t.Helper()
	if got != nil {
		t.Errorf("%s = %v, want it absent", what, *got)
	}
}

// 300 → 100 and 100 → 80: pooled 220 of 400 is 55 %, the mean of the two
// percentages would be 43.3 % [calc]; typical 1 − √(1/3 · 0.8) = 0.4836 [calc].
func TestPooledIsNoMeanOfPercents(t *testing.T) {
	s := compareOne(t, measured(1, 1, 300, 100), measured(2, 1, 100, 80))
	near(t, "pooled ratio", s.Pooled.Ratio, 0.55, 0)
	near(t, "removed", s.Pooled.ReductionCFM25, 220, 0)
	near(t, "geometric", s.Typical.Ratio, 1-math.Sqrt(0.8/3), 1e-12)
	near(t, "range low", s.Typical.Low, 0.2, 0)
	near(t, "range high", s.Typical.High, 200.0/300, 1e-15)
	if s.Typical.Interval != IntervalRange || s.Typical.Level != nil {
		t.Errorf("two jobs show their range without a level, not %q %v", s.Typical.Interval, s.Typical.Level)
	}
	absent(t, "pooled interval of two", s.Pooled.Low)
}

// The two checks share the orange juice example: ratio .05655 with a bound of
// 6.3 on the total of 1,800 lb, two standard errors (Scheaffer et al.,
// Elementary Survey Sampling, ratio chapter, from memory [mem]). Sugar stands
// for the reading after, weight for the one before, in thousandths.
func TestRatioEstimator(t *testing.T) {
	sugar := []float64{.021, .030, .025, .022, .033, .027, .019, .021, .023, .025}
	weight := []float64{.40, .48, .43, .42, .50, .46, .39, .41, .42, .44}
	var g group
	for i := range sugar {
		j := measured(i+1, 1, weight[i]*100, sugar[i]*100)
		x, y := j.logs()
		g.add(&j, october.Quantity, x, y)
	}
	r := float64(g.kept.after) / float64(g.kept.before)
	near(t, "r", &r, .05655, 5e-6)
	total := 1800 * r
	near(t, "total", &total, 101.79, 5e-3)
	bound := 2 * g.ratioError() * 1800
	near(t, "bound", &bound, 6.3, .05)
}

// ln 2 · {1, 2, 3}: mean 2 ln 2, s = ln 2, t(2; .975) = 4.30265 (NIST TN 1297
// table B.1 prints 4.30 for 95 % [pub]); G = 1 − 1/4.
func TestTypicalInterval(t *testing.T) {
	s := compareOne(t, measured(1, 1, 200, 100), measured(2, 1, 200, 50), measured(3, 1, 200, 25))
	half := 4.302652729911275 * math.Ln2 / math.Sqrt(3)
	near(t, "G", s.Typical.Ratio, 0.75, 1e-12)
	near(t, "low", s.Typical.Low, 1-math.Exp(-2*math.Ln2+half), 1e-10)
	near(t, "high", s.Typical.High, 1-math.Exp(-2*math.Ln2-half), 1e-10)
	if s.Typical.N != 3 || *s.Typical.Level != 0.95 || s.Typical.Interval != IntervalT {
		t.Errorf("n, level, kind = %+v", s.Typical)
	}
}

// Medians with the ranks of the textbook table for n = 6: (1, 6), 96.9 %.
func TestMedianOfReadings(t *testing.T) {
	var jobs []Job
	for i, after := range []float64{60.4, 10, 30, 50.2, 20, 90} {
		jobs = append(jobs, measured(i+1, 1, 150, after))
	}
	s := compareOne(t, jobs...)
	near(t, "median after", s.MedianAfter.Leakage, 40.1, 1e-12)
	near(t, "low", s.MedianAfter.Low, 10, 0)
	near(t, "high", s.MedianAfter.High, 90, 0)
	near(t, "coverage", s.MedianAfter.Level, 0.96875, 0)
	near(t, "median before", s.MedianBefore.Leakage, 150, 0)

	five := compareOne(t, jobs[:5]...)
	if five.MedianAfter.IntervalReason != TooFewJobs || five.MedianAfter.Low != nil {
		t.Errorf("five readings bound no median at 95 %%: %+v", five.MedianAfter)
	}
}

func TestNoJobs(t *testing.T) {
	c, err := Compare(nil, october, map[domain.UUID]string{id(1): "Northwind Sealing"})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Contractors) != 1 {
		t.Fatalf("contractors = %+v", c.Contractors)
	}
	text, _ := json.Marshal(c.Contractors[0])
	want := `{"contractor_id":"00000000-0000-0000-0000-000000000001","name":"Northwind Sealing",` +
		`"jobs_count":0,"used_count":0,"independent_count":0,"left_out":[],"questioned_count":0,"extrapolated_count":0,"below_range_count":0,"shared_count":0,` +
		`"pooled":{"n":0,"reason":"no_jobs"},"geometric":{"n":0,"reason":"no_jobs"},` +
		`"median_before":{"n":0,"reason":"no_jobs"},"median_after":{"n":0,"reason":"no_jobs"},"per_area":{"n":0,"reason":"no_areas"}`
	if !strings.HasPrefix(string(text), want) {
		t.Errorf("got  %s\nwant %s…", text, want)
	}
}

func TestOneJob(t *testing.T) {
	s := compareOne(t, measured(1, 1, 100, 40))
	near(t, "pooled", s.Pooled.Ratio, 0.6, 0)
	near(t, "geometric", s.Typical.Ratio, 0.6, 1e-12)
	near(t, "median", s.MedianAfter.Leakage, 40, 0)
	if s.Typical.IntervalReason != TooFewJobs || s.Pooled.IntervalReason != TooFewJobs {
		t.Errorf("one job has no interval: %+v %+v", s.Typical, s.Pooled)
	}
}

// Jobs alike to the digit take their spread from the others, and have none alone.
func TestZeroVariance(t *testing.T) {
	alike := []Job{measured(1, 1, 200, 100), measured(2, 1, 100, 50), measured(3, 1, 300, 150)}
	if s := compareOne(t, alike...); s.Typical.IntervalReason != ZeroVariance || s.Typical.Low != nil {
		t.Errorf("alone: %+v", s.Typical)
	}
	others := []Job{measured(4, 2, 200, 100), measured(5, 2, 200, 80), measured(6, 2, 200, 50)}
	c, err := Compare(append(alike, others...), october, nil)
	if err != nil {
		t.Fatal(err)
	}
	own := c.Contractors[0].Typical
	if own.Interval != IntervalPooled || own.Low == nil || *own.Low >= *own.Ratio || *own.High <= *own.Ratio {
		t.Errorf("with others: %+v", own)
	}
}

func TestLeftOut(t *testing.T) {
	change := func(n int, f func(*Job)) Job { j := measured(n, 1, 100, 50); f(&j); return j }
	zero := int64(0)
	jobs := []Job{
		measured(1, 1, 100, 50),
		change(2, func(j *Job) { j.PayBasis = Deemed }),
		change(3, func(j *Job) { j.PayBasis = Deemed; j.BeforeTenths, j.AfterTenths = nil, nil }),
		change(4, func(j *Job) { j.BeforeTenths = nil }),
		change(5, func(j *Job) { j.AfterTenths = nil }),
		change(6, func(j *Job) { j.Excluded = true; *j.AfterTenths = 250 }),
		change(7, func(j *Job) { j.AfterTenths = &zero }),
		change(8, func(j *Job) { j.Questioned = true; *j.AfterTenths = 1000 }),
		change(9, func(j *Job) { j.AcceptedAt = october.Before }),
		change(10, func(j *Job) { j.AcceptedAt = october.From.Add(-time.Nanosecond) }),
	}
	s := compareOne(t, jobs...)
	want := []LeftOut{{"deemed", 2}, {"excluded", 1}, {"missing_after", 1}, {"missing_before", 1}, {"not_positive", 1}}
	if s.JobsCount != 8 || s.UsedCount != 2 || !slices.Equal(s.LeftOut, want) {
		t.Errorf("counts %d %d %v", s.JobsCount, s.UsedCount, s.LeftOut)
	}
	near(t, "pooled", s.Pooled.Ratio, 0.25, 0)
	near(t, "without the questioned one", s.WithoutQuestioned.PooledRatio, 0.5, 0)
	near(t, "with the excluded one", s.WithExcluded.PooledRatio, 125.0/300, 1e-15)
	near(t, "missing after", s.MissingAfterRatio, 1.0/6, 1e-15)
}

func TestBelowRange(t *testing.T) {
	var jobs []Job
	for i := range 6 {
		j := measured(i+1, 1, 100+float64(i), 10)
		j.AfterBelowRange = i < 3
		jobs = append(jobs, j)
	}
	if s := compareOne(t, jobs...); s.MedianAfter.Reason != BelowRange || s.MedianAfter.Leakage != nil || s.BelowRangeCount != 3 {
		t.Errorf("half below range: %+v", s.MedianAfter)
	}
	if s := compareOne(t, jobs[1:]...); s.MedianAfter.Leakage == nil {
		t.Errorf("less than half below range: %+v", s.MedianAfter)
	}
	for i := range jobs {
		jobs[i].BeforeBelowRange, jobs[i].AfterBelowRange = true, true
	}
	if s := compareOne(t, jobs...); s.MedianBefore.Reason != BelowRange || s.Typical.Ratio == nil {
		t.Errorf("all below range: %+v", s)
	}
}

// 300 → 100 in 1,000 ft² and 100 → 80 in 600 ft² leave 180 of 400 cfm25 in
// 1,600 ft²: 25, 11.25 and 13.75 to 100 ft² [calc]. Homes of unknown area are not
// in it.
func TestPerArea(t *testing.T) {
	jobs := []Job{measured(1, 1, 300, 100), measured(2, 1, 100, 80), measured(3, 1, 500, 500)}
	jobs[0].AreaFt2, jobs[1].AreaFt2 = ptr(1000.0), ptr(600.0)
	s := compareOne(t, jobs...)
	near(t, "before", s.PerArea.Before, 25, 1e-12)
	near(t, "after", s.PerArea.After, 11.25, 1e-12)
	near(t, "reduction", s.PerArea.Reduction, 13.75, 1e-12)
	if s.PerArea.N != 2 || s.Pooled.N != 3 {
		t.Errorf("n %d of %d", s.PerArea.N, s.Pooled.N)
	}
}

// Homes that all read the same after: the median and both its bounds are that
// reading, and the logarithms' spread is that of the readings before.
func TestTies(t *testing.T) {
	var jobs []Job
	for i := range 400 {
		jobs = append(jobs, measured(i+1, 1, 100+float64(i%3), 40))
	}
	s := compareOne(t, jobs...)
	near(t, "median", s.MedianAfter.Leakage, 40, 0)
	near(t, "low", s.MedianAfter.Low, 40, 0)
	near(t, "high", s.MedianAfter.High, 40, 0)
	near(t, "median before", s.MedianBefore.Leakage, 101, 0)
	if s.Typical.Interval != IntervalT || *s.Typical.Low >= *s.Typical.Ratio {
		t.Errorf("%+v", s.Typical)
	}
}

// Homes that all read 0 after have no logarithm and are in no figure: they are
// counted, and nothing is made up for them.
func TestAllReadNothingAfter(t *testing.T) {
	var jobs []Job
	for i := range 40 {
		jobs = append(jobs, measured(i+1, 1+i%2, 100, 0))
	}
	c, err := Compare(jobs, october, nil)
	if err != nil {
		t.Fatal(err)
	}
	if s := c.Program; s.UsedCount != 0 || s.Pooled.Reason != NoJobs || s.MedianAfter.Reason != NoJobs || !slices.Equal(s.LeftOut, []LeftOut{{"not_positive", 40}}) {
		t.Errorf("%+v", s)
	}
	if c.Model.Reason != NoJobs || c.Contractors[0].Adjusted.Reason != NoJobs {
		t.Errorf("model %q, adjusted %+v", c.Model.Reason, c.Contractors[0].Adjusted)
	}
}

func TestAlphabetical(t *testing.T) {
	names := map[domain.UUID]string{id(1): "beta", id(2): "Alpha", id(3): "Alpha", id(4): "Beta"}
	c, err := Compare(nil, october, names)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range c.Contractors {
		got = append(got, fmt.Sprint(x.Name, x.ContractorID[15]))
	}
	if want := []string{"Alpha2", "Alpha3", "Beta4", "beta1"}; !slices.Equal(got, want) {
		t.Errorf("order %v, want %v", got, want)
	}
}

func TestRefusals(t *testing.T) {
	big := int64(MaxTenths + 1)
	for name, jobs := range map[string][]Job{
		"two rows of one job differ": {measured(1, 1, 100, 50), measured(1, 1, 100, 51)},
		"reading beyond every fan":   {func() Job { j := measured(1, 1, 100, 50); j.BeforeTenths = &big; return j }()},
		"pay basis unknown":          {func() Job { j := measured(1, 1, 100, 50); j.PayBasis = ""; return j }()},
	} {
		if _, err := Compare(jobs, october, nil); err == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
	if _, err := Compare(nil, Period{october.From, october.From, october.Quantity}, nil); err == nil {
		t.Error("empty period: no refusal")
	}
	backwards := func(yield func(Job, error) bool) {
		_ = yield(measured(2, 1, 100, 50), nil) && yield(measured(1, 1, 100, 50), nil)
	}
	if _, err := take(backwards, october, ByContractor); err == nil {
		t.Error("ids that descend: no refusal")
	}
}

// anyJobs draws up to 60 jobs of up to five contractors, awkward ones among them.
func anyJobs(t *rapid.T) []Job {
	n := rapid.IntRange(0, 60).Draw(t, "n")
	reading := rapid.OneOf(rapid.IntRange(0, 9000), rapid.SampledFrom([]int{0, 1, 500, MaxTenths}))
	jobs := make([]Job, n)
	for i := range jobs {
		j := measured(i+1, rapid.IntRange(1, 5).Draw(t, "contractor"),
			float64(reading.Draw(t, "before"))/10, float64(reading.Draw(t, "after"))/10)
		j.Class = rapid.SampledFrom([]string{"single", "double", "triple", ""}).Draw(t, "class")
		if rapid.Bool().Draw(t, "area known") {
			j.AreaFt2 = ptr(float64(rapid.IntRange(400, 2500).Draw(t, "area")))
		}
		j.Together = uint64(rapid.IntRange(0, 4).Draw(t, "together")) // 0: with none
		switch rapid.IntRange(0, 9).Draw(t, "kind") {
		case 0:
			j.PayBasis = Deemed
		case 1:
			j.Excluded = true
		case 2:
			j.Questioned = true
		case 3:
			j.AfterTenths = nil
		case 4:
			j.AfterBelowRange = true
		}
		jobs[i] = j
	}
	return jobs
}

func TestByHomeClass(t *testing.T) {
	jobs := []Job{measured(1, 1, 100, 50), measured(2, 1, 100, 40), measured(3, 2, 100, 30), measured(4, 2, 100, 20), measured(5, 2, 100, 10)}
	for i, class := range []string{"triple", "single", "double", "yurt", ""} {
		jobs[i].Class = class
	}
	g, err := CompareGroups(jobs, october, ByHomeClass, nil)
	if err != nil || len(g.Groups) != 5 || g.Model != nil {
		t.Fatal(g, err)
	}
	for i, want := range []struct {
		class string
		ratio float64
	}{{"single", .6}, {"double", .7}, {"triple", .5}, {"", .9}, {"yurt", .8}} {
		if got := g.Groups[i]; got.HomeClass != want.class || *got.Figures.Pooled.Ratio != want.ratio {
			t.Errorf("group %d: %q %v, want %q %v", i, got.HomeClass, *got.Figures.Pooled.Ratio, want.class, want.ratio)
		}
	}
}

func TestByCrewLead(t *testing.T) {
	w := world{effects: make([]float64, 4), counts: []int{10, 9, 20, 15}, sigma: .4, classes: []string{"single"}}
	jobs := w.jobs(rand.New(rand.NewPCG(15, 16)))
	for i := range jobs {
		jobs[i].CrewLeadID = jobs[i].ContractorID
		if jobs[i].CrewLeadID == id(4) {
			jobs[i].CrewLeadID = domain.UUID{} // not known
		}
		jobs[i].ContractorID = id(9)
	}
	g, err := CompareGroups(jobs, october, ByCrewLead, map[domain.UUID]string{id(1): "Zoe", id(2): "Adam", id(3): "Mia"})
	if err != nil || len(g.Groups) != 4 {
		t.Fatal(g, err)
	}
	unknown, adam, mia, zoe := g.Groups[0], g.Groups[1], g.Groups[2], g.Groups[3]
	if unknown.CrewLeadID != nil || unknown.Adjusted != nil || unknown.JobsCount != 15 {
		t.Errorf("jobs without a lead: %+v", unknown)
	}
	if adam.Reason != TooFewJobs || adam.Figures != nil || adam.Adjusted != nil || adam.UsedCount != 9 {
		t.Errorf("nine homes: %+v", adam)
	}
	if zoe.Figures == nil || zoe.Adjusted == nil || zoe.Adjusted.Shrunk == nil || zoe.Name != "Zoe" || mia.Name != "Mia" {
		t.Errorf("ten homes: %+v", zoe)
	}
	if g.Model.ContractorsCount != 3 || g.Model.N != 39 || len(g.Model.LeftOut) != 1 || g.Model.LeftOut[0] != (LeftOut{MissingLead, 15}) {
		t.Errorf("model over %d leads, %d jobs", g.Model.ContractorsCount, g.Model.N)
	}
	if _, err := CompareGroups(nil, october, ByContractor, nil); err == nil {
		t.Error("by contractor: no refusal")
	}
	if _, err := CompareGroups(nil, october, "color", nil); err == nil {
		t.Error("by color: no refusal")
	}
}

// Four homes give a reader outside the agency no figure, five do; what is hidden
// alone could be had from the total, so another is hidden with it.
func TestFewHomesLeaveNoFigure(t *testing.T) {
	groups := func(counts map[string]int) []Group {
		var jobs []Job
		for _, class := range []string{"single", "double", "triple"} {
			for range counts[class] {
				j := measured(len(jobs)+1, 1, 200, 100)
				j.Class = class
				jobs = append(jobs, j)
			}
		}
		g, err := CompareGroups(jobs, october, ByHomeClass, nil)
		if err != nil {
			t.Fatal(err)
		}
		return g.Groups
	}
	for _, c := range []struct {
		counts map[string]int
		shown  []bool // single, double, triple
		whole  bool
	}{
		{map[string]int{"single": 5, "double": 9, "triple": 5}, []bool{true, true, true}, true},
		{map[string]int{"single": 20, "double": 9, "triple": 4}, []bool{true, false, false}, false},
		{map[string]int{"single": 20, "double": 4, "triple": 4}, []bool{true, false, false}, false},
		{map[string]int{"single": 20, "double": 1, "triple": 1}, []bool{false, false, false}, false},
	} {
		got := groups(c.counts)
		if whole := OutsideGroups(got); whole != c.whole {
			t.Errorf("%v: whole %v", c.counts, whole)
		}
		for i, g := range got {
			if shown := g.Figures.Pooled.Ratio != nil; shown != c.shown[i] || !shown && (g.Figures.MedianAfter.Leakage != nil || g.Reason != TooFewHomes) {
				t.Errorf("%v: %s shown %v: %+v", c.counts, g.HomeClass, shown, g)
			}
		}
	}
	// A home with two jobs is one home.
	var jobs []Job
	for i := range 6 {
		j := measured(i+1, 1, 200, 100)
		j.HomeID = id(500 + i/2)
		jobs = append(jobs, j)
	}
	s := compareOne(t, jobs...)
	if s.Outside() || s.Pooled.Ratio != nil || s.Pooled.Reason != TooFewHomes {
		t.Errorf("six jobs of three homes: %+v", s.Pooled)
	}
}

// Compare summarizes the jobs accepted in the period, by contractor and for
// the program. Every contractor of names has a line, also without a job.
// The jobs may stand in any order. Refused: what NewTally and Add refuse.
// Source: at each figure, Summary, Model and Standing [calc].
func Compare(jobs []Job, period Period, names map[domain.UUID]string) (Comparison, error) {
	t, err := take(inOrder(jobs), period, ByContractor)
	if err != nil {
		return Comparison{}, err
	}
	return t.Comparison(names)
}

// CompareGroups summarizes the jobs by class of home or by crew lead; names
// are those of the leads. Refused: a grouping by contractor (/by), and what a
// Tally refuses. Source: at each figure, Summary and Model [calc].
func CompareGroups(jobs []Job, period Period, by By, names map[domain.UUID]string) (Grouping, error) {
	if by == ByContractor {
		return Grouping{}, stat.Refuse(stat.OutOfRange, "/by", "", "contractors are compared by Compare")
	}
	t, err := take(inOrder(jobs), period, by)
	if err != nil {
		return Grouping{}, err
	}
	return t.Grouping(names)
}

// take tallies a stream of jobs whose ids ascend: repeats are then neighbors.
func take(jobs iter.Seq2[Job, error], period Period, by By) (*Tally, error) {
	t, err := NewTally(period, by)
	if err != nil {
		return nil, err
	}
	n := 0
	for j, err := range jobs {
		if err != nil {
			return nil, err
		}
		if t.started && j.ID.Compare(t.last.ID) < 0 {
			return nil, stat.Refuse(stat.NotSorted, "/jobs/"+strconv.Itoa(n), "order the jobs by id", "job %s comes after %s", j.ID, t.last.ID)
		}
		if err := t.Add(j); err != nil {
			return nil, err
		}
		n++
	}
	return t, nil
}

// inOrder yields jobs by ascending id, from a copy if they are not so already,
// and each that repeats unchanged once.
func inOrder(jobs []Job) iter.Seq2[Job, error] {
	byID := func(a, b Job) int { return a.ID.Compare(b.ID) }
	if !slices.IsSortedFunc(jobs, byID) {
		jobs = slices.Clone(jobs)
		slices.SortStableFunc(jobs, byID)
	}
	return func(yield func(Job, error) bool) {
		for i := range jobs {
			if i > 0 && jobs[i].same(&jobs[i-1]) {
				continue
			}
			if !yield(jobs[i], nil) {
				return
			}
		}
	}
}
