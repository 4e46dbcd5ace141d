package api_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// The worked example breaks exactly three rules; its figures are [calc] from
// Q25 = Q·(25/P)^0.6 with 318 cfm at 25.0 Pa and 121 cfm at 25.1 Pa, over 1568 ft².
func TestEvaluationOfTheWorkedJob(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Staff} {
		var answer struct {
			Result   map[string]any
			Findings []finding
		}
		unmoved(a, func() {
			a.Do(role, "POST", "/v1/evaluations", rules.ExampleEvaluation()).Want(200).Into(&answer)
		}, a.Tokens[domain.Staff])
		want := []finding{
			{Rule: "energy_isolated", Severity: "must_fix", Outcome: "broken", Cure: "none"},
			{Rule: "end_closure_clear_of_outlets", Severity: "must_fix", Outcome: "broken", Cure: "on_site"},
			{Rule: "crossover_collar_screws", Severity: "check", Outcome: "broken", Cure: "on_site"},
		}
		if len(answer.Findings) != len(want) {
			t.Fatalf("%s: %+v", role, answer.Findings)
		}
		for i, w := range want {
			if f := answer.Findings[i]; f.Rule != w.Rule || f.Severity != w.Severity || f.Outcome != w.Outcome || f.Cure != w.Cure || len(f.Subjects) == 0 {
				t.Errorf("%s: finding %d is %+v, want %+v", role, i, f, w)
			}
		}
		for name, row := range map[string]struct{ want, tol float64 }{
			"before_cfm25": {318, 0}, "after_cfm25": {120.71052607, 5e-9}, "reduction_cfm25": {197.28947393, 5e-9}, "reduction_ratio": {0.6204071507, 5e-11},
			"before_cfm25_per_100ft2": {20.28, 5e-3}, "after_cfm25_per_100ft2": {7.70, 5e-3},
		} {
			if got, _ := answer.Result[name].(float64); math.Abs(got-row.want) > row.tol {
				t.Errorf("%s: %s is %v, want %v", role, name, got, row.want)
			}
		}
		if answer.Result["extrapolated"] != false || answer.Result["method"] != "fan_total" {
			t.Errorf("%s: %v", role, answer.Result)
		}
	}
}

// What is stored is judged as what is evaluated: one judge serves both.
func TestEvaluationEqualsTheStoredJob(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := invent(a, a.World, threeScrews)
	in.sendIn(a, a.Tokens)
	evaluation := rules.Evaluation{RulesOn: "2026-10-14", Items: append([]rules.Item{
		{Kind: domain.ContractorKind, ID: a.World.Contractor, Record: &domain.Contractor{Name: "Invented Sealing"}}}, in.items...)}
	var evaluated, stored struct {
		Findings json.RawMessage
		Rules    json.RawMessage
	}
	got := a.Do(domain.Staff, "POST", "/v1/evaluations", evaluation).Want(200)
	got.Into(&evaluated)
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&stored)
	if string(evaluated.Findings) != string(stored.Findings) {
		t.Errorf("evaluated %s\nstored %s", evaluated.Findings, stored.Findings)
	}
	var result, answer object
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/result", nil).Want(200).Into(&result)
	got.Into(&answer)
	for name, value := range answer["result"].(object) {
		if a, b := mustJSON(t, value), mustJSON(t, result[name]); a != b {
			t.Errorf("%s: evaluated %s, stored %s", name, a, b)
		}
	}
}

func mustJSON(t testing.TB, value any) string {
	t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestBadEvaluations(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	text := mustJSON(t, rules.ExampleEvaluation())
	tree := func() (o object) {
		if err := json.Unmarshal([]byte(text), &o); err != nil {
			t.Fatal(err)
		}
		return o
	}
	items := func(change func([]any) []any) object {
		o := tree()
		o["items"] = change(o["items"].([]any))
		return o
	}
	at := func(list []any, kind string) int {
		return slices.IndexFunc(list, func(i any) bool { return i.(object)["kind"] == kind })
	}
	record := func(list []any, kind string) object { return list[at(list, kind)].(object)["record"].(object) }
	other := func(change func(object)) object {
		o := tree()
		change(o)
		return o
	}
	reading := "/items/" + strings.TrimSpace(mustJSON(t, at(tree()["items"].([]any), "measurement"))) + "/record"
	unmoved(a, func() {
		for _, c := range []struct {
			name     string
			body     any
			pointers []string
		}{
			{"no day", other(func(o object) { delete(o, "rules_on") }), []string{"/rules_on"}},
			{"no such day", other(func(o object) { o["rules_on"] = "2026-02-30" }), []string{"/rules_on"}},
			{"an unknown key", other(func(o object) { o["color"] = 1 }), []string{"/color"}},
			{"no items", items(func([]any) []any { return []any{} }), []string{"/items"}},
			{"no job", items(func(l []any) []any { return slices.Delete(l, at(l, "job"), at(l, "job")+1) }), nil},
			{"two jobs", items(func(l []any) []any {
				return append(l, object{"kind": "job", "id": storagetest.ID(), "record": record(l, "job")})
			}), nil},
			{"no such kind", items(func(l []any) []any {
				return append(l[:0:0], object{"kind": "boat", "id": storagetest.ID(), "record": object{}})
			}), []string{"/items/0/kind"}},
			{"a key that the record has not", items(func(l []any) []any { record(l, "measurement")["color"] = 1; return l }), []string{reading + "/color"}},
			{"a pressure of 0 and a flow below it", items(func(l []any) []any {
				record(l, "measurement")["readings"] = []any{object{"pressure_pa": 0, "flow_cfm": -3}}
				return l
			}), []string{reading + "/readings/0/flow_cfm", reading + "/readings/0/pressure_pa"}},
			{"a fan reading without a flow", items(func(l []any) []any { record(l, "measurement")["readings"] = []any{object{"pressure_pa": 25}}; return l }), []string{reading + "/readings/0"}},
		} {
			p := a.Do(domain.Field, "POST", "/v1/evaluations", c.body).Want(422).Problem()
			if p.Code != "invalid" || p.Detail == "" || c.pointers != nil && !slices.Equal(p.Pointers(), c.pointers) {
				t.Errorf("%s: %s %q %v, want %v", c.name, p.Code, p.Detail, p.Pointers(), c.pointers)
			}
		}
	}, a.Tokens[domain.Staff])
}
