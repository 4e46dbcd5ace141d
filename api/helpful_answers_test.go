package api_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// What a newcomer gets wrong is answered with what to do about it.
func TestAnswersThatHelp(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := jobOf(a)
	id := storagetest.ID().String()
	put := func(change func(record object)) apitest.Problem {
		t.Helper()
		var record object
		if err := json.Unmarshal([]byte(job), &record); err != nil {
			t.Fatal(err)
		}
		change(record)
		return a.Do(domain.Staff, "PUT", "/v1/jobs/"+id, record).Want(422).Problem()
	}
	one := func(p apitest.Problem, pointer, code, words string) {
		t.Helper()
		if len(p.Errors) != 1 || p.Errors[0].Pointer != pointer || p.Errors[0].Code != code || !strings.Contains(p.Errors[0].Detail+p.Errors[0].Fix, words) {
			t.Errorf("%+v, want %s at %s with %q", p.Errors, code, pointer, words)
		}
	}
	one(put(func(r object) { r["due_on"] = "2026-02-31" }), "/due_on", "no_such_day", "February 2026 has no day 31")
	one(put(func(r object) { r["id"] = id }), "/id", "unknown_field", "beside the record in an item of a batch")
	one(put(func(r object) { r["duo_on"] = "2026-02-01" }), "/duo_on", "unknown_field", "the nearest name is due_on")
	one(put(func(r object) { r["duo_on"] = "2026-02-01" }), "/duo_on", "unknown_field", "home_id")
	one(put(func(r object) { r["state"] = "returned" }), "/state", "state_not_allowed", "a new job cannot be returned")

	if p := a.Do(domain.Staff, "PUT", "/v1/jobs/"+id, job, "If-Match", "3").Want(400).Problem(); p.Code != "bad_if_match" {
		t.Errorf("If-Match without quotes: %s", p.Code)
	}
	if p := a.Do(domain.Staff, "POST", "/v1/batches", "\x1f\x8b\x08\x00").Want(400).Problem(); !strings.Contains(p.Detail, "Content-Encoding: gzip") {
		t.Errorf("gzip without its header: %s", p.Detail)
	}
	one(a.Do(domain.Staff, "POST", "/v1/performance/publications", object{"from": "2026-07-01", "before": "2026-06-01"}).Want(422).Problem(), "/before", "bad_query", "after its first day")
	one(a.Do(domain.Staff, "POST", "/v1/months/2099-12/packages", object{}).Want(422).Problem(), "/month", "invalid", "has not begun")
	one(a.Do(domain.Field, "POST", "/v1/evaluations", object{"rules_on": "2026-10-01", "items": []any{item(domain.HomeKind, storagetest.ID(), 0, object{"section_count": 1})}}).Want(422).Problem(),
		"/items", "invalid", "exactly 1 is expected")
	one(a.Do(domain.Staff, "GET", "/v1/changes?after=0&kinds=jobs", nil).Want(400).Problem(), "/kinds", "bad_query", "crew_member, ")
	one(a.Do(domain.Staff, "GET", "/v1/worklist?sort=age", nil).Want(400).Problem(), "/sort", "bad_query", "there are ")
	one(a.Do(domain.Staff, "GET", "/v1/sync?token="+a.Tokens[domain.Staff], nil).Want(400).Problem(), "/token", "unknown_field", "the header field Authorization")
	one(put(func(r object) { r["state"] = "Assigned" }), "/state", "not_in_list", "the nearest is assigned")
	one(put(func(r object) { r["due_on"] = 1790000000 }), "/due_on", "wrong_type", "send a date such as 2026-10-14")
	one(put(func(r object) { r["fund_source"] = "State fund" }), "/fund_source", "bad_pattern", "lower-case letters")
	for _, refused := range []apitest.Problem{
		a.Do(domain.Funder, "GET", "/v1/changes?after=0", nil).Want(403).Problem(),
		a.Do(domain.Field, "PUT", "/v1/contractors/"+id, object{"name": "Third Invented"}).Want(403).Problem(),
	} {
		if !strings.Contains(refused.Detail, "these may: ") {
			t.Errorf("who may is not said: %s", refused.Detail)
		}
	}
	if p := a.Do(domain.Staff, "PUT", "/v1/jobs/"+id, job, "If-Match", `"3"`).Want(412).Problem(); !strings.Contains(p.Detail, "there is no job with this id") {
		t.Errorf("a version of what is not there: %s", p.Detail)
	}
	unmoved(a, func() { // a closed, empty body is empty
		for _, path := range []string{"/v1/held/" + id + "/dismiss", "/v1/homes/" + a.World.Home.String() + "/resident/erase"} {
			if p := a.Do(domain.Staff, "POST", path, `{"reason":"x"}`).Want(422).Problem(); !slices.Equal(p.Pointers(), []string{"/reason"}) {
				t.Errorf("%s: %v", path, p.Pointers())
			}
		}
	}, a.Tokens[domain.Staff])
}

// What is taken and yet not as it was meant is said in the answer: a reading
// dated far ahead, what the agency sets, a clock that cannot be read.
func TestAnswersTellWhatWasNotTaken(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	in := invent(a, a.World)
	must(a, a.Tokens[domain.Staff], append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	told := func(notes []string, words string) {
		t.Helper()
		if len(notes) != 1 || !strings.Contains(notes[0], words) {
			t.Errorf("%q, want one note with %q", notes, words)
		}
	}
	var entry struct{ Notes []string }
	reading := domain.Measurement{JobID: in.Job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: in.ids(domain.InstrumentKind)[0],
		TakenAt: a.Clock.Now().Add(40 * 24 * time.Hour), Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(318.0)}}}
	a.Do(domain.Field, "PUT", "/v1/measurements/"+storagetest.ID().String(), reading).Want(201).Into(&entry)
	told(entry.Notes, "40 days ahead")

	var answer struct {
		LeftOut []domain.Fault `json:"left_out"`
		Items   []struct {
			Status string
			Notes  []string
		}
	}
	push := func(state domain.JobState, base int, change func(*domain.Job)) {
		t.Helper()
		job := in.state(state)
		change(&job)
		answer.LeftOut, answer.Items = nil, nil
		body, err := json.Marshal(object{"sent_at": "yesterday", "items": []any{item(domain.JobKind, in.Job, base, job)}})
		if err != nil {
			t.Fatal(err)
		}
		// Packed, since the contract says that such a time is not to be sent.
		a.Do(domain.Field, "POST", "/v1/batches", zipped(t, body), "Content-Encoding", "gzip").Want(207).Into(&answer)
	}
	push(domain.InWork, 1, func(*domain.Job) {})
	if answer.Items[0].Status != "updated" || answer.Items[0].Notes != nil {
		t.Errorf("as it stands: %+v", answer.Items[0])
	}
	push(domain.InWork, 2, func(j *domain.Job) { j.FundSource, j.OutcomeReason = "other_fund", "Nobody was home." })
	told(answer.Items[0].Notes, "fund_source")
	// So it is with a home: what stands, sent again, needs no word.
	home := "/v1/homes/" + in.ids(domain.HomeKind)[0].String()
	var stood struct {
		Version int64
		Record  object
	}
	given := object{"kind": "landlord", "given_on": "2026-09-30", "reference": "An invented letter"}
	a.Do(domain.Staff, "GET", home, nil).Want(200).Into(&stood)
	stood.Record["permission"] = given
	a.Do(domain.Staff, "PUT", home, stood.Record, "If-Match", fmt.Sprintf("%q", fmt.Sprint(stood.Version))).Want(200)
	stood.Record["ground_cover"] = true
	entry.Notes = nil
	a.Do(domain.Field, "PUT", home, stood.Record, "If-Match", fmt.Sprintf("%q", fmt.Sprint(stood.Version+1))).Want(200).Into(&entry)
	if entry.Notes != nil {
		t.Errorf("the permission as it stands: %q", entry.Notes)
	}
	given["given_on"] = "2026-10-01"
	a.Do(domain.Field, "PUT", home, stood.Record, "If-Match", fmt.Sprintf("%q", fmt.Sprint(stood.Version+2))).Want(200).Into(&entry)
	told(entry.Notes, "permission")
	var kept struct{ Record domain.Home }
	a.Do(domain.Staff, "GET", home, nil).Want(200).Into(&kept)
	if p := kept.Record.Permission; p == nil || p.GivenOn != "2026-09-30" || p.Reference != "An invented letter" {
		t.Errorf("the office's permission: %+v", p)
	}
	if len(answer.LeftOut) != 1 || answer.LeftOut[0].Pointer != "/sent_at" || answer.LeftOut[0].Code != "bad_format" {
		t.Errorf("a clock that cannot be read: %+v", answer.LeftOut)
	}
}

// A phone has what became of its items and what the rules find in one exchange.
func TestFindingsInTheSameReply(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	in := invent(a, a.World)
	must(a, a.Tokens[domain.Staff], append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	reading := domain.Measurement{JobID: in.Job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: in.ids(domain.InstrumentKind)[0],
		TakenAt: a.Clock.Now().Add(40 * 24 * time.Hour), Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(318.0)}}}
	body := object{"items": []any{item(domain.MeasurementKind, storagetest.ID(), 0, reading)}}
	type reply struct {
		Items []struct {
			Status string
			Notes  []string
		}
		Jobs []struct {
			MustFixCount int `json:"must_fix_count"`
			CheckCount   int `json:"check_count"`
			NoteCount    int `json:"note_count"`
			Findings     json.RawMessage
		}
	}
	var plain, whole reply
	a.Do(domain.Field, "POST", "/v1/batches", body).Want(207).Into(&plain)
	a.Do(domain.Field, "POST", "/v1/batches?findings=true", body).Want(207).Into(&whole)
	if plain.Items[0].Status != "created" || len(plain.Items[0].Notes) != 1 || !strings.Contains(plain.Items[0].Notes[0], "40 days ahead") {
		t.Errorf("a reading dated far ahead: %+v", plain.Items[0])
	}
	if len(plain.Jobs) != 1 || plain.Jobs[0].Findings != nil {
		t.Fatalf("asked for nothing: %+v", plain.Jobs)
	}
	whole = reply{}
	body["items"] = []any{item(domain.MeasurementKind, storagetest.ID(), 0, reading)}
	a.Do(domain.Field, "POST", "/v1/batches?findings=true", body).Want(207).Into(&whole)
	var alone struct{ Findings json.RawMessage }
	a.Do(domain.Field, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&alone)
	if len(whole.Jobs) != 1 || len(alone.Findings) < 10 || string(whole.Jobs[0].Findings) != string(alone.Findings) {
		t.Errorf("in the reply %+v\nalone %s", whole.Jobs, alone.Findings)
	}
}
