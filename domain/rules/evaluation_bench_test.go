package rules

import (
	"testing"

	"ductledger/domain"
)

// oneSection is a home of one section with some 40 records, without fault.
func oneSection(tb testing.TB) *jobUnderTest {
	j := clean(tb)
	oneSectionLeft(j)
	return j
}

func oneSectionLeft(j *jobUnderTest) {
	gone := map[domain.UUID]bool{}
	for _, item := range j.items {
		switch r := item.Record.(type) {
		case *domain.Component:
			gone[item.ID] = r.Section == "B"
		case *domain.Opening:
			gone[item.ID] = r.Section == "B"
		case *domain.Crossover:
			gone[item.ID] = true
		case *domain.Repair:
			gone[item.ID] = r.CrossoverID != nil
		}
	}
	j.drop(func(i Item) bool {
		switch r := i.Record.(type) {
		case *domain.Photo:
			return gone[r.Subjects[0].ID]
		case *domain.Repair:
			kept := r.ComponentIDs[:0:0]
			for _, id := range r.ComponentIDs {
				if !gone[id] {
					kept = append(kept, id)
				}
			}
			r.ComponentIDs = kept
			return gone[i.ID] || len(kept) == 0
		}
		return gone[i.ID]
	})
	j.home().SectionCount, j.home().DuctedSections = 1, []domain.Section{"A"}
}

// Beyond its inputs an evaluation of some 40 records costs at most 100 µs and
// 100 allocations; the second is counted, since it is the same on each machine.
const mostAllocations = 100

func TestEvaluationAllocations(t *testing.T) {
	j := oneSection(t)
	if _, v := j.judge(); len(v.Findings) > 0 || len(j.items) < 38 {
		t.Fatalf("%d records, %s", len(j.items), show(v.Findings))
	}
	job, set := j.assemble(), j.set()
	if n := testing.AllocsPerRun(100, func() { ComputeAndJudge(set, job) }); n > mostAllocations {
		t.Errorf("%v allocations, at most %d are meant", n, mostAllocations)
	}
}

func BenchmarkEvaluationOf40Records(b *testing.B) {
	j := oneSection(b)
	entries, set := j.entries(), j.set()
	b.ReportMetric(float64(len(entries)), "records")
	b.ReportAllocs()
	for b.Loop() {
		job, err := Assemble(j.job, entries, Outside{})
		if err != nil {
			b.Fatal(err)
		}
		ComputeAndJudge(set, job)
	}
}
