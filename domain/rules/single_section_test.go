package rules

import (
	"slices"
	"testing"

	"ductledger/domain"
)

// singleSection is the clean job cut down to a single section, lengthwise and
// heated by gas, with about 40 records.
func singleSection(t testing.TB) *jobUnderTest {
	j := clean(t)
	j.gas()
	h := j.home()
	h.SectionCount, h.DuctedSections, h.JoistDirection = 1, []domain.Section{"A"}, domain.Lengthwise
	dropCrossover(j)
	var gone []domain.UUID
	j.drop(func(i Item) bool {
		c, part := i.Record.(*domain.Component)
		o, cut := i.Record.(*domain.Opening)
		if part && c.Section == "B" || cut && o.Section == "B" {
			gone = append(gone, i.ID)
			return true
		}
		return false
	})
	j.drop(func(i Item) bool {
		r, repair := i.Record.(*domain.Repair)
		if repair {
			r.ComponentIDs = slices.DeleteFunc(r.ComponentIDs, func(id domain.UUID) bool { return slices.Contains(gone, id) })
		}
		p, photo := i.Record.(*domain.Photo)
		return repair && len(r.ComponentIDs) == 0 || photo && slices.Contains(gone, p.Subjects[0].ID)
	})
	return j
}

func TestSingleSectionOnGas(t *testing.T) {
	j := singleSection(t)
	_, v := j.judge()
	if len(v.Findings) > 0 {
		t.Fatal(show(v.Findings))
	}
	for rule, want := range map[string]Outcomes{
		"section_reached":      {NotApplicable: 1},
		"crossover_taken_down": {NotApplicable: 1},
		"takeoff_sealed":       {NotApplicable: 1},
		"combustion_checked":   {Holds: 1},
		"energy_isolated":      {Holds: 6}, // trunk, 2 repairs of boots, 2 ends, isolation
		"boot_sealed":          {Holds: 7},
		"trunk_end_treated":    {Holds: 2},
	} {
		if got := v.Of(rule).Outcomes; got != want {
			t.Errorf("%s: %+v, want %+v", rule, got, want)
		}
	}
	if n := len(j.items); n < 40 || n > 50 {
		t.Errorf("%d records", n)
	}
}

func BenchmarkSingleSection(b *testing.B) {
	j := singleSection(b)
	entries, set := j.entries(), j.set()
	b.ReportAllocs()
	for b.Loop() {
		job, err := Assemble(j.job, entries, Outside{})
		if err != nil {
			b.Fatal(err)
		}
		ComputeAndJudge(set, job)
	}
}
