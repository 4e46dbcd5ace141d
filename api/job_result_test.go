package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"net/http/httptest"
	"strings"
	"testing"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/judgment"
)

// evaluated sends the invented job to be evaluated; change alters it first.
func evaluated(a *apitest.API, change ...func(domain.Record)) (answer any) {
	a.T.Helper()
	e := rules.ExampleEvaluation()
	for _, item := range e.Items {
		for _, c := range change {
			c(item.Record)
		}
	}
	a.Do(domain.Staff, "POST", "/v1/evaluations", e).Want(200).Into(&answer)
	return answer
}

// One figure is one figure, by whatever address it is asked for: to the bit.
func TestEvaluationAgreesWithTheCalculations(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	calculated := func(path, body string) (answer any) {
		a.Do(domain.Staff, "POST", "/v1/calculations/"+path, body).Want(200).Into(&answer)
		return answer
	}
	several := []domain.Reading{}
	for _, pair := range [][2]float64{{15, 160}, {25, 214}, {35, 263}, {45, 300}, {55, 337}, {20, 190}} {
		several = append(several, domain.Reading{PressurePa: &pair[0], FlowCFM: &pair[1]})
	}
	for _, row := range []struct {
		name   string
		change func(*domain.Measurement)
		body   string
	}{
		{"one reading", func(*domain.Measurement) {}, `{"readings":[{"pressure_pa":25,"flow_cfm":318}]}`},
		{"several", func(m *domain.Measurement) { m.Readings = several },
			`{"readings":[{"pressure_pa":15,"flow_cfm":160},{"pressure_pa":25,"flow_cfm":214},{"pressure_pa":35,"flow_cfm":263},{"pressure_pa":45,"flow_cfm":300},{"pressure_pa":55,"flow_cfm":337},{"pressure_pa":20,"flow_cfm":190}]}`},
		{"an offset", func(m *domain.Measurement) { offset := 1.3; m.ZeroOffsetPa = &offset }, `{"readings":[{"pressure_pa":25,"flow_cfm":318}],"zero_before_pa":[1.3]}`},
	} {
		t.Run(row.name, func(t *testing.T) {
			evaluation := evaluated(a, func(r domain.Record) {
				if m, ok := r.(*domain.Measurement); ok && m.Stage == domain.Before {
					row.change(m)
				}
			})
			test := calculated("fan-test", row.body)
			for _, same := range [][2]string{{"result.before_cfm25", "leakage_cfm"}, {"result.readings.0.exponent", "exponent"},
				{"result.readings.0.relative_u_ratio", "uncertainty.relative_u_ratio"}, {"result.before_cfm25_low", "leakage_low_cfm"},
				{"result.before_cfm25_high", "leakage_high_cfm"}, {"result.readings.0.computed", "method"}} {
				if at(evaluation, same[0]) == nil || at(evaluation, same[0]) != at(test, same[1]) {
					t.Errorf("%s is %v, the calculation's %s is %v", same[0], at(evaluation, same[0]), same[1], at(test, same[1]))
				}
			}
			u := at(test, "uncertainty")
			reduction := calculated("reduction", fmt.Sprintf(`{"before":{"quantity":"total","leakage_cfm25":%v,"calibration_u_ratio":%v,"random_u_ratio":%v,"degrees_of_freedom":%v},
				"after":{"quantity":"total","leakage_cfm25":%v},"floor_area_ft2":1568}`, at(evaluation, "result.before_cfm25"), at(u, "calibration_u_ratio"), at(u, "random_u_ratio"),
				at(u, "degrees_of_freedom"), at(evaluation, "result.after_cfm25")))
			for _, name := range []string{"reduction_cfm25", "reduction_ratio", "log_reduction", "before_cfm25_per_100ft2", "after_cfm25_per_100ft2", "reduction_cfm25_per_100ft2", "distinguishable"} {
				if at(evaluation, "result."+name) != at(reduction, name) {
					t.Errorf("%s is %v, the calculation's %v", name, at(evaluation, "result."+name), at(reduction, name))
				}
			}
		})
	}
}

// bytesOf is a job's result as answered, without what the place adds.
func bytesOf(t *testing.T, body []byte) string {
	t.Helper()
	var answer map[string]json.RawMessage
	if err := json.Unmarshal(body, &answer); err != nil {
		t.Fatal(err)
	}
	delete(answer, "judged_at_position")
	delete(answer, "questions")
	delete(answer, "acceptance")
	delete(answer, "job_id")
	text, err := json.Marshal(answer)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The same bytes from the server, after a restart of it, before and after the
// acceptance, and from the ledger.
func TestResultIsTheSameBytesEverywhere(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	address := "/v1/jobs/" + in.Job.String() + "/result"
	first := a.Do(domain.Field, "GET", address, nil).Want(200).Body
	handler, err := api.New(api.Config{DB: a.DB, Now: a.Clock.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	request := httptest.NewRequest("GET", address, nil)
	request.Header.Set("Authorization", "Bearer "+a.Tokens[domain.Field])
	restarted := httptest.NewRecorder()
	handler.ServeHTTP(restarted, request)
	if !bytes.Equal(restarted.Body.Bytes(), first) {
		t.Errorf("after a restart\n%s\nbefore it\n%s", restarted.Body, first)
	}
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	accepted := a.Do(domain.Staff, "GET", address, nil).Want(200).Body
	if bytesOf(t, accepted) != bytesOf(t, first) {
		t.Errorf("accepted\n%s\nbefore\n%s", accepted, first)
	}
	rows := 0
	err = judgment.Recompute(context.Background(), a.DB, a.World.Program, in.Job, func(r judgment.Recomputed) error {
		rows++
		for _, d := range r.Differs {
			t.Error(d)
		}
		return nil
	})
	if err != nil || rows != 1 {
		t.Errorf("%d rows made again, %v", rows, err)
	}
	var evaluation any
	a.Do(domain.Staff, "POST", "/v1/evaluations", map[string]any{"rules_on": "2026-10-14", "items": append(in.evaluation(), item(domain.JobKind, in.Job, 0, in.state(domain.SentIn)))}).
		Want(200).Into(&evaluation)
	var stored any
	if err := json.Unmarshal(accepted, &stored); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"before_cfm25", "after_cfm25", "reduction_cfm25", "reduction_ratio", "before_cfm25_low", "after_cfm25_per_100ft2", "log_reduction_u"} {
		if at(stored, name) == nil || at(stored, name) != at(evaluation, "result."+name) {
			t.Errorf("%s is stored as %v, evaluated as %v", name, at(stored, name), at(evaluation, "result."+name))
		}
	}
}

// Four readings that repeat those of another home to the digit are asked
// about; three are not.
func TestQuestionsAboutOtherHomes(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	asked := func(readings int) string {
		alike := func(r domain.Record) {
			if m, ok := r.(*domain.Measurement); ok && m.Stage == domain.Before {
				m.Readings = nil
				for i := range readings {
					pa, cfm := 15.0+10*float64(i), 100*math.Pow(15+10*float64(i), 0.6)
					m.Readings = append(m.Readings, domain.Reading{PressurePa: &pa, FlowCFM: &cfm})
				}
			}
		}
		first, second := invent(a, a.World, alike), invent(a, a.World, alike)
		first.sendIn(a, a.Tokens)
		second.sendIn(a, a.Tokens)
		var answer struct {
			Questions []struct{ Screen, Detail string }
		}
		a.Do(domain.Staff, "GET", "/v1/jobs/"+first.Job.String()+"/result", nil).Want(200).Into(&answer)
		var other struct{ Number int64 }
		a.Do(domain.Staff, "GET", "/v1/jobs/"+second.Job.String(), nil).Want(200).Into(&other)
		screens := ""
		for _, q := range answer.Questions {
			screens += q.Screen + " "
			if want := fmt.Sprintf("job %d ", other.Number); !strings.Contains(q.Detail, want) {
				t.Errorf("%s does not name the other job: %s", q.Screen, q.Detail)
			}
		}
		return screens
	}
	if got := asked(3); got != "" {
		t.Errorf("three equal readings: %s", got)
	}
	if got := asked(4); got != "same_readings " {
		t.Errorf("four equal readings: %s", got)
	}
}

// evaluation are the job's records but the job's own, as an evaluation takes them.
func (in *invented) evaluation() (items []any) {
	for _, i := range in.items {
		if i.Kind != domain.JobKind {
			items = append(items, item(i.Kind, i.ID, 0, i.Record))
		}
	}
	return items
}

func TestCutListOfAJob(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	address := "/v1/jobs/" + in.Job.String() + "/cut-list"
	var list any
	a.Do(domain.Field, "GET", address, nil).Want(200).Into(&list)
	// Three blanks of √(5² + 5²) + 2·1 by 14 + 2·0.25 in; a board; a patch of 10 × 10 in [calc].
	for _, w := range []wanted{{"job_id", in.Job.String(), 0}, {"method", "cut_list", 0}, {"totals.pieces_count", 5.0, 0}, {"pieces.0.length_in", 9.071067812, 5e-9},
		{"totals.bands_count", 4.0, 0}, {"totals.screws_count", 30.0, 0}, {"used.0.material", "metal_in2", 0}, {"used.0.outcome", "as_listed", 0}} {
		w.check(t, list)
	}
	_, stranger := secondContractor(t, a)
	a.Send(stranger, "GET", address, nil).Want(404)
	a.Do(domain.Funder, "GET", address, nil).Want(403)
}

// A question goes with an innocent explanation, changes no figure, and names
// another's job only to those who may know of it.
func TestQuestions(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	first := invent(a, a.World)
	first.sendIn(a, a.Tokens)
	shared := ""
	for _, i := range first.items {
		if p, ok := i.Record.(*domain.Photo); ok {
			shared = p.SHA256
		}
	}
	address := "/v1/jobs/" + first.Job.String() + "/result"
	clean := a.Do(domain.Staff, "GET", address, nil).Want(200).Body
	var answer any
	if err := json.Unmarshal(clean, &answer); err != nil {
		t.Fatal(err)
	}
	if asked, ok := at(answer, "questions").([]any); !ok || len(asked) > 0 {
		t.Errorf("questions about a plain job: %v", at(answer, "questions"))
	}
	second := invent(a, a.World)
	replaced := false
	for n, sent := range second.Work {
		object := sent.(map[string]any)
		if p, ok := object["record"].(*domain.Photo); ok && !replaced {
			p.SHA256, replaced = shared, true
			second.Work[n] = object
		}
	}
	second.sendIn(a, a.Tokens)
	var other struct{ Number int64 }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+second.Job.String(), nil).Want(200).Into(&other)
	for role, named := range map[domain.Role]bool{domain.Staff: true, domain.Field: false} {
		body := a.Do(role, "GET", address, nil).Want(200).Body
		if bytesOf(t, body) != bytesOf(t, clean) {
			t.Error("a question changed a figure")
		}
		var asked any
		if err := json.Unmarshal(body, &asked); err != nil {
			t.Fatal(err)
		}
		if at(asked, "questions.0.screen") != "same_photo" || at(asked, "questions.0.innocent") == nil {
			t.Errorf("%s: %v", role, at(asked, "questions"))
		}
		want := "another job has it too"
		if named {
			want = fmt.Sprintf("job %d has it too", other.Number)
		}
		if got := at(asked, "questions.0.detail"); got != want {
			t.Errorf("%s is told %q, want %q", role, got, want)
		}
	}
}
