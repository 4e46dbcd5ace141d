package pagetest_test

import (
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/api/pages"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"
	"ductledger/domain/draws"
)

// A reader asks for pages without a browser, with the cookie of a session.
type reader struct {
	t       testing.TB
	url     string
	session string
}

func readerAs(t testing.TB, a *apitest.API, role domain.Role) reader {
	t.Helper()
	return reader{t, a.URL, pagetest.Session(t, a, role, "Invented "+string(role))}
}

var notFollowing = http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}

func (r reader) do(method, path string, form url.Values) (*http.Response, string) {
	r.t.Helper()
	request, err := http.NewRequest(method, r.url+path, strings.NewReader(form.Encode()))
	if err != nil {
		r.t.Fatal(err)
	}
	if method == http.MethodPost {
		request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if r.session != "" {
		request.AddCookie(&http.Cookie{Name: "ductledger", Value: r.session})
	}
	return r.send(request)
}

func (r reader) send(request *http.Request) (*http.Response, string) {
	r.t.Helper()
	response, err := notFollowing.Do(request)
	if err != nil {
		r.t.Fatal(err)
	}
	defer response.Body.Close()
	body, err := io.ReadAll(response.Body)
	if err != nil {
		r.t.Fatal(err)
	}
	return response, string(body)
}

var formField = regexp.MustCompile(`name="form" value="([^"]+)"`)

// signIn fills in the form for signing in as a browser does, with cookies besides.
func (r reader) signIn(program, name, password string, cookies ...*http.Cookie) (*http.Response, string) {
	r.t.Helper()
	page, body := r.do("GET", "/staff/sign-in", nil)
	token := formField.FindStringSubmatch(body)
	if token == nil {
		r.t.Fatalf("no form: %d %s", page.StatusCode, body)
	}
	form := url.Values{"form": {token[1]}, "program": {program}, "name": {name}, "password": {password}}
	request, err := http.NewRequest(http.MethodPost, r.url+"/staff/sign-in", strings.NewReader(form.Encode()))
	if err != nil {
		r.t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for _, c := range append(page.Cookies(), cookies...) {
		request.AddCookie(c)
	}
	return r.send(request)
}

// get is a page that must be there.
func (r reader) get(path string) string {
	r.t.Helper()
	response, body := r.do("GET", path, nil)
	if response.StatusCode != 200 {
		r.t.Fatalf("%s: %d: %s", path, response.StatusCode, body)
	}
	return body
}

var tag = regexp.MustCompile(`<[^>]*>`)

// textOf is what a page's content says, its words told apart by single spaces.
func textOf(page string) string {
	_, content, _ := strings.Cut(page, "<main")
	return strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(content, " "))), " ")
}

var dataLink = regexp.MustCompile(`<a href="([^"]*)">data as (JSON|CSV)</a>`)

// Every page that lists or counts says how many rows, as of when, and leads to
// the same as JSON and CSV, which answer to whoever sees the page.
func TestEveryPageLeadsToItsData(t *testing.T) {
	s := newScene(t)
	lists := contentPages(s, "2026-10-01", "2026-11-01")
	lists[domain.Admin] = map[string]string{}
	for name, path := range settingsPages {
		lists[domain.Admin][name] = path
	}
	for role, list := range lists {
		r := readerAs(t, s.API, role)
		for name, path := range list {
			page := r.get(path)
			switch name { // these ask, or lead on
			case "find", "new", "settings", "me", "held-one", "held-conflict":
				continue
			}
			if text := textOf(page); !strings.Contains(text, "as of ") || !regexp.MustCompile(`(\d|no) rows?\b`).MatchString(text) && !strings.HasPrefix(name, "job") {
				t.Errorf("%s does not say how many rows as of when: %.300s", path, text)
			}
			kinds := ""
			for _, link := range dataLink.FindAllStringSubmatch(page, -1) {
				kinds += link[2]
				response, body := r.do("GET", html.UnescapeString(link[1]), nil)
				media := response.Header.Get("Content-Type")
				if response.StatusCode != 200 || link[2] == "CSV" && !strings.HasPrefix(media, "text/csv") || link[2] == "JSON" && !json.Valid([]byte(body)) {
					t.Errorf("%s leads as %s to %s: %d %s", path, link[2], link[1], response.StatusCode, media)
				}
			}
			if kinds != "JSONCSV" {
				t.Errorf("%s leads to its data as %q", path, kinds)
			}
		}
	}
}

// What pages say is what the API says, to the same person: each figure is looked
// for in the words in which pages tell it.
func TestFiguresAreTheAPIs(t *testing.T) {
	s := newScene(t)
	const period = "?from=2026-10-01&before=2026-11-01"
	says := func(r reader, path string, words ...string) {
		t.Helper()
		text := textOf(r.get(path))
		for _, w := range words {
			if w == "" || !strings.Contains(text, w) {
				t.Errorf("%s does not say %q: %s", path, w, text)
			}
		}
	}
	office, firm := readerAs(t, s.API, domain.Staff), readerAs(t, s.API, domain.ContractorRole)

	var work struct {
		Counts []struct {
			Sort  string `json:"sort"`
			Count int    `json:"count"`
		} `json:"counts"`
		Items []struct {
			Detail string `json:"detail"`
		} `json:"items"`
	}
	s.Do(domain.Staff, "GET", "/v1/worklist?limit=200", nil).Want(200).Into(&work)
	if len(work.Items) == 0 {
		t.Error("nothing waits")
	}
	for _, w := range work.Items {
		says(office, "/staff/today", w.Detail)
	}
	for _, c := range work.Counts {
		if c.Count > 0 {
			says(office, "/staff/today?sort="+c.Sort, fmt.Sprintf("(%d)", c.Count))
		}
	}

	var result struct {
		Before    float64 `json:"before_cfm25"`
		After     float64 `json:"after_cfm25"`
		Reduction float64 `json:"reduction_cfm25"`
		Ratio     float64 `json:"reduction_ratio"`
		Low       float64 `json:"reduction_ratio_low"`
		High      float64 `json:"reduction_ratio_high"`
		Expected  int64   `json:"expected_cents"`
	}
	at := "/v1/jobs/" + s.SentIn.String()
	s.Do(domain.Staff, "GET", at+"/result", nil).Want(200).Into(&result)
	var judged struct {
		Findings []struct {
			Detail string `json:"detail"`
			Fix    string `json:"fix"`
		} `json:"findings"`
	}
	s.Do(domain.Staff, "GET", at+"/findings", nil).Want(200).Into(&judged)
	if len(judged.Findings) != 3 {
		t.Errorf("%d findings", len(judged.Findings))
	}
	for _, r := range []struct {
		reader
		path string
	}{{office, "/staff/jobs/" + s.SentIn.String()}, {firm, "/staff/own/jobs/" + s.SentIn.String()}} {
		says(r.reader, r.path, pages.Number(result.Reduction, 0)+" cfm of "+pages.Number(result.Before, 0), pages.Number(result.After, 0),
			pages.Ratio(result.Ratio)+", between "+pages.Ratio(result.Low)+" and "+pages.Ratio(result.High), pages.Money(result.Expected))
		for _, f := range judged.Findings {
			says(r.reader, r.path, f.Detail[1:], f.Fix)
		}
	}

	var paid struct {
		Totals struct {
			Amount   int64 `json:"amount_cents"`
			HeldBack int64 `json:"held_back_cents"`
			Due      int64 `json:"due_cents"`
			Expected int64 `json:"expected_cents"`
		} `json:"totals"`
		Items []struct {
			JobID    string `json:"job_id"`
			Number   int64  `json:"job_number"`
			Amount   int64  `json:"amount_cents"`
			Expected int64  `json:"expected_cents"`
		} `json:"items"`
	}
	statement := "/v1/contractors/" + s.World.Contractor.String() + "/statement?month=2026-10"
	s.Do(domain.ContractorRole, "GET", statement, nil).Want(200).Into(&paid)
	for _, r := range []struct {
		reader
		path string
	}{{firm, "/staff/own/statement?month=2026-10"}, {office, "/staff/contractors/" + s.World.Contractor.String() + "/statement?month=2026-10"}} {
		says(r.reader, r.path, "For jobs of this month and late ones "+pages.Money(paid.Totals.Amount), "Due "+pages.Money(paid.Totals.Due),
			"Waits for jobs that are not accepted "+pages.Money(paid.Totals.Expected))
		for _, i := range paid.Items {
			says(r.reader, r.path, fmt.Sprintf("Job %d", i.Number), pages.Money(i.Amount), pages.Money(i.Expected))
		}
	}
	for _, i := range paid.Items {
		var job struct {
			Number int64 `json:"number"`
		}
		if s.Do(domain.Staff, "GET", "/v1/jobs/"+i.JobID, nil).Want(200).Into(&job); job.Number == 0 || job.Number != i.Number {
			t.Errorf("job %d is paid as %d", job.Number, i.Number)
		}
	}
	if paid.Totals.Amount == 0 || paid.Totals.Expected == 0 {
		t.Errorf("nothing is paid: %+v", paid)
	}

	var needs struct {
		ByRecords []struct {
			Judged int     `json:"judged_count"`
			Broken int     `json:"broken_count"`
			Ratio  float64 `json:"broken_ratio"`
			Low    float64 `json:"broken_ratio_low"`
			High   float64 `json:"broken_ratio_high"`
		} `json:"program_by_records"`
	}
	s.Do(domain.Staff, "GET", "/v1/training-needs"+period, nil).Want(200).Into(&needs)
	if len(needs.ByRecords) == 0 {
		t.Error("no rule was broken")
	}
	for _, n := range needs.ByRecords {
		says(office, "/staff/training"+period, fmt.Sprintf("%d of %d %s %s to %s", n.Broken, n.Judged, pages.Ratio(n.Ratio), pages.Ratio(n.Low), pages.Ratio(n.High)))
	}

	var course draws.Course
	s.Do(domain.Staff, "GET", "/v1/contractors/"+s.World.Contractor.String()+"/inspection-course?from=2025-11-01&before=2026-11-01", nil).Want(200).Into(&course)
	says(office, "/staff/contractors/"+s.World.Contractor.String()+"?from=2026-10-01&before=2026-11-01", course.Sequential.Statement)

	var effects struct {
		Jobs    int `json:"jobs_count"`
		Effects []struct {
			Type  string `json:"repair_type"`
			Class string `json:"home_class"`
			N     int    `json:"n"`
		} `json:"repair_effects"`
	}
	s.Do(domain.Staff, "GET", "/v1/repair-effects"+period, nil).Want(200).Into(&effects)
	says(office, "/staff/repairs"+period, fmt.Sprintf("Jobs accepted %d", effects.Jobs))
	for _, e := range effects.Effects {
		if e.Class == "" {
			says(office, "/staff/repairs"+period, fmt.Sprintf("%s %d ", pages.Plain(e.Type), e.N))
		}
	}
}

// A form of another page, of nobody, or of another session changes nothing,
// whatever it asks for: every page that takes forms is tried.
func TestFormsOfOthersAreRefused(t *testing.T) {
	a := apitest.Serve(t)
	theirs := pagetest.FormToken(pagetest.Session(t, a, domain.Admin, "Ada Invented"))
	all, err := pages.New(pages.Config{})
	if err != nil {
		t.Fatal(err)
	}
	tried := 0
	for _, route := range all.Routes() {
		if route.Method != http.MethodPost {
			continue
		}
		path := regexp.MustCompile(`\{[^}]*\}`).ReplaceAllString(route.Pattern, a.World.Home.String())
		r := reader{t: t, url: a.URL}
		if len(route.Roles) > 0 {
			r = readerAs(t, a, route.Roles[0])
		}
		for what, form := range map[string]url.Values{"none": {}, "another's": {"form": {theirs}}, "two, one its own": {"form": {theirs, pagetest.FormToken(r.session)}}} {
			form.Set("name", "x")
			if response, body := r.do("POST", path, form); response.StatusCode != 403 {
				t.Errorf("%s with the token %s: %d: %.200s", path, what, response.StatusCode, textOf(body))
			}
			tried++
		}
	}
	if tried < 50 {
		t.Errorf("%d forms were tried", tried)
	}
}
