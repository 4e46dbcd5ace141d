package performance

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// lineFrom draws the jobs of contractor 1.
func lineFrom(jobs []Job, m *Model, a *Adjusted, published map[string]float64) ([]TrendPoint, error) {
	tally, err := NewTally(Period{From: october.From.AddDate(-10, 0, 0), Before: october.Before.AddDate(10, 0, 0), Quantity: october.Quantity}, ByContractor)
	if err != nil {
		return nil, err
	}
	tally.Follow(id(1), monthOf)
	for _, j := range jobs {
		if err := tally.Add(j); err != nil {
			return nil, err
		}
	}
	return tally.Trend(id(1), m, a, published)
}

func monthOf(t time.Time) string { return t.UTC().Format("2006-01") }

// A flat model: expected 100 cfm25 whatever was there before, σ = .5.
func flatModel() *Model {
	return &Model{Constant: ptr(math.Log(.5)), BeforeSlope: ptr(0.0), ResidualSD: ptr(.5), BeforeCenter: 200, AreaCenter: 1000,
		Classes: []ClassTerm{{Classes: []string{"single"}}}}
}

// By hand: months with residuals {ln 2, ln 2}, none, {−ln 2}, index 1, σ = .5:
// x = √2·ln 2/.5 = 1.9605, −1.3863; z = .3921, .2·x₂ + .8·z₁ = .0364; first
// limit 2.96·.2 = .592, second .592·√(1 + .64) = .7581 [calc].
func TestTrendByHand(t *testing.T) {
	at := func(n int, month time.Month, after float64) Job {
		j := measured(n, 1, 150, after)
		j.AcceptedAt = time.Date(2026, month, 10, 0, 0, 0, 0, time.UTC)
		return j
	}
	deemed := at(4, 2, 999)
	deemed.PayBasis = Deemed
	jobs := []Job{at(3, 3, 50), at(1, 1, 200), deemed, at(2, 1, 200)}
	points, err := lineFrom(jobs, flatModel(), &Adjusted{Index: ptr(1.0)}, map[string]float64{"2026-01": .4})
	if err != nil || len(points) != 2 {
		t.Fatal(points, err)
	}
	near(t, "January", &points[0].Value, .2*math.Sqrt2*math.Ln2/.5, 1e-12)
	near(t, "January's limit", &points[0].High, .592, 1e-12)
	near(t, "March", &points[1].Value, .2*-math.Ln2/.5+.8*points[0].Value, 1e-12)
	near(t, "March's limit", &points[1].Low, -.592*math.Sqrt(1.64), 1e-12)
	near(t, "published", points[0].Published, .4, 0)
	if points[0].Month != "2026-01" || points[1].Month != "2026-03" || points[0].N != 2 || points[1].Published != nil {
		t.Errorf("%+v", points)
	}
}

// A crew that gets worse by one standard deviation is seen; before ten jobs
// nothing rings.
func TestTrendRings(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	var jobs []Job
	for i := range 120 {
		shift := 0.0
		if i >= 60 {
			shift = .5
		}
		j := measured(i+1, 1, 150, 100*math.Exp(shift+.5*r.NormFloat64()))
		j.AcceptedAt = time.Date(2025, 1, 1+6*i, 0, 0, 0, 0, time.UTC)
		jobs = append(jobs, j)
	}
	points, err := lineFrom(jobs, flatModel(), &Adjusted{Index: ptr(1.0)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range points {
		if p.Signal && p.Month < "2026-01" {
			t.Errorf("false signal %+v", p)
		}
	}
	if last := points[len(points)-1]; !last.Signal {
		t.Errorf("no signal at the end: %+v", last)
	}

	few := jobs[60:69]
	points, err = lineFrom(few, flatModel(), &Adjusted{Index: ptr(.2)}, nil)
	if err != nil {
		t.Fatal(err)
	}
	beyond := false
	for _, p := range points {
		beyond = beyond || p.Value > p.High
		if p.Signal {
			t.Errorf("nine jobs ring: %+v", p)
		}
	}
	if !beyond {
		t.Error("the nine jobs were meant to lie beyond the limit")
	}
}

func TestTrendRefuses(t *testing.T) {
	if _, err := lineFrom(nil, &Model{Reason: TooFewJobs}, &Adjusted{}, nil); err == nil {
		t.Error("no model: no refusal")
	}
	if points, err := lineFrom(nil, flatModel(), &Adjusted{Index: ptr(1.0)}, nil); len(points) != 0 || err != nil {
		t.Error(points, err)
	}
	// A job of a class that came after the model was fitted.
	j := measured(1, 1, 150, 100)
	j.Class = "triple"
	if _, err := lineFrom([]Job{j}, flatModel(), &Adjusted{Index: ptr(1.0)}, nil); err == nil {
		t.Error("class without a term: no refusal")
	}
}
