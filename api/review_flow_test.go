package api_test

import (
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// onDay moves the invented work, of 2026-10-14, to another day.
func onDay(t testing.TB, day string) func(domain.Record) {
	return func(record domain.Record) {
		raw, err := json.Marshal(record)
		if err != nil {
			t.Fatal(err)
		}
		moved, err := domain.Decode(record.Kind(), []byte(strings.ReplaceAll(string(raw), "2026-10-14", day)))
		if err != nil {
			t.Fatal(err)
		}
		reflect.ValueOf(record).Elem().Set(reflect.ValueOf(moved).Elem())
	}
}

// accept sends an accepting review; open are the codes of what stops it.
func accept(a *apitest.API, in *invented) (open []string) {
	a.T.Helper()
	got := push(a, a.Tokens[domain.Staff], in.review(domain.Accept)).Items[0]
	if got.Status == "created" {
		return nil
	}
	if got.Problem == nil || got.Problem.Code != "not_acceptable" {
		a.T.Fatalf("%s %+v", got.Status, got.Problem)
	}
	for _, f := range got.Problem.Errors {
		open = append(open, f.Code)
	}
	a.Do(domain.Staff, "POST", "/v1/held/"+got.HeldID+"/dismiss", nil).Want(200) // the refused review
	return open
}

// settle answers every check and waives everything else that is open.
func settle(a *apitest.API, in *invented) {
	a.T.Helper()
	for _, f := range findingsOf(a, in.Job) {
		ref := domain.FindingRef{Rule: f.Rule, Subjects: f.Subjects}
		switch f.Severity {
		case "check":
			must(a, a.Tokens[domain.Staff], in.review(domain.Answer, func(r *domain.Review) { r.Finding = &ref }))
		case "must_fix":
			must(a, a.Tokens[domain.Staff], item(domain.WaiverKind, storagetest.ID(), 0,
				domain.Waiver{JobID: in.Job, Finding: ref, Reason: "invented reason", AgreedConsequence: "none"}))
		}
	}
}

// ruleSet records a coming set.
func ruleSet(a *apitest.API, set domain.RuleSet) domain.UUID {
	a.T.Helper()
	id := storagetest.ID()
	must(a, a.Tokens[domain.Admin], item(domain.RuleSetKind, id, 0, set))
	return id
}

// A rule set begins on the fifteenth: each job is judged by the set of the day
// of its work, also when it is sent in later, and by that set it stays judged.
func TestRuleSetChangesInTheMonth(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t) // 2026-10-01
	second := ruleSet(a, domain.RuleSet{Name: "second", FromOn: "2026-10-15",
		Rules: []domain.RuleSetting{{Rule: "crossover_collar_screws", Severity: "must_fix", Parameters: map[string]float64{"fasteners_count": 4}}}})
	a.Clock.Move(30 * 24 * time.Hour)
	for _, row := range []struct {
		day, severity string
		second        bool
	}{{"2026-10-14", "check", false}, {"2026-10-15", "must_fix", true}, {"2026-10-16", "must_fix", true}} {
		in := invent(a, a.World, threeScrews, onDay(t, row.day))
		in.sendIn(a, a.Tokens)
		var answer struct {
			RuleSetID string `json:"rule_set_id"`
			Findings  []finding
		}
		a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&answer)
		if len(answer.Findings) != 1 || answer.Findings[0].Severity != row.severity || (answer.RuleSetID == second.String()) != row.second {
			t.Errorf("work on %s: set %s (the second is %s), %+v", row.day, answer.RuleSetID, second, answer.Findings)
		}
	}
	got := push(a, a.Tokens[domain.Admin], item(domain.RuleSetKind, second, 1, domain.RuleSet{Name: "changed", FromOn: "2026-10-15"})).Items[0]
	if got.Status != "rejected" {
		t.Errorf("a set in force was changed: %s", got.Status)
	}
}

// Where the program asks for a final inspection, a review alone does not
// accept; an inspection that failed or is not final does not help.
func TestAcceptanceNeedsTheFinalInspection(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	ruleSet(a, domain.RuleSet{Name: "inspected", FromOn: "2026-10-05", AcceptNeeds: "final_inspection"})
	a.Clock.Move(14 * 24 * time.Hour)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	inspect := func(purpose, result string) {
		must(a, a.Tokens[domain.Staff], item(domain.InspectionKind, storagetest.ID(), 0,
			domain.Inspection{JobID: in.Job, Purpose: purpose, InspectedOn: "2026-10-15", InspectorName: "Ira Invented", Result: result}))
	}
	want := []string{"final_inspection"}
	for _, step := range [][2]string{{"", ""}, {"in_progress", "passed"}, {"monitoring", "passed"}, {"final", "failed"}, {"final", "not_finished"}} {
		if step[0] != "" {
			inspect(step[0], step[1])
		}
		if got := accept(a, in); !slices.Equal(got, want) {
			t.Errorf("after %v: %v, want %v", step, got, want)
		}
	}
	inspect("final", "passed")
	if got := accept(a, in); got != nil {
		t.Errorf("after the inspection passed: %v", got)
	}
}

// Air that was not read in a home with a gas appliance, and air above the
// limit (35 ppm, BPI Building Analyst 2005 [mem]), stop the acceptance.
func TestCombustionStopsTheAcceptance(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	gas := func(record domain.Record) {
		if home, ok := record.(*domain.Home); ok {
			home.CombustionAppliances = []string{"water_heater"}
		}
	}
	in := invent(a, a.World, gas)
	in.sendIn(a, a.Tokens)
	found := findingsOf(a, in.Job)
	if len(found) != 1 || found[0].Rule != "combustion_checked" || found[0].Outcome != "not_recorded" {
		t.Fatalf("%+v", found)
	}
	if got := accept(a, in); !slices.Equal(got, []string{"combustion_checked"}) {
		t.Errorf("air was not read: %v", got)
	}
	id := in.ids(domain.VisitKind)[0]
	visit := func(version int, ppm float64, result string) {
		var record domain.Visit
		for _, i := range in.items {
			if v, ok := i.Record.(*domain.Visit); ok {
				record = *v
			}
		}
		read, tested := record.ArrivedAt.Add(time.Minute), record.LeftAt.Add(-time.Minute)
		record.Combustion = &domain.CombustionCheck{AmbientCOPpm: &ppm, AmbientCOAt: &read, TestedAt: &tested, TestResult: result, TestedBy: "Tess Invented"}
		must(a, a.Tokens[domain.Field], item(domain.VisitKind, id, version, record))
	}
	for i, row := range []struct {
		ppm      float64
		result   string
		severity string // of the fault; empty: none
	}{{36, "passed", "must_fix"}, {9, "failed", "check"}, {35, "passed", ""}} {
		visit(i+1, row.ppm, row.result)
		found = findingsOf(a, in.Job)
		broken := slices.ContainsFunc(found, func(f finding) bool {
			return f.Rule == "combustion_checked" && f.Severity == row.severity && f.Outcome == "broken"
		})
		if broken != (row.severity != "") {
			t.Errorf("%v ppm, test %s: %+v", row.ppm, row.result, found)
		}
		if row.severity != "" && !slices.Contains(accept(a, in), "combustion_checked") {
			t.Errorf("%v ppm, test %s: accepted", row.ppm, row.result)
		}
	}
}

// What the contractor says to a finding is kept and answers nothing: a check
// is open until the agency answers it.
func TestAReplyAnswersNoCheck(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := invent(a, a.World, threeScrews)
	in.sendIn(a, a.Tokens)
	found := findingsOf(a, in.Job)
	ref := func(r *domain.Review) {
		r.Finding = &domain.FindingRef{Rule: found[0].Rule, Subjects: found[0].Subjects}
	}
	must(a, a.Tokens[domain.ContractorRole], in.review(domain.Reply, ref, func(r *domain.Review) { r.Text = "the fourth hole was rusted through" }))
	if got := accept(a, in); !slices.Equal(got, []string{"crossover_collar_screws"}) {
		t.Errorf("after the reply: %v", got)
	}
	if got := push(a, a.Tokens[domain.ContractorRole], in.review(domain.Answer, ref)).Items[0]; got.Status != "rejected" || got.Problem.Code != "forbidden" {
		t.Errorf("a contractor answered the check itself: %s %+v", got.Status, got.Problem)
	}
}

type frozenJob struct {
	RuleSetID  string `json:"rule_set_id"`
	JudgedAt   int64  `json:"judged_at_position"`
	Acceptance *struct {
		Number        int
		Position      int64
		AcceptedAt    string `json:"accepted_at"`
		Month         string
		InputDigest   string `json:"input_digest"`
		UntilPosition int64  `json:"until_position"`
	}
	Findings   []finding
	Rules      []any
	AfterCFM25 *float64 `json:"after_cfm25"`
}

// The first verdict stays readable at its position, whatever came later: late
// work, re-opening, a second acceptance, a third opening.
func TestTheFirstVerdictStays(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	staff := a.Tokens[domain.Staff]
	in := accepted(a, a.World, a.Tokens)
	read := func(what string, position int64) (j frozenJob) {
		t.Helper()
		path := "/v1/jobs/" + in.Job.String() + "/" + what
		if position > 0 {
			path += fmt.Sprintf("?position=%d", position)
		}
		a.Do(domain.Staff, "GET", path, nil).Want(200).Into(&j)
		return j
	}
	first := read("findings", 0)
	if f := first.Acceptance; f == nil || f.Number != 1 || f.Position != first.JudgedAt || f.Month != "2026-10" || len(f.InputDigest) != 64 || f.UntilPosition != 0 {
		t.Fatalf("%+v", first.Acceptance)
	}
	firstResult := read("result", 0)
	after := in.ids(domain.MeasurementKind)[1]
	a.Do(domain.Staff, "POST", "/v1/measurements/"+after.String()+"/void", object{"reason": "the wrong ring"}, "If-Match", `"1"`).Want(200)
	if now := read("findings", 0); !reflect.DeepEqual(now, first) {
		t.Errorf("late work moved the verdict: %+v", now)
	}
	reopened := must(a, staff, in.review(domain.Reopen)).Items[0].Position + 1
	open := read("findings", 0)
	if open.Acceptance != nil || reflect.DeepEqual(open.Findings, first.Findings) {
		t.Errorf("opened again: %+v", open)
	}
	// The crew reads again and sends in; the second acceptance stands beside the first.
	var reading domain.Measurement
	for _, i := range in.items {
		if m, ok := i.Record.(*domain.Measurement); ok && i.ID == after {
			reading = *m
		}
	}
	flow := 130.0
	reading.Readings = []domain.Reading{{PressurePa: reading.Readings[0].PressurePa, FlowCFM: &flow}}
	must(a, a.Tokens[domain.Field], item(domain.MeasurementKind, storagetest.ID(), 0, reading), item(domain.JobKind, in.Job, 4, in.state(domain.SentIn)))
	if got := accept(a, in); len(got) == 0 {
		t.Error("nothing was open, though the photo of the voided test stands alone")
	}
	settle(a, in)
	if got := accept(a, in); got != nil {
		t.Fatal(got)
	}
	second := read("findings", 0)
	if s := second.Acceptance; s == nil || s.Number != 2 || s.InputDigest == first.Acceptance.InputDigest || s.Position <= reopened {
		t.Fatalf("%+v", second.Acceptance)
	}
	for _, position := range []int64{first.Acceptance.Position, reopened - 1} {
		then := read("findings", position)
		if then.Acceptance == nil || then.Acceptance.UntilPosition != reopened {
			t.Fatalf("at %d: %+v", position, then.Acceptance)
		}
		then.Acceptance.UntilPosition = 0
		if !reflect.DeepEqual(then, first) {
			t.Errorf("at %d stood %+v, now %+v", position, first, then)
		}
		if got := read("result", position); *got.AfterCFM25 != *firstResult.AfterCFM25 {
			t.Errorf("at %d the result was %v, now %v", position, *firstResult.AfterCFM25, *got.AfterCFM25)
		}
	}
	if got := read("result", second.Acceptance.Position); *got.AfterCFM25 == *firstResult.AfterCFM25 {
		t.Errorf("the second result is the first: %v", *got.AfterCFM25)
	}
	path := "/v1/jobs/" + in.Job.String() + "/findings?position="
	a.Do(domain.Staff, "GET", fmt.Sprint(path, reopened), nil).Want(404)
	a.Do(domain.Staff, "GET", fmt.Sprint(path, first.Acceptance.Position-1), nil).Want(404)
	a.Do(domain.Staff, "GET", path+"9007199254740991", nil).Want(400)
	a.Do(domain.Field, "GET", fmt.Sprint(path, first.Acceptance.Position), nil).Want(404) // an accepted job has left the crew's sight
	rows, err := at.connect(t).Query(context.Background(), `SELECT serial, accepted_month FROM job_result WHERE job_id = $1 ORDER BY serial`, in.Job.String())
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for rows.Next() {
		var serial int
		var month *string
		if err := rows.Scan(&serial, &month); err != nil {
			t.Fatal(err)
		}
		if month != nil {
			kept = append(kept, fmt.Sprintf("%d %s", serial, *month))
		}
	}
	if rows.Err() != nil || !slices.Equal(kept, []string{"1 2026-10", "2 2026-10"}) {
		t.Errorf("%v %v", kept, rows.Err())
	}
}

// A refused acceptance waits for nobody once its job is accepted by another
// review; one of another job goes on waiting.
func TestAcceptanceClosesTheRefusedOnes(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	a.Clock.Move(14 * 24 * time.Hour)
	refused := func() (*invented, string) {
		in := invent(a, a.World, threeScrews)
		in.sendIn(a, a.Tokens)
		got := push(a, a.Tokens[domain.Staff], in.review(domain.Accept)).Items[0]
		if got.Problem == nil || got.Problem.Code != "not_acceptable" {
			t.Fatalf("a job with an open check: %s %+v", got.Status, got.Problem)
		}
		return in, got.HeldID
	}
	in, held := refused()
	_, other := refused()
	settle(a, in)
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	for state, want := range map[string]string{"closed": held, "open": other} {
		var got struct {
			Items []struct {
				ID string `json:"held_id"`
			}
		}
		if a.Do(domain.Staff, "GET", "/v1/held?state="+state, nil).Want(200).Into(&got); len(got.Items) != 1 || got.Items[0].ID != want {
			t.Errorf("%s are %+v, want %s", state, got.Items, want)
		}
	}
}
