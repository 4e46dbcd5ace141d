package pagetest_test

import (
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"ductledger/api/pages/pagetest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// post sends a form of a page as a browser does that runs no script, and gives what
// stands where it leads.
func (r reader) post(path string, form url.Values) string {
	r.t.Helper()
	form.Set("form", pagetest.FormToken(r.session))
	response, body := r.do(http.MethodPost, path, form)
	if response.StatusCode != http.StatusSeeOther {
		r.t.Fatalf("%s: %d: %s", path, response.StatusCode, textOf(body))
	}
	return r.get(response.Header.Get("Location"))
}

// refused is a form that is shown again with its reason.
func (r reader) refused(path string, form url.Values, why string) {
	r.t.Helper()
	form.Set("form", pagetest.FormToken(r.session))
	response, body := r.do(http.MethodPost, path, form)
	if text := textOf(body); response.StatusCode/100 != 4 || !strings.Contains(text, why) {
		r.t.Errorf("%s: %d, not refused by %q: %s", path, response.StatusCode, why, text)
	}
}

// choices are the findings that a form of the job's page offers.
func choices(page, id string) (list []string) {
	_, after, _ := strings.Cut(page, `<select id="`+id+`"`)
	offered, _, _ := strings.Cut(after, "</select>")
	for _, o := range regexp.MustCompile(`<option value="([^"]+)"`).FindAllStringSubmatch(offered, -1) {
		list = append(list, html.UnescapeString(o[1]))
	}
	return list
}

// A job goes its whole way by its own page: what blocks it is answered and waived, it is
// accepted, and opened again. The API says what the forms did, in the person's name.
func TestAJobIsDecidedByItsPage(t *testing.T) {
	s := newScene(t)
	office := readerAs(t, s.API, domain.Staff)
	at, api := "/staff/jobs/"+s.SentIn.String(), "/v1/jobs/"+s.SentIn.String()
	send := func(form url.Values) string {
		t.Helper()
		form.Set("id", storagetest.ID().String())
		return office.post(at+"/decide", form)
	}
	state := func() string {
		t.Helper()
		var job struct {
			Record domain.Job `json:"record"`
		}
		s.Do(domain.Staff, "GET", api, nil).Want(200).Into(&job)
		return string(job.Record.State)
	}
	office.refused(at+"/decide", url.Values{"decision": {"accept"}, "id": {storagetest.ID().String()}}, "from being saved")
	var judged struct {
		Findings []struct {
			Rule     string `json:"rule"`
			Severity string `json:"severity"`
		} `json:"findings"`
	}
	s.Do(domain.Staff, "GET", api+"/findings", nil).Want(200).Into(&judged)
	severity := map[string]string{}
	for _, f := range judged.Findings {
		severity[f.Rule] = f.Severity
	}
	asked, lifted := 0, 0
	for _, f := range choices(office.get(at), "waive-which") {
		rule, _, _ := strings.Cut(f, " ")
		if severity[rule] == "check" {
			asked++
			send(url.Values{"decision": {"answer"}, "finding": {f}, "text": {"Seen on the picture."}})
			continue
		}
		lifted++
		send(url.Values{"decision": {"waive"}, "finding": {f}, "text": {"Out of reach."}, "consequence": {"It is seen again in a year."}, "talk": {"2026-10-14"}})
	}
	if asked != 1 || lifted != 2 || len(choices(office.get(at), "waive-which")) != 0 {
		t.Errorf("%d answered, %d waived, and the page offers %v", asked, lifted, choices(office.get(at), "waive-which"))
	}
	text := textOf(send(url.Values{"decision": {"accept"}}))
	if got := state(); got != "accepted" || !strings.Contains(text, "accepted since") || !strings.Contains(text, "Out of reach.") {
		t.Errorf("accepted, it is %s: %s", got, text)
	}
	office.refused(at+"/decide", url.Values{"decision": {"reopen"}, "id": {storagetest.ID().String()}}, "Say in a sentence why")
	text = textOf(send(url.Values{"decision": {"reopen"}, "text": {"The inspector found a loose boot."}}))
	if got := state(); got != "returned" || !strings.Contains(text, "The inspector found a loose boot.") {
		t.Errorf("opened again, it is %s: %s", got, text)
	}
	if !strings.Contains(text, "Invented staff") {
		t.Errorf("nobody is named: %s", text)
	}
}

// A held item is named by what it is, with its job; it is tried again as it came,
// in vain and then with the reason gone, and another is dismissed.
func TestAHeldItemIsTriedAgainAndDismissed(t *testing.T) {
	s := newScene(t)
	office := readerAs(t, s.API, domain.Staff)
	today := textOf(office.get("/staff/today?sort=held"))
	if !strings.Contains(today, "Opening of job 1003") || !strings.Contains(today, "Home Invented Sealing") || strings.Contains(today, "What was sent") {
		t.Errorf("held items are not named: %s", today)
	}
	at := "/staff/held/" + s.Held
	base := regexp.MustCompile(`name="base" value="(\d+)"`)
	version := func(path string) string {
		t.Helper()
		found := base.FindStringSubmatch(office.get(path))
		if found == nil {
			t.Fatalf("%s has no version", path)
		}
		return found[1]
	}
	office.refused(at, url.Values{"do": {"apply"}, "base": {version(at)}}, "120 ft or less")
	office.post(at, url.Values{"do": {"dismiss"}, "base": {version(at)}})
	conflict := "/staff/held/" + s.Conflict
	list := textOf(office.post(conflict, url.Values{"do": {"apply"}, "base": {version(conflict)}}))
	if !strings.Contains(list, "Everything that was sent has been accepted or settled.") {
		t.Errorf("not settled: %s", list)
	}
	var home struct {
		Record domain.Home `json:"record"`
	}
	s.Do(domain.Staff, "GET", "/v1/homes/"+s.World.Home.String(), nil).Want(200).Into(&home)
	if home.Record.CrawlHeightIn == nil || *home.Record.CrawlHeightIn != 24 {
		t.Errorf("what came was applied as %v", home.Record.CrawlHeightIn)
	}
	states := map[string]string{}
	for _, state := range []string{"dismissed", "closed"} {
		var held struct {
			Items []struct {
				ID string `json:"held_id"`
			} `json:"items"`
		}
		s.Do(domain.Staff, "GET", "/v1/held?state="+state, nil).Want(200).Into(&held)
		for _, h := range held.Items {
			states[h.ID] = state
		}
	}
	if states[s.Held] != "dismissed" || states[s.Conflict] != "closed" {
		t.Errorf("settled as %v", states)
	}
}

// A lesson is written down by its form; without a day it is not, and nothing typed is lost.
func TestALessonIsWrittenDown(t *testing.T) {
	s := newScene(t)
	office := readerAs(t, s.API, domain.Staff)
	form := func(day string) url.Values {
		return url.Values{"id": {storagetest.ID().String()}, "crew_member_id": {s.World.Lead.String()}, "held_on": {day}, "topic": {"Boots and <b>tape</b>"}, "rule": {"boot_sealed_at_floor"}}
	}
	const period = "?from=2026-10-01&before=2026-11-01"
	rule := choices(office.get("/staff/training"+period), "rule")[0]
	bad := form("")
	bad["rule"] = []string{rule}
	office.refused("/staff/training", bad, "from being saved")
	good := form("2026-10-14")
	good["rule"] = []string{rule}
	office.post("/staff/training", good)
	var held struct {
		Lessons []struct {
			HeldOn string   `json:"held_on"`
			Rules  []string `json:"rules"`
			Name   string   `json:"name"`
		} `json:"lessons"`
	}
	s.Do(domain.Staff, "GET", "/v1/lessons"+period, nil).Want(200).Into(&held)
	if len(held.Lessons) != 1 || held.Lessons[0].HeldOn != "2026-10-14" || len(held.Lessons[0].Rules) != 1 || held.Lessons[0].Rules[0] != rule {
		t.Fatalf("the API knows %+v", held.Lessons)
	}
	if text := textOf(office.get("/staff/training" + period)); !strings.Contains(text, held.Lessons[0].Name) || !strings.Contains(text, "14 October 2026") {
		t.Errorf("the page does not show the lesson: %s", text)
	}
}

// Find says what the API finds; the words stand in no address.
func TestFindByItsPage(t *testing.T) {
	s := newScene(t)
	office := readerAs(t, s.API, domain.Staff)
	find := func(words string) string {
		t.Helper()
		response, body := office.do(http.MethodPost, "/staff/find", url.Values{"form": {pagetest.FormToken(office.session)}, "words": {words}})
		if response.StatusCode != 200 {
			t.Fatalf("%s: %d", words, response.StatusCode)
		}
		for _, link := range regexp.MustCompile(`(?:href|action)="([^"]*)"`).FindAllStringSubmatch(body, -1) {
			if strings.Contains(link[1], words) {
				t.Errorf("%q stands in the address %s", words, link[1])
			}
		}
		return body
	}
	var found struct {
		Jobs []struct {
			JobID string `json:"job_id"`
		} `json:"jobs"`
	}
	s.Do(domain.Staff, "POST", "/v1/search", object{"words": "Ann", "limit": 50}).Want(200).Into(&found)
	page := find("Ann")
	if len(found.Jobs) != 3 {
		t.Errorf("%d jobs were found", len(found.Jobs))
	}
	for _, j := range found.Jobs {
		if !strings.Contains(page, "/staff/jobs/"+j.JobID) {
			t.Errorf("the page does not lead to job %s: %s", j.JobID, textOf(page))
		}
	}
	if text := textOf(find("Zebulon")); !strings.Contains(text, "Nothing begins with all of these words.") {
		t.Errorf("nothing is there: %s", text)
	}
}
