package performance

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"ductledger/domain"
)

// stream makes n jobs of k contractors one by one; so many of them go together in
// each run of a contractor's homes, none where it is 0.
func stream(n, k, together int) func(func(Job, error) bool) {
	return func(yield func(Job, error) bool) {
		r := rand.New(rand.NewPCG(uint64(n), 6))
		for i := range n {
			before := 150 * math.Exp(.6*r.NormFloat64())
			j := measured(0, 1+i%k, before, before*.4*math.Exp(.4*r.NormFloat64()))
			j.ID = domain.UUID{12: byte(i >> 24), 13: byte(i >> 16), 14: byte(i >> 8), 15: byte(i)}
			j.ID[0], j.AcceptedAt, j.AreaFt2 = 1, october.From.Add(time.Duration(i)*time.Second), ptr(800+float64(i%700))
			j.Class = []string{"single", "double", "triple"}[i%7%3]
			if together > 0 {
				j.Together = uint64(1 + i/k/together)
			}
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

// A million jobs by 400 contractors are held and answered in 64 MB, also where
// every home goes together with others.
func TestMemoryOfAMillionJobs(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	for _, together := range []int{0, 1, 5} {
		millionJobs(t, together)
	}
}

func millionJobs(t *testing.T, together int) {
	t.Helper()
	const contractors, jobs, most = 400, 1_000_000, 64 << 20
	before := reachable()
	tally, err := NewTally(october, ByContractor)
	if err != nil {
		t.Fatal(err)
	}
	tally.Follow(domain.UUID{}, monthOf)
	for j, err := range stream(jobs, contractors, together) {
		if err != nil {
			t.Fatal(err)
		}
		if err := tally.Add(j); err != nil {
			t.Fatal(err)
		}
	}
	c, err := tally.Comparison(nil)
	if err != nil {
		t.Fatal(err)
	}
	kept := reachable() - before
	t.Logf("%d jobs in runs of %d keep %.1f MB", jobs, together, float64(kept)/(1<<20))
	if kept > most {
		t.Errorf("%d jobs in runs of %d keep %d bytes, %d are allowed", jobs, together, kept, most)
	}
	if c.Program.UsedCount != jobs {
		t.Errorf("%d jobs are used", c.Program.UsedCount)
	}
	runtime.KeepAlive(tally)
}

// large is an invented program of 100,000 jobs by 400 contractors.
func large() ([]Job, map[domain.UUID]string) {
	w := world{sigma: .4, areas: true, classes: []string{"single", "double", "triple"}}
	names := map[domain.UUID]string{}
	for c := range 400 {
		w.effects = append(w.effects, 0)
		w.counts = append(w.counts, 250)
		names[id(c+1)] = fmt.Sprint("Contractor ", c)
	}
	return w.jobs(rand.New(rand.NewPCG(1, 1))), names
}

// The whole answer from 100,000 rows.
func BenchmarkCompare(b *testing.B) {
	jobs, names := large()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Compare(jobs, october, names); err != nil {
			b.Fatal(err)
		}
	}
}

// What remains once the rows are tallied.
func BenchmarkComparisonOfTally(b *testing.B) {
	jobs, names := large()
	tally, err := take(inOrder(jobs), october, ByContractor)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := tally.Comparison(names); err != nil {
			b.Fatal(err)
		}
	}
}

// The model, shrinkage and funnel from the cells alone.
func BenchmarkAdjust(b *testing.B) {
	jobs, _ := large()
	tally, err := take(inOrder(jobs), october, ByContractor)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := tally.adjust(); err != nil {
			b.Fatal(err)
		}
	}
}
