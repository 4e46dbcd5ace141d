package api_test

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/frame"
	"ductledger/api/pages"
	"ductledger/domain"
	"ductledger/storage/people"
	"ductledger/storage/storagetest"
)

// A reader is a person's browser without a script.
type reader struct {
	a      *apitest.API
	cookie string
	token  string // of the forms of the page that was read last
}

// signedIn signs a new person of the role in.
func signedIn(a *apitest.API, role domain.Role, name string) *reader {
	a.T.Helper()
	ctx, program := context.Background(), a.World.Program
	caller := domain.Caller{Program: program, Role: domain.Admin}
	firm := domain.UUID{}
	if role == domain.ContractorRole {
		firm = a.World.Contractor
	}
	who, err := people.Add(ctx, a.DB, caller, name, role, firm)
	if err != nil {
		a.T.Fatal(err)
	}
	secret := func(prefix string) (string, [32]byte) {
		text, digest, err := frame.NewSecret(prefix, program, rand.Reader)
		if err != nil {
			a.T.Fatal(err)
		}
		return text, digest
	}
	_, link := secret(frame.LinkPrefix)
	session, digest := secret(frame.SessionPrefix)
	if _, err := people.Link(ctx, a.DB, caller, who.ID, people.ChoosePassword, link, people.SetupTime); err != nil {
		a.T.Fatal(err)
	}
	if err := people.Enter(ctx, a.DB, program, link, "four unrelated words here", digest, nil); err != nil {
		a.T.Fatal(err)
	}
	return &reader{a: a, cookie: session}
}

// read asks for a page, or sends a form to it, and gives the page's words.
func (r *reader) read(path string, form url.Values, want int) string {
	r.a.T.Helper()
	method, body := http.MethodGet, ""
	if form != nil {
		method = http.MethodPost
		if form.Get("form") == "" {
			form.Set("form", r.token)
		}
		body = form.Encode()
	}
	request, err := http.NewRequest(method, r.a.URL+path, strings.NewReader(body))
	if err != nil {
		r.a.T.Fatal(err)
	}
	request.AddCookie(&http.Cookie{Name: "ductledger", Value: r.cookie})
	if form != nil {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		r.a.T.Fatal(err)
	}
	defer response.Body.Close()
	page, err := io.ReadAll(response.Body)
	if err != nil {
		r.a.T.Fatal(err)
	}
	if response.StatusCode != want {
		r.a.T.Fatalf("%s %s: %d, want %d: %s", method, path, response.StatusCode, want, page)
	}
	if token := regexp.MustCompile(`name="form" value="([^"]+)"`).FindSubmatch(page); token != nil {
		r.token = string(token[1])
	}
	if len(page) > 100_000 {
		r.a.T.Errorf("%s: %d bytes, at most 100,000", path, len(page))
	}
	// For whoever wants to look at them.
	if folder := os.Getenv("DUCTLEDGER_PAGES"); folder != "" && want == 200 {
		name := strings.Trim(regexp.MustCompile(`[^a-z]+`).ReplaceAllString(path, "-"), "-")
		name = fmt.Sprintf("%s-%s.html", time.Now().Format("150405.000"), name)
		if err := os.WriteFile(filepath.Join(folder, name), page, 0o600); err != nil {
			r.a.T.Fatal(err)
		}
	}
	return string(page)
}

// faulty puts the example's three faults back.
func faulty(record domain.Record) {
	switch r := record.(type) {
	case *domain.EnergyIsolation:
		isolated, verified := r.IsolatedAt.Add(time.Hour), r.VerifiedAt.Add(time.Hour)
		r.IsolatedAt, r.VerifiedAt = &isolated, &verified
	case *domain.Crossover:
		three := 3
		for i := range r.Ends {
			r.Ends[i].FastenersCount = &three
		}
	case *domain.Repair:
		if r.EndClosure != nil && *r.EndClosure.PositionFt == 53 {
			before := 49.0
			r.EndClosure.PositionFt = &before
		}
	}
}

// A Monday's work on the pages alone: what is sent in is seen, found, returned
// with a sentence, waived and accepted; each figure is the API's.
func TestAMondayOnThePages(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	ruleSet(a, domain.RuleSet{Name: "with prices", FromOn: "2026-10-05", Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 500}}})
	a.Clock.Move(14 * 24 * time.Hour)
	in := invent(a, a.World, faulty)
	in.sendIn(a, a.Tokens)
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", object{"street": `14 <Cedar> Loop "B"`, "name": "Ann Invented", "phone": "555 0143"}).Want(200)
	office, owner := signedIn(a, domain.Staff, "Vera Invented"), signedIn(a, domain.ContractorRole, "Otto Invented")

	today := office.read("/staff/today", nil, 200)
	for _, words := range []string{"Job 1001", "14 &lt;Cedar&gt; Loop", "Invented Sealing", "Sent in", "/staff/jobs/" + in.Job.String(), "data as JSON"} {
		if !strings.Contains(today, words) {
			t.Errorf("today does not say %q", words)
		}
	}
	office.read("/staff/find", nil, 200)
	found := office.read("/staff/find", url.Values{"words": {"cedar invented"}}, 200)
	if !strings.Contains(found, "/staff/jobs/"+in.Job.String()) || !strings.Contains(found, "Ann Invented") {
		t.Error("a street and a name do not find the home")
	}

	var judged struct {
		Findings []struct{ Rule, Severity, Detail, Why string }
	}
	var result map[string]any
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&judged)
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/result", nil).Want(200).Into(&result)
	at := "/staff/jobs/" + in.Job.String()
	job := office.read(at, nil, 200)
	if n := strings.Count(job, `class="finding"`); n != len(judged.Findings) || n == 0 {
		t.Errorf("%d findings on the page, %d of the API", n, len(judged.Findings))
	}
	if n := strings.Count(job, `<circle class="flag`); n == 0 {
		t.Error("no finding stands on the drawing")
	}
	// What waits for it is what the contractor's statement expects of it.
	var paid struct {
		Items []struct {
			JobID    string `json:"job_id"`
			Expected int64  `json:"expected_cents"`
		}
	}
	a.Do(domain.Staff, "GET", fmt.Sprintf("/v1/contractors/%s/statement?month=2026-10", a.World.Contractor), nil).Want(200).Into(&paid)
	expected := int64(0)
	for _, line := range paid.Items {
		expected += line.Expected
	}
	if expected == 0 || float64(expected) != result["expected_cents"] || !strings.Contains(job, pages.Money(expected)+" waits for this job.") {
		t.Errorf("the statement expects %d, the result says %v", expected, result["expected_cents"])
	}
	for _, f := range judged.Findings {
		if f.Why == "" || !strings.Contains(job, html.EscapeString(f.Why)) {
			t.Errorf("the page does not say why of %s", f.Rule)
		}
	}
	for _, words := range []string{"Job 1001", fmt.Sprintf(`<span class="big">%.0f cfm</span>`, result["reduction_cfm25"]), fmt.Sprintf("of %.0f", result["before_cfm25"]),
		fmt.Sprintf("%.0f %%, between %.0f %% and %.0f %%", 100*result["reduction_ratio"].(float64), 100*result["reduction_ratio_low"].(float64), 100*result["reduction_ratio_high"].(float64)),
		"disabled>Accept", "The drawing in words"} {
		if !strings.Contains(job, words) {
			t.Errorf("the job's page does not say %q", words)
		}
	}

	id := func() string { return storagetest.ID().String() }
	office.read(at+"/decide", url.Values{"id": {id()}, "decision": {"return"}, "text": {"no token"}, "form": {"guessed"}}, 403)
	if refused := office.read(at+"/decide", url.Values{"id": {id()}, "decision": {"accept"}}, 422); !strings.Contains(refused, judged.Findings[0].Detail[1:20]) {
		t.Error("a refused acceptance does not say what is open")
	}
	defer func() { // what a form was refused stands in the form, and waits for nobody
		var held struct {
			Items []struct{ ID, Kind, Code string }
		}
		a.Do(domain.Staff, "GET", "/v1/held?state=open", nil).Want(200).Into(&held)
		if len(held.Items) > 0 {
			t.Errorf("refused forms wait as held items: %v", held.Items)
		}
	}()
	if kept := office.read(at+"/decide", url.Values{"id": {id()}, "decision": {"waive"}, "finding": {"end_closure_clear_of_outlets"}, "text": {"typed & kept"}}, 422); !strings.Contains(kept, "typed &amp; kept") {
		t.Error("what was typed into a refused form is lost")
	}
	twice := id()
	for range 2 { // the same form sent twice has one effect
		office.read(at+"/decide", url.Values{"id": {twice}, "decision": {"return"}, "rule": {"end_closure_clear_of_outlets"}, "text": {"Set the closure behind B7 & send a picture."}}, 303)
	}
	returned := office.read(at, nil, 200)
	for _, words := range []string{"returned since", "Vera Invented", "returned it to the crew", "Set the closure behind B7 &amp; send a picture.", "nothing yet",
		`<span class="mark must">open</span> The closure lies beyond the last outlet`} {
		if !strings.Contains(returned, words) {
			t.Errorf("the returned job does not say %q", words)
		}
	}
	theDoorOfAContractor(a, office, owner, in, at, id())
	if n := strings.Count(returned, "returned it to the crew"); n != 1 {
		t.Errorf("it was returned %d times", n)
	}

	// Sent in again, each finding is waived or answered, and it is accepted.
	must(a, a.Tokens[domain.Field], item(domain.JobKind, in.Job, 3, in.state(domain.SentIn)))
	job = office.read(at, nil, 200)
	option := regexp.MustCompile(`<option value="([^" ]+ [^"]+)">`) // a rule and its subject
	names := map[string]bool{}
	for _, m := range option.FindAllStringSubmatch(job, -1) {
		names[m[1]] = true
	}
	if len(names) != len(judged.Findings) {
		t.Errorf("%d findings can be chosen, there are %d", len(names), len(judged.Findings))
	}
	for name := range names {
		rule, _, _ := strings.Cut(name, " ")
		decision := "waive"
		for _, f := range judged.Findings {
			if f.Rule == rule && f.Severity == "check" {
				decision = "answer"
			}
		}
		office.read(at+"/decide", url.Values{"id": {id()}, "decision": {decision}, "finding": {name}, "text": {"talked through"}, "consequence": {"the lesson is repeated"}, "talk": {"2026-10-14"}}, 303)
	}
	bad := push(a, a.Tokens[domain.Field], item(domain.OpeningKind, storagetest.ID(), 0, object{"job_id": in.Job, "in": "wrap", "origin": "found", "color": 1})).Items[0]
	if job = office.read(at, nil, 200); !strings.Contains(job, `<a href="/staff/held/`+bad.HeldID+`">opening</a>`) || !strings.Contains(job, "disabled>Accept") {
		t.Error("the job's page does not say that something is held")
	}
	a.Do(domain.Staff, "POST", "/v1/held/"+bad.HeldID+"/dismiss", nil).Want(200)
	if job = office.read(at, nil, 200); !strings.Contains(job, `<button name="decision" value="accept">Accept</button>`) {
		t.Errorf("nothing is open, and the job cannot be accepted")
	}
	office.read(at+"/decide", url.Values{"id": {id()}, "decision": {"accept"}}, 303)
	var entry struct{ Record struct{ State string } }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&entry)
	if entry.Record.State != "accepted" {
		t.Errorf("the job is %s", entry.Record.State)
	}

	// Contractors: the counts are the API's, and who may not look sees nothing.
	var figures struct {
		Contractors []struct {
			Name string
			Used int `json:"used_count"`
		}
	}
	a.Do(domain.Staff, "GET", "/v1/performance?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&figures)
	contractors := office.read("/staff/contractors?from=2026-10-01&before=2026-11-01", nil, 200)
	for _, f := range figures.Contractors {
		if want := fmt.Sprintf(`%s</a></th><td class="n" data-label="Jobs used">%d</td>`, f.Name, f.Used); !strings.Contains(contractors, want) {
			t.Errorf("the contractors' page does not say %q", want)
		}
	}
	if strings.Contains(contractors, "as expected</td>") {
		t.Error("one job is called as expected: that nothing was found is no finding")
	}
	office.read("/staff/contractors/"+a.World.Contractor.String()+"?from=2026-10-01&before=2026-11-01", nil, 200)
	office.read("/staff/held", nil, 200)
	office.read("/staff/jobs?state=accepted", nil, 200)
	for role, name := range map[domain.Role]string{domain.ContractorRole: "Cora Invented", domain.Funder: "Fay Invented", domain.Inspector: "Ida Invented"} {
		r := signedIn(a, role, name)
		for _, path := range []string{"/staff/today", at, "/staff/find", "/staff/contractors", "/staff/held", "/staff/jobs"} {
			r.read(path, nil, 403)
		}
	}
	if log := a.Log.String(); strings.Contains(log, "Cedar") || strings.Contains(log, "cedar") {
		t.Error("the log holds what was looked for")
	}
}

// theDoorOfAContractor shows why a job came back and what waits for it, takes a
// reply, and shows nobody's name, street or telephone number.
func theDoorOfAContractor(a *apitest.API, office, owner *reader, in *invented, at, id string) {
	a.T.Helper()
	own := "/staff/own/jobs/" + in.Job.String()
	seen := []string{owner.read("/staff/own/jobs", nil, 200), owner.read(own, nil, 200)}
	for i, words := range []string{"has come back to you: $", "Set the closure behind B7 &amp; send a picture."} {
		if !strings.Contains(seen[i], words) {
			a.T.Errorf("the contractor's page does not say %q", words)
		}
	}
	if !strings.Contains(seen[1], "waits for this repair") || !strings.Contains(seen[1], `id="finding-1"`) {
		a.T.Error("the contractor does not see what to fix and what it is worth")
	}
	owner.read(own+"/reply", url.Values{"id": {id}, "text": {""}}, 422)
	owner.read(own+"/reply", url.Values{"id": {id}, "text": {"It is set right <now>."}}, 303)
	seen = append(seen, owner.read(own, nil, 200), owner.read("/staff/own/statement?month=2026-10", nil, 200), owner.read("/staff/own/figures?from=2026-10-01&before=2026-11-01", nil, 200))
	if !strings.Contains(seen[2], "It is set right &lt;now&gt;.") || !strings.Contains(office.read(at, nil, 200), "It is set right &lt;now&gt;.") {
		a.T.Error("the reply is not read on both sides")
	}
	for _, page := range seen {
		for _, private := range []string{"Cedar", "Ann Invented", "555 0143", "Vera", "Lee Invented"} {
			if strings.Contains(page, private) {
				a.T.Errorf("a contractor reads %q", private)
			}
		}
	}
	for _, path := range []string{at, "/staff/today", "/staff/held", "/staff/new", "/staff/find", "/staff/contractors/" + a.World.Contractor.String()} {
		owner.read(path, nil, 403)
	}
	owner.read("/staff/own/jobs/"+storagetest.ID().String(), nil, 404)
	office.read("/staff/own/jobs", nil, 403)
}

// What waits carries its names: who holds a paper, the serial of an instrument,
// number and street of a job; a retired instrument waits for nobody.
func TestTheWorklistNamesThings(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	must(a, staff, item(domain.CredentialKind, storagetest.ID(), 0, domain.Credential{CrewMemberID: &a.World.Lead, Credential: domain.OtherCredential, ValidFromOn: "2025-01-01", ValidUntilOn: "2026-10-20"}))
	gauge := domain.Instrument{ContractorID: &a.World.Contractor, Instrument: domain.Gauge, Serial: "G-17", CalibratedOn: "2025-10-30", CalibratedUntilOn: "2026-10-21"}
	old := gauge
	old.Serial, old.RetiredOn = "G-OLD", "2026-10-01"
	must(a, staff, item(domain.InstrumentKind, storagetest.ID(), 0, gauge), item(domain.InstrumentKind, storagetest.ID(), 0, old))
	in := invent(a, a.World, faulty)
	in.sendIn(a, a.Tokens)
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", object{"street": "14 Cedar Loop"}).Want(200)
	a.Do(domain.ContractorRole, "PUT", "/v1/reviews/"+storagetest.ID().String(), object{"job_id": in.Job.String(), "decision": "reply", "text": "It was the cold."}).Want(201)
	var list struct {
		Items []struct {
			Sort, Name, Street string
			Number             int
			Contractor         string `json:"contractor_name"`
		}
	}
	a.Do(domain.Staff, "GET", "/v1/worklist", nil).Want(200).Into(&list)
	got := map[string]string{}
	for _, w := range list.Items {
		got[w.Sort] += fmt.Sprintf("%d|%s|%s|%s;", w.Number, w.Street, w.Name, w.Contractor)
	}
	for sort, want := range map[string]string{
		"sent_in":                 "1001|14 Cedar Loop||Invented Sealing;",
		"reply":                   "1001|14 Cedar Loop||Invented Sealing;",
		"credential_lapses_soon":  "0||Lee Invented|Invented Sealing;",
		"calibration_lapses_soon": "0||G-17|Invented Sealing;",
	} {
		if got[sort] != want {
			t.Errorf("%s: %q, want %q", sort, got[sort], want)
		}
	}
	var theirs json.RawMessage
	a.Do(domain.ContractorRole, "GET", "/v1/worklist", nil).Want(200).Into(&theirs)
	if strings.Contains(string(theirs), "Cedar") {
		t.Error("a contractor reads the resident's street")
	}
}
