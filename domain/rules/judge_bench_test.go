package rules

import "testing"

// The example has some 70 records; a job of one section has about 40. The aim
// is 100 µs and 100 allocations for 40 records.
func BenchmarkComputeAndJudge(b *testing.B) {
	job, err := AssembleItems(nil, ExampleEvaluation().Items)
	if err != nil {
		b.Fatal(err)
	}
	set := DefaultSet()
	b.ReportAllocs()
	for b.Loop() {
		ComputeAndJudge(set, job)
	}
}

func BenchmarkAssemble(b *testing.B) {
	items := ExampleEvaluation().Items
	b.ReportAllocs()
	for b.Loop() {
		if _, err := AssembleItems(nil, items); err != nil {
			b.Fatal(err)
		}
	}
}
