package rules

import (
	"encoding/json"
	"math"
	"testing"

	"ductledger/domain"
)

// The invented job breaks exactly three rules; figures [calc] from
// Q25 = Q·(25/P)^0.6: 121·(25/25.1)^0.6 = 120.71052607.
func TestExampleEvaluation(t *testing.T) {
	e := ExampleEvaluation()
	job, err := AssembleItems(nil, e.Items)
	if err != nil {
		t.Fatal(err)
	}
	result, verdict := ComputeAndJudge(DefaultSet(), job)
	want := []struct {
		rule, detail string
		severity     Severity
		cure         Cure
	}{
		{"energy_isolated", "opening in trunk A at 20.4 ft, for furnace joint A: it was opened 09:58, energy was isolated 10:04 and verified 10:06; the program wants both before.", MustFix, NoCure},
		{"end_closure_clear_of_outlets", "sloped blank at trunk end B rear: it stands at 49.0 ft, on the wrong side of register B7 at 51.0 ft, which gets no air.", MustFix, OnSite},
		{"crossover_collar_screws", "crossover A→B: 3 fasteners through the tabs at end A; the program wants 4.", Check, OnSite},
	}
	if len(verdict.Findings) != len(want) {
		text, _ := json.MarshalIndent(verdict.Findings, "", "  ")
		t.Fatalf("%d findings, want %d: %s", len(verdict.Findings), len(want), text)
	}
	for i, w := range want {
		f := verdict.Findings[i]
		if f.Rule != w.rule || f.Detail != w.detail || f.Severity != w.severity || f.Cure != w.cure || f.Outcome != Broken {
			t.Errorf("finding %d is %+v, want %+v", i, f, w)
		}
	}
	if verdict.Counts != (Counts{MustFix: 2, Check: 1}) {
		t.Errorf("counts %+v", verdict.Counts)
	}
	for _, row := range []struct {
		name string
		got  *float64
		want float64
		tol  float64
	}{
		{"before", result.BeforeCFM25, 318, 0},
		{"after", result.AfterCFM25, 120.71052607, 5e-9},
		{"reduction", result.ReductionCFM25, 197.28947393, 5e-9},
		{"ratio", result.ReductionRatio, 0.6204071507, 5e-11},
		{"before per 100 ft²", result.BeforePer100Ft2, 20.28, 5e-3},
		{"after per 100 ft²", result.AfterPer100Ft2, 7.70, 5e-3},
	} {
		if row.got == nil || math.Abs(*row.got-row.want) > row.tol {
			t.Errorf("%s is %v, want %v", row.name, row.got, row.want)
		}
	}
	if result.Extrapolated || result.Method != domain.FanTotal || result.Reason != "" || !*result.Distinguishable {
		t.Errorf("result %+v", result)
	}
	if *result.BeforeTenths != 3180 || *result.AfterTenths != 1207 {
		t.Errorf("tenths %d and %d", *result.BeforeTenths, *result.AfterTenths)
	}
}
