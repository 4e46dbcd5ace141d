package api_test

import (
	"encoding/json"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// S10: no field of the service can be written.
func TestS10TheServicesOwnFields(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	record := strings.TrimSuffix(jobOf(a), "}") + `,"program_id":"pB","recorded_at":"2026-01-01T00:00:00Z","review_state":"approved"}`
	want := []string{"/program_id", "/recorded_at", "/review_state"}
	unmoved(a, func() {
		p := a.Do(domain.Staff, "PUT", "/v1/jobs/"+storagetest.ID().String(), record).Want(422).Problem()
		if p.Code != "invalid" || !slices.Equal(p.Pointers(), want) {
			t.Errorf("%s %v", p.Code, p.Pointers())
		}
		p = a.Do(domain.Staff, "POST", "/v1/batches", `{"items":[],"program_id":"pB","recorded_at":"x"}`).Want(422).Problem()
		if !slices.Equal(p.Pointers(), []string{"/program_id", "/recorded_at"}) {
			t.Errorf("%v", p.Pointers())
		}
	}, a.Tokens[domain.Staff])
	unmovedHead(a, func() { // a device's is held, and nothing of it stored
		got := push(a, a.Tokens[domain.Field], object{"kind": "job", "id": storagetest.ID(), "position": 7, "record": json.RawMessage(record)}).Items[0]
		if got.Status != "rejected" || got.HeldID == "" || !slices.Equal(got.Problem.Pointers(), []string{"/position", "/record/program_id", "/record/recorded_at", "/record/review_state"}) {
			t.Errorf("%s %v", got.Status, got.Problem.Pointers())
		}
	})
}

// unmovedHead is unmoved but for what is held.
func unmovedHead(a *apitest.API, do func()) {
	a.T.Helper()
	before := standsAt(a, a.Tokens[domain.Staff])
	do()
	now := standsAt(a, a.Tokens[domain.Staff])
	if now.HeadPosition != before.HeadPosition || now.HeadLink != before.HeadLink {
		a.T.Errorf("the ledger moved from %+v to %+v", before, now)
	}
}

// S17: who may not is refused whatever the spelling, and a method is what it is.
func TestS17Functions(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := a.World.Job(t)
	unmoved(a, func() {
		p := a.Do(domain.Field, "POST", "/v1/months/2026-10/packages", nil).Want(403).Problem()
		if p.Code != "forbidden" {
			t.Errorf("a crew that builds a package: %s", p.Code)
		}
		got := a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String(), nil, "X-HTTP-Method-Override", "DELETE", "X-Method-Override", "PUT").Want(200)
		if !strings.Contains(string(got.Body), job.String()) {
			t.Errorf("overridden: %s", got.Body)
		}
		for _, path := range []string{"/v1/Months/2026-10/packages", "/V1/jobs", "/v1/jobs/", "/v1//jobs", "/v1/jobs/../jobs", "/v1/job", "/v1", "/v2/jobs"} {
			a.Do(domain.Staff, "GET", path, nil).Want(404)
		}
		for _, method := range []string{"DELETE", "PATCH", "POST", "OPTIONS"} {
			if got := a.Do(domain.Admin, method, "/v1/jobs/"+job.String(), nil).Want(405); !strings.Contains(got.Header.Get("Allow"), "GET") {
				t.Errorf("%s: Allow %q", method, got.Header.Get("Allow"))
			}
		}
	}, a.Tokens[domain.Staff])
}

// S22: what is served is what the contract says; nothing older or beside it.
func TestS22NothingBesideTheContract(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for _, path := range []string{"/v0", "/v0/jobs", "/api", "/api/v1/jobs", "/metrics", "/debug/pprof/", "/debug/vars", "/.env", "/swagger", "/graphql"} {
		if p := a.Do(domain.Admin, "GET", path, nil).Want(404).Problem(); p.Code != "not_found" {
			t.Errorf("%s: %s", path, p.Code)
		}
	}
	for id, at := range operations(t) { // no address answers a method that the contract has not
		path := strings.NewReplacer("{id}", storagetest.ID().String(), "{month}", "2026-09", "{revision}", "1").Replace(at[1])
		got := a.Do(domain.Admin, "DELETE", path, nil)
		if got.Status != http.StatusMethodNotAllowed || !strings.Contains(got.Header.Get("Allow"), at[0]) {
			t.Errorf("%s: DELETE is %d, Allow %q", id, got.Status, got.Header.Get("Allow"))
		}
	}
}

// S23: readings in another unit and of another instrument are refused or
// named, never converted.
func TestS23ImplausibleReadings(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	in := invent(a, a.World)
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	must(a, staff, append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	send := func(kind domain.Kind, member string, value any) itemAnswer {
		t.Helper()
		record := exampleOf(t, contractText(t), kind)
		record = maps.Clone(record)
		record["job_id"] = in.Job
		delete(record, "target")
		if kind == domain.MeasurementKind {
			record["instrument_id"] = in.ids(domain.InstrumentKind)[0]
		}
		if closure, ok := record["closure"].(object); ok && closure[member] != nil {
			closure = maps.Clone(closure)
			closure[member], record["closure"] = value, closure
		} else {
			record[member] = value
		}
		return push(a, field, item(kind, storagetest.ID(), 0, record)).Items[0]
	}
	unmovedHead(a, func() {
		for _, c := range []struct {
			kind    domain.Kind
			member  string
			value   any
			pointer string
		}{
			{domain.OpeningKind, "position_ft", 20.4 * 25.4, "/record/position_ft"},
			{domain.OpeningKind, "width_in", 8 * 25.4 * 25.4, "/record/width_in"},
			{domain.OpeningKind, "patch_lap_in", 25.4 * 25.4, "/record/closure/patch_lap_in"},
			{domain.MeasurementKind, "readings", []any{object{"pressure_pa": 25 * 25.4, "flow_cfm": 318 * 25.4}}, "/record/readings/0/pressure_pa"},
			{domain.MeasurementKind, "readings", []any{object{"pressure_pa": -25, "flow_cfm": 318}}, "/record/readings/0/pressure_pa"},
		} {
			got := send(c.kind, c.member, c.value)
			if got.Status != "rejected" || got.Problem.Status != 422 || !slices.Contains(got.Problem.Pointers(), c.pointer) || got.HeldID == "" {
				t.Errorf("%s %v: %s %+v", c.member, c.value, got.Status, got.Problem)
			}
		}
		got := send(domain.MeasurementKind, "instrument_id", storagetest.ID())
		if got.Status != "waiting" || got.Problem.Errors[0].Pointer != "/record/instrument_id" {
			t.Errorf("a wrong instrument: %s %+v", got.Status, got.Problem)
		}
	})
	// a reading that is kept is kept as it was sent
	record := domain.Measurement{JobID: in.Job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: in.ids(domain.InstrumentKind)[0],
		TakenAt: storagetest.Start, Readings: []domain.Reading{{PressurePa: new(24.9), FlowCFM: new(317.5)}}}
	id := storagetest.ID()
	must(a, field, item(domain.MeasurementKind, id, 0, record))
	if got := a.Send(field, "GET", "/v1/measurements/"+id.String(), nil).Want(200); !strings.Contains(string(got.Body), `"readings":[{"flow_cfm":317.5,"pressure_pa":24.9}]`) {
		t.Errorf("kept as %s", got.Body)
	}
}

// S24: text that means something to a database or a shell is text.
func TestS24Injection(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	doc := contractText(t)
	all := operations(t)
	hostile := []string{"' OR 1=1--", "\x00", ";select pg_sleep(5)", "1; DROP TABLE job", "$1", "@program_id", "%", "../../etc/passwd", "{{7*7}}"}
	tried := 0
	next := func() string { tried++; return hostile[tried%len(hostile)] }
	unmoved(a, func() {
		for _, id := range slices.Sorted(maps.Keys(all)) {
			method, pattern := all[id][0], all[id][1]
			if method != "GET" || !strings.HasPrefix(pattern, "/v1/") {
				continue
			}
			names := []string{"sort", "order"}
			list, _ := within(doc, "paths", pattern, "get")["parameters"].([]any)
			for _, p := range list {
				if p := resolved(doc, p.(object)); p["in"] == "query" {
					names = append(names, p["name"].(string))
				}
			}
			path := strings.NewReplacer("{id}", storagetest.ID().String(), "{month}", "2026-09", "{revision}", "1").Replace(pattern)
			if strings.Contains(pattern, "{id}") {
				a.Do(domain.Admin, "GET", strings.Replace(pattern, "{id}", url.PathEscape(next()), 1)+neededQuery(doc, method, pattern), nil).Want(404)
			}
			for _, name := range names {
				text := next()
				got := a.Do(domain.Admin, "GET", path+"?"+name+"="+url.QueryEscape(text), nil)
				if ignored := name == "receipt" && got.Status == 200; got.Status != 400 && got.Status != 404 && !ignored { // a receipt that is none tells nothing
					t.Errorf("%s?%s=%q: %d %s", path, name, text, got.Status, got.Body)
				}
			}
		}
	}, a.Tokens[domain.Staff])
	// in a record it is what somebody wrote
	at, name := "/v1/contractors/"+storagetest.ID().String(), `'; DROP TABLE job; --`
	a.Do(domain.Staff, "PUT", at, object{"name": name}).Want(201)
	var e entry
	a.Do(domain.Staff, "GET", at, nil).Want(200).Into(&e)
	if e.Record["name"] != name {
		t.Errorf("kept as %v", e.Record)
	}
}

// S38: a parameter stands once.
func TestS38RepeatedParameters(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	unmoved(a, func() {
		for _, path := range []string{"/v1/jobs?limit=1&limit=500", "/v1/jobs?limit=1&limit=1", "/v1/changes?after=0&after=0", "/v1/homes?void=include&void=include"} {
			p := a.Do(domain.Staff, "GET", path, nil).Want(400).Problem()
			if p.Code != "bad_query" || len(p.Errors) != 1 || p.Errors[0].Code != "not_unique" {
				t.Errorf("%s: %+v", path, p)
			}
		}
		a.Do(domain.Staff, "POST", "/v1/batches?validate_only=false&validate_only=true", object{"items": []any{home()}}).Want(400)
	}, a.Tokens[domain.Staff])
}
