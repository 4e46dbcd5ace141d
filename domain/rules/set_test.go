package rules

import (
	"math"
	"strings"
	"testing"

	"ductledger/domain"
)

func TestNewSetRefusesWithThePlace(t *testing.T) {
	for _, row := range []struct {
		name, pointer, code string
		setting             domain.RuleSetting
	}{
		{"unknown rule", "/rules/1/rule", "unknown_rule", domain.RuleSetting{Rule: "no_such_rule"}},
		{"set twice", "/rules/1/rule", "repeated", domain.RuleSetting{Rule: "flex_sag"}},
		{"unknown severity", "/rules/1/severity", "unknown_severity", domain.RuleSetting{Rule: "pan_target", Severity: "hard"}},
		{"unknown parameter", "/rules/1/parameters/lap_ft", "unknown_parameter", domain.RuleSetting{Rule: "duct_patch_overlap", Parameters: map[string]float64{"lap_ft": 1}}},
		{"too small", "/rules/1/parameters/lap_in", "too_small", domain.RuleSetting{Rule: "duct_patch_overlap", Parameters: map[string]float64{"lap_in": 0.1}}},
		{"too large", "/rules/1/parameters/lap_in", "too_large", domain.RuleSetting{Rule: "duct_patch_overlap", Parameters: map[string]float64{"lap_in": 6.5}}},
		{"no number", "/rules/1/parameters/lap_in", "not_finite", domain.RuleSetting{Rule: "duct_patch_overlap", Parameters: map[string]float64{"lap_in": math.NaN()}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, faults := NewSet(domain.UUID{}, &domain.RuleSet{Rules: []domain.RuleSetting{{Rule: "flex_sag"}, row.setting}})
			if len(faults) != 1 || faults[0].Pointer != row.pointer || faults[0].Code != row.code || faults[0].Detail == "" {
				t.Errorf("%+v", faults)
			}
		})
	}
	_, faults := NewSet(domain.UUID{}, &domain.RuleSet{Rules: []domain.RuleSetting{{Rule: "x"}, {Rule: "duct_patch_overlap", Parameters: map[string]float64{"lap_in": 9, "b": 1}}}})
	if len(faults) != 3 {
		t.Errorf("every fault is reported, got %+v", faults)
	}
}

// A share of what was paid is taken by a call-back alone, and what is taken
// goes back to the fund that paid, which the price does not choose.
func TestPricesOfCallBacks(t *testing.T) {
	quarter := 0.25
	_, faults := NewSet(domain.UUID{}, &domain.RuleSet{Prices: []domain.Price{
		{Line: "call_back", PaidRatio: &quarter}, {Line: "home", FundSource: "state_fund", Category: "labor"},
		{Line: "home", PaidRatio: &quarter}, {Line: "call_back", FundSource: "state_fund", Category: "labor"},
	}})
	places := ""
	for _, f := range faults {
		places += f.Pointer + " " + f.Code + "\n"
	}
	if want := "/prices/2/paid_ratio not_here\n/prices/3/fund_source not_here\n/prices/3/category not_here\n"; places != want {
		t.Errorf("faults\n%swant\n%s", places, want)
	}
}

// The bounds themselves may be set, of every parameter of every rule.
func TestNewSetTakesTheBounds(t *testing.T) {
	for _, r := range all {
		for _, p := range r.Parameters {
			for _, value := range []float64{p.Low, p.Default, p.High} {
				_, faults := NewSet(domain.UUID{}, &domain.RuleSet{Rules: []domain.RuleSetting{{Rule: r.Key, Parameters: map[string]float64{p.Name: value}}}})
				if len(faults) > 0 {
					t.Errorf("%s: %+v", r.Key, faults)
				}
			}
		}
	}
}

func TestSetChangesLimitsSeverityAndOff(t *testing.T) {
	j := clean(t)
	j.limit("duct_patch_overlap", "lap_in", 1.5)
	if _, v := j.judge(); len(v.Findings) != 1 || v.Findings[0].Parameters["lap_in"] != 1.5 {
		t.Error(show(v.Findings))
	}
	j.ruleSet.Rules[0].Severity = "note"
	if _, v := j.judge(); v.Findings[0].Severity != Note || v.Counts != (Counts{Note: 1}) {
		t.Error(show(v.Findings))
	}
	j.ruleSet.Rules[0].Off = new(true)
	if _, v := j.judge(); len(v.Findings) != 0 || v.Of("duct_patch_overlap").Rule != "" {
		t.Error("a rule that is off says nothing", show(v.Findings))
	}
	if _, v := clean(t).judge(); len(v.Findings) != 0 {
		t.Error("one program's setting reached another", show(v.Findings))
	}
}

func TestRulesAreComplete(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range all {
		if seen[r.Key] {
			t.Errorf("%s stands twice", r.Key)
		}
		seen[r.Key] = true
		for what, text := range map[string]string{"title": r.Title, "why": r.Why, "judged": r.Judged, "none": r.None,
			"source": r.Source, "holds": r.Example.Holds, "broken": r.Example.Broken} {
			if text == "" {
				t.Errorf("%s has no %s", r.Key, what)
			}
		}
		if (r.Fix == "") != (r.Cure == NoCure) {
			t.Errorf("%s: cure %s, fix %q", r.Key, r.Cure, r.Fix)
		}
		for _, p := range r.Parameters {
			if p.Name == "" || p.Unit == "" || p.Source == "" || p.Low > p.Default || p.Default > p.High || p.Low >= p.High {
				t.Errorf("%s: %+v", r.Key, p)
			}
		}
	}
	if len(seen) < 50 {
		t.Errorf("%d rules", len(seen))
	}
}

// Nothing that a person reads promises that a danger is gone.
func TestNothingIsCalledSafe(t *testing.T) {
	var text strings.Builder
	for _, p := range Pages(DefaultSet()) {
		text.WriteString(show(p))
	}
	for _, s := range screens {
		text.WriteString(s.Question + s.Innocent)
	}
	for _, c := range allCases() {
		for _, ch := range append(c.broken, c.notRecorded...) {
			j := clean(t)
			ch.do(j)
			_, v := j.judge()
			text.WriteString(show(v.Findings))
		}
	}
	read := strings.ReplaceAll(text.String(), "combustion safety test", "")
	for _, word := range []string{"safe", "harmless", "no danger", "no risk"} {
		if i := strings.Index(strings.ToLower(read), word); i >= 0 {
			t.Errorf("%q in …%s…", word, read[max(0, i-60):min(len(read), i+60)])
		}
	}
}

func TestPages(t *testing.T) {
	j := clean(t)
	j.limit("pan_target", "target_pa", 2)
	j.ruleSet.Rules[0].Severity = "must_fix"
	pages := Pages(j.set())
	if len(pages) != len(Keys()) {
		t.Fatal("a page for each rule")
	}
	if p := pages[placeOf("pan_target")]; p.Severity != MustFix || p.Parameters[0].Value != 2 || p.Parameters[0].Default != 1 {
		t.Errorf("%+v", p)
	}
	for i, r := range all {
		if want := map[bool]string{true: r.noCure(), false: r.Fix}[r.Cure == NoCure]; pages[i].Key != r.Key || pages[i].Fix != want {
			t.Errorf("%s: page of %s, fix %q", r.Key, pages[i].Key, pages[i].Fix)
		}
	}
}
