package performance

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"ductledger/domain"
)

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
