package judgment

import (
	"testing"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// A finding is the same while rule, subjects (in whatever order), outcome and
// severity are; another limit or sentence makes no other finding of it.
func TestDifferences(t *testing.T) {
	t.Parallel()
	one, two := domain.Subject{Kind: domain.OpeningKind, ID: domain.UUID{1}}, domain.Subject{Kind: domain.RepairKind, ID: domain.UUID{2}}
	base := rules.Finding{Rule: "a", Outcome: rules.Broken, Severity: rules.Check, Subjects: []domain.Subject{one, two}, Detail: "3, asked 4", Parameters: map[string]float64{"n": 4}}
	with := func(change func(*rules.Finding)) rules.Finding {
		f := base
		change(&f)
		return f
	}
	for _, row := range []struct {
		name       string
		after      []rules.Finding
		gone, come int
	}{
		{"the same", []rules.Finding{base}, 0, 0},
		{"other words and limit", []rules.Finding{with(func(f *rules.Finding) { f.Detail, f.Parameters = "3, asked 6", map[string]float64{"n": 6} })}, 0, 0},
		{"subjects in another order", []rules.Finding{with(func(f *rules.Finding) { f.Subjects = []domain.Subject{two, one} })}, 0, 0},
		{"one subject less", []rules.Finding{with(func(f *rules.Finding) { f.Subjects = []domain.Subject{one} })}, 1, 1},
		{"heavier", []rules.Finding{with(func(f *rules.Finding) { f.Severity = rules.MustFix })}, 1, 1},
		{"not recorded", []rules.Finding{with(func(f *rules.Finding) { f.Outcome = rules.NotRecorded })}, 1, 1},
		{"another rule", []rules.Finding{with(func(f *rules.Finding) { f.Rule = "b" })}, 1, 1},
		{"none", nil, 1, 0},
		{"one more", []rules.Finding{base, with(func(f *rules.Finding) { f.Rule = "b" })}, 0, 1},
	} {
		gone, come := differences([]rules.Finding{base}, row.after)
		if len(gone) != row.gone || len(come) != row.come {
			t.Errorf("%s: gone %d, come %d; want %d, %d", row.name, len(gone), len(come), row.gone, row.come)
		}
	}
}
