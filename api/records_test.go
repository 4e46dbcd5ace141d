package api_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

func jobOf(a *apitest.API) string {
	return fmt.Sprintf(`{"home_id":%q,"contractor_id":%q,"pay_basis":"measured","state":"assigned"}`, a.Home, a.Contractor)
}

func TestPutIsOneEffectHoweverOftenSent(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	at, body := "/v1/jobs/"+storagetest.ID().String(), jobOf(a)
	first := a.Do(domain.Field, "PUT", at, body).Want(201)
	if first.Header.Get("ETag") != `"1"` || first.Header.Get("Location") != at {
		t.Errorf("headers: %v", first.Header)
	}
	var object map[string]any
	if err := json.Unmarshal([]byte(body), &object); err != nil {
		t.Fatal(err)
	}
	for name, again := range map[string]any{"same bytes": body, "other order and spaces": "{ " + strings.TrimPrefix(body, "{"), "as written by another program": object} {
		if got := a.Do(domain.Field, "PUT", at, again).Want(200); got.Header.Get("Idempotent-Replay") != "true" {
			t.Errorf("%s: no Idempotent-Replay", name)
		}
	}
	changed := strings.Replace(body, `"measured"`, `"deemed"`, 1)
	if p := a.Do(domain.Staff, "PUT", at, changed).Want(428).Problem(); p.Code != "match_required" || len(p.Current) == 0 {
		t.Errorf("without If-Match: %+v", p)
	}
	a.Do(domain.Staff, "PUT", at, changed, "If-Match", `"7"`).Want(412)
	if got := a.Do(domain.Staff, "PUT", at, changed, "If-Match", `"1"`).Want(200); got.Header.Get("ETag") != `"2"` {
		t.Errorf("ETag %s", got.Header.Get("ETag"))
	}
	if got := a.Do(domain.Staff, "PUT", at, body).Want(200); got.Header.Get("Idempotent-Replay") != "true" || got.Header.Get("ETag") != `"2"` {
		t.Errorf("version 1's content is a replay for ever: %v", got.Header)
	}
}

func TestTwentyAtOnceAreOneRecord(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	at, body := "/v1/jobs/"+storagetest.ID().String(), jobOf(a)
	status := make([]int, 20)
	var wait sync.WaitGroup
	for i := range status {
		wait.Go(func() { status[i] = a.Do(domain.Staff, "PUT", at, body).Status })
	}
	wait.Wait()
	created := 0
	for _, s := range status {
		switch s {
		case 201:
			created++
		case 200:
		default:
			t.Errorf("status %d", s)
		}
	}
	if created != 1 {
		t.Errorf("%d times created", created)
	}
}

func TestBadInput(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	good := jobOf(a)
	other, _ := a.Program(t)
	job := a.Job(t)
	fan := func(reading, more string) string {
		return fmt.Sprintf(`{"job_id":%q,"method":"fan_total","stage":"before","instrument_id":%q,"taken_at":"2026-10-01T09:00:00-07:00","readings":[%s]%s}`, job, a.Instrument, reading, more)
	}
	cases := []struct {
		name, kind, body string
		status           int
		code             string
		pointers         []string
	}{
		{"unknown key", "jobs", strings.Replace(good, "{", `{"color":1,`, 1), 422, "invalid", []string{"/color"}},
		{"wrongly-cased key", "jobs", strings.Replace(good, `"state"`, `"State"`, 1), 422, "invalid", []string{"/State", "/state"}},
		{"the service's own fields", "jobs", strings.Replace(good, "{", `{"program_id":"x","recorded_at":"y","review_state":"approved",`, 1), 422, "invalid", []string{"/program_id", "/recorded_at", "/review_state"}},
		{"duplicate key", "jobs", strings.Replace(good, "{", `{"state":"assigned",`, 1), 400, "bad_json", nil},
		{"trailing bytes", "jobs", good + " x", 400, "bad_json", nil},
		{"NaN", "measurements", fan(`{"pressure_pa":NaN,"flow_cfm":1}`, ""), 400, "bad_json", nil},
		{"beyond float64", "measurements", fan(`{"pressure_pa":1e999,"flow_cfm":1}`, ""), 400, "bad_json", nil},
		{"wrong types, all named", "measurements", fan(`{"pressure_pa":"25","flow_cfm":true}`, ""), 422, "invalid", []string{"/readings/0/flow_cfm", "/readings/0/pressure_pa"}},
		{"a pressure of 0", "measurements", fan(`{"pressure_pa":0,"flow_cfm":300}`, ""), 422, "invalid", []string{"/readings/0/pressure_pa"}},
		{"no flow", "measurements", fan(`{"pressure_pa":25}`, ""), 422, "invalid", []string{"/readings/0"}},
		{"an instrument that does not exist", "measurements", strings.Replace(fan(`{"pressure_pa":25,"flow_cfm":300}`, ""), a.Instrument.String(), storagetest.ID().String(), 1), 422, "parent_missing", []string{"/instrument_id"}},
		{"an instrument of another program", "measurements", strings.Replace(fan(`{"pressure_pa":25,"flow_cfm":300}`, ""), a.Instrument.String(), other.Instrument.String(), 1), 422, "parent_missing", []string{"/instrument_id"}},
		{"state by hand", "jobs", strings.Replace(good, `"assigned"`, `"accepted"`, 1), 422, "state_not_allowed", nil},
		{"empty", "jobs", "", 400, "bad_json", nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			at := "/v1/" + c.kind + "/" + storagetest.ID().String()
			var body any = c.body
			if c.body == "" {
				body = []byte{}
			}
			got := a.Do(domain.Staff, "PUT", at, body, "Content-Type", "application/json").Want(c.status)
			p := got.Problem()
			if p.Code != c.code || c.pointers != nil && !slices.Equal(p.Pointers(), c.pointers) {
				t.Errorf("got %s %v, want %s %v", p.Code, p.Pointers(), c.code, c.pointers)
			}
			for _, f := range p.Errors {
				if f.Detail == "" {
					t.Errorf("no detail at %s", f.Pointer)
				}
			}
			a.Do(domain.Staff, "GET", at, nil).Want(404)
		})
	}
}

func TestAFieldPutThatIsRefusedIsHeld(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	id := storagetest.ID().String()
	body := strings.Replace(jobOf(a), "{", `{"color":1,`, 1)
	p := a.Do(domain.Field, "PUT", "/v1/jobs/"+id, body).Want(422).Problem()
	if p.HeldID == "" {
		t.Fatalf("not held: %+v", p)
	}
	var held struct {
		Items []struct {
			HeldID string `json:"held_id"`
			ID     string
			Record map[string]any
		}
	}
	a.Do(domain.Field, "GET", "/v1/held", nil).Want(200).Into(&held)
	if len(held.Items) != 1 || held.Items[0].HeldID != p.HeldID || held.Items[0].ID != id || held.Items[0].Record["color"] != 1.0 {
		t.Errorf("held: %+v", held)
	}
	if again := a.Do(domain.Field, "PUT", "/v1/jobs/"+id, body).Want(422).Problem(); again.HeldID != p.HeldID {
		t.Errorf("the same again is held anew")
	}
	// corrected under the same id: accepted, and what was held is closed
	a.Do(domain.Field, "PUT", "/v1/jobs/"+id, jobOf(a)).Want(201)
	a.Do(domain.Field, "GET", "/v1/held", nil).Want(200).Into(&held)
	if len(held.Items) != 0 {
		t.Errorf("still held: %+v", held)
	}
}

func TestAnotherProgramsRecordIsNotThere(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	other, _ := a.Program(t)
	theirs := other.Job(t)
	strip := func(b []byte) string {
		var p map[string]any
		if err := json.Unmarshal(b, &p); err != nil {
			t.Fatal(err)
		}
		delete(p, "trace_id")
		return fmt.Sprint(p)
	}
	random := a.Do(domain.Staff, "GET", "/v1/jobs/"+storagetest.ID().String(), nil).Want(404)
	if got := a.Do(domain.Staff, "GET", "/v1/jobs/"+theirs.String(), nil).Want(404); strip(got.Body) != strip(random.Body) {
		t.Errorf("%s\n%s", got.Body, random.Body)
	}
	// and its id is free here
	a.Do(domain.Staff, "PUT", "/v1/jobs/"+theirs.String(), jobOf(a)).Want(201)
}

func TestWhoMayNot(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	for _, c := range []struct {
		name, token, method, path string
		body                      any
		status                    int
	}{
		{"no token", "", "GET", "/v1/jobs", nil, 401},
		{"a wrong token", "dl_wrong", "GET", "/v1/jobs", nil, 401},
		{"a token in the address", "", "GET", "/v1/jobs?access_token=secretvalue", nil, 400},
		{"field reads performance", a.Tokens[domain.Field], "GET", "/v1/performance", nil, 403},
		{"funder reads jobs", a.Tokens[domain.Funder], "GET", "/v1/jobs", nil, 403},
		{"field writes contractors", a.Tokens[domain.Field], "PUT", "/v1/contractors/" + storagetest.ID().String(), `{"name":"x"}`, 403},
		{"staff write rule sets", a.Tokens[domain.Staff], "PUT", "/v1/rule-sets/" + storagetest.ID().String(), `{"name":"x","from_on":"2030-01-01"}`, 403},
		{"a limit twice", a.Tokens[domain.Staff], "GET", "/v1/jobs?limit=1&limit=500", nil, 400},
		{"no such address", a.Tokens[domain.Staff], "GET", "/v0/jobs", nil, 404},
		{"another case", a.Tokens[domain.Staff], "GET", "/v1/Jobs", nil, 404},
		{"no such method", a.Tokens[domain.Staff], "DELETE", "/v1/jobs", nil, 405},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := a.Send(c.token, c.method, c.path, c.body).Want(c.status)
			if ct := got.Header.Get("Content-Type"); ct != "application/problem+json" {
				t.Errorf("content type %s", ct)
			}
			if c.status == http.StatusUnauthorized && got.Header.Get("WWW-Authenticate") == "" {
				t.Error("no WWW-Authenticate")
			}
		})
	}
	if strings.Contains(a.Log.String(), "secretvalue") {
		t.Error("the log holds a token")
	}
}

func TestListsPageByIDAndKeepTheirFilters(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	made := map[string]bool{}
	for range 5 {
		made[a.Job(t).String()] = true
	}
	seen := map[string]bool{}
	path := "/v1/jobs?limit=2&contractor_id=" + a.Contractor.String()
	for after := ""; ; {
		var page struct {
			Items []struct{ ID string }
			Next  string
		}
		a.Do(domain.Staff, "GET", path+after, nil).Want(200).Into(&page)
		for _, item := range page.Items {
			seen[item.ID] = true
		}
		if page.Next == "" {
			break
		}
		if after == "" { // the cursor belongs to these filters
			a.Do(domain.Staff, "GET", "/v1/jobs?limit=2&state=assigned&after="+page.Next, nil).Want(400)
		}
		after = "&after=" + page.Next
	}
	if len(seen) != len(made) {
		t.Errorf("saw %d of %d", len(seen), len(made))
	}
}
