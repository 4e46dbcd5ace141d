package performance

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// stream makes n jobs of k contractors one by one, the same ones each time.
// Homes get leakier with drift, so that the medians move.
func stream(n, k int, drift float64) func(func(Job, error) bool) {
	return func(yield func(Job, error) bool) {
		r := rand.New(rand.NewPCG(uint64(n), 6))
		for i := range n {
			before := 150 * math.Exp(.6*r.NormFloat64()+drift*float64(i)/float64(n))
			j := measured(0, 1+i%k, before, before*.4*math.Exp(.4*r.NormFloat64()))
			j.ID = domain.UUID{12: byte(i >> 24), 13: byte(i >> 16), 14: byte(i >> 8), 15: byte(i)}
			j.ID[0], j.AcceptedAt, j.AreaFt2 = 1, october.From.Add(time.Duration(i)*time.Second), ptr(800+float64(i%700))
			j.Class = []string{"single", "double", "triple"}[i%7%3]
			if !yield(j, nil) {
				return
			}
		}
	}
}

// reachable is what is in memory and still used, in bytes.
func reachable() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// What is kept of the jobs grows with contractors, classes and months: ten times
// as many jobs keep no more, nor does reading them a second time.
func TestMemoryIsNotOfJobs(t *testing.T) {
	const contractors, few, many = 20, 20_000, 200_000
	kept := func(n int, drift float64) int64 {
		before := reachable()
		tally, err := NewTally(october, ByContractor)
		if err != nil {
			t.Fatal(err)
		}
		tally.Follow(domain.UUID{}, monthOf)
		for j, err := range stream(n, contractors, drift) {
			if err != nil {
				t.Fatal(err)
			}
			if err := tally.Add(j); err != nil {
				t.Fatal(err)
			}
		}
		bytes := reachable() - before
		for _, o := range tally.orders() {
			if len(o.bins) > o.most || cap(o.bins) > 2*o.most {
				t.Errorf("%d jobs: %d bins with room for %d, %d are allowed", n, len(o.bins), cap(o.bins), o.most)
			}
		}
		if err := tally.Settle(stream(n, contractors, drift)); err != nil {
			t.Fatal(err)
		}
		if after := reachable() - before; after > bytes {
			t.Errorf("%d jobs keep %d bytes once settled, %d before", n, after, bytes)
		}
		if _, err := tally.Comparison(nil); err != nil {
			t.Fatal(err)
		}
		return bytes
	}
	kept(few, 0) // what is allocated once and for all
	for _, drift := range []float64{0, 2} {
		a, b := kept(few, drift), kept(many, drift)
		t.Logf("drift %v: %d jobs keep %d bytes, %d keep %d", drift, few, a, many, b)
		if b > a+a/20 {
			t.Errorf("drift %v: %d jobs keep %d bytes, %d keep %d", drift, few, a, many, b)
		}
	}
}

// Of jobs that drift, the medians are those of sorting, although the jobs have to
// be read again; other jobs are noticed then.
func TestMediansOfJobsThatDrift(t *testing.T) {
	const n, contractors = 30_000, 3
	jobs := stream(n, contractors, 4)
	read := func() (*Tally, map[domain.UUID][]float64) {
		tally, err := NewTally(october, ByContractor)
		if err != nil {
			t.Fatal(err)
		}
		after := map[domain.UUID][]float64{}
		for j := range jobs {
			if err := tally.Add(j); err != nil {
				t.Fatal(err)
			}
			after[j.ContractorID] = append(after[j.ContractorID], cfm25(*j.AfterTenths))
		}
		return tally, after
	}
	tally, after := read()
	if _, err := tally.Comparison(nil); err == nil {
		t.Fatal("medians are given that nobody can know yet")
	}
	if err := tally.Settle(jobs); err != nil {
		t.Fatal(err)
	}
	c, err := tally.Comparison(nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range c.Contractors {
		slices.Sort(after[x.ContractorID])
		want, err := stat.IntervalOfMedian(after[x.ContractorID], Level)
		if err != nil {
			t.Fatal(err)
		}
		median, err := stat.MedianOf(after[x.ContractorID])
		if err != nil {
			t.Fatal(err)
		}
		near(t, "median", x.MedianAfter.Leakage, median, 0)
		near(t, "low", x.MedianAfter.Low, want.Low, 0)
		near(t, "high", x.MedianAfter.High, want.High, 0)
	}
	tally, _ = read()
	if err := tally.Settle(stream(n-1, contractors, 4)); err == nil {
		t.Error("other jobs at the second reading: no refusal")
	}
}

// Steps and days that grow from job to job are read again too, and their quarter
// points and medians are those of sorting.
func TestStepsAndDaysThatDrift(t *testing.T) {
	const n = 20_000
	drops, days := make([]float64, n), make([]float64, n)
	for i := range n {
		drops[i], days[i] = cfm25(int64(10*i)), float64(7919*i+60)/86400
	}
	points := func(sorted []float64) (want [3]float64) {
		for i, p := range []float64{.25, .5, .75} {
			var err error
			if want[i], err = stat.Quantile(sorted, p); err != nil {
				t.Fatal(err)
			}
		}
		return want
	}
	readings := 0
	effects, err := RepairEffects(func(yield func([]Step, error) bool) {
		readings++
		for i := range n {
			if !yield([]Step{step(1, "boot_seal", int64(10*i)+50, 50)}, nil) {
				return
			}
		}
	})
	if err != nil || len(effects) != 1 {
		t.Fatal(effects, err)
	}
	interval, err := stat.IntervalOfMedian(drops, Level)
	if err != nil {
		t.Fatal(err)
	}
	e, want := effects[0], points(drops)
	near(t, "quarter", e.MiddleLow, want[0], 0)
	near(t, "median", e.Median, want[1], 0)
	near(t, "three quarters", e.MiddleHigh, want[2], 0)
	near(t, "low", e.Low, interval.Low, 0)
	near(t, "high", e.High, interval.High, 0)
	if readings < 2 {
		t.Error("the steps were meant to need a second reading")
	}

	_, own, err := Pictures(func(yield func(Work, error) bool) {
		for i := range n {
			w := worked(0, 1, 0)
			w.JobID = domain.UUID{14: byte((i + 1) >> 8), 15: byte(i + 1)}
			w.AcceptedAt = w.AssignedAt.Add(time.Duration(7919*i+60) * time.Second)
			if !yield(w, nil) {
				return
			}
		}
	}, nil, id(1))
	if err != nil {
		t.Fatal(err)
	}
	want = points(days)
	near(t, "quarter of the days", own.DaysToAcceptance.MiddleLow, want[0], 1e-9)
	near(t, "median of the days", own.DaysToAcceptance.Median, want[1], 1e-9)
	near(t, "three quarters of the days", own.DaysToAcceptance.MiddleHigh, want[2], 1e-9)
}
