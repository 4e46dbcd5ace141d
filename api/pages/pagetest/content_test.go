package pagetest_test

import (
	"flag"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/pages"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/chromedp/chromedp/kb"
)

var update = flag.Bool("update", false, "renew the pictures of README")

// contentPages are those that show a program's work, by role and the name of
// their picture, over a period.
func contentPages(s *scene, from, before string) map[domain.Role]map[string]string {
	period := "?from=" + from + "&before=" + before
	return map[domain.Role]map[string]string{
		domain.Staff: {"today": "/staff/today", "held": "/staff/held", "held-one": "/staff/held/" + s.Held, "held-conflict": "/staff/held/" + s.Conflict,
			"find": "/staff/find", "new": "/staff/new", "jobs": "/staff/jobs", "job": "/staff/jobs/" + s.SentIn.String(), "job-returned": "/staff/jobs/" + s.Returned.String(),
			"job-accepted": "/staff/jobs/" + s.Accepted.String(), "contractors-one": "/staff/contractors" + period, "contractor": "/staff/contractors/" + s.World.Contractor.String() + period,
			"statement": "/staff/contractors/" + s.World.Contractor.String() + "/statement?month=2026-10", "inspections": "/staff/inspections", "training": "/staff/training" + period, "repairs": "/staff/repairs" + period, "firms": "/staff/settings/contractors", "papers-full": "/staff/settings/papers"},
		domain.ContractorRole: {"own-jobs": "/staff/own/jobs", "own-job": "/staff/own/jobs/" + s.Returned.String(), "own-statement": "/staff/own/statement?month=2026-10", "own-figures": "/staff/own/figures" + period},
		domain.Inspector:      {"route": "/staff/inspections", "inspection": "/staff/inspections/" + s.SentIn.String()},
	}
}

// Every page of work, with script in every text and a name that cannot break:
// on a phone and at a desk, light and dark, scripts off, nothing serious for
// axe-core, at most 100 kB, no script of its own.
func TestEveryPageOfWorkCanBeReadByEverybody(t *testing.T) {
	s := newScene(t)
	for role, list := range contentPages(s, "2026-10-01", "2026-11-01") {
		tab := pagetest.As(t, s.API, role)
		for name, path := range list {
			tab.Look(path, name)
		}
	}
	tab := pagetest.As(t, s.API, domain.Staff)
	tab.Go("/staff/jobs/" + s.Returned.String())
	tab.Says(script, "Two things to fix, one question", "Asked, and changed since", "Opening in the wrap, section A at 10 ft")
	if title := tab.Eval("document.title"); title == "x" {
		t.Error("a text was run as a script")
	}
	tab.Go("/staff/settings/contractors")
	tab.Says(longName)
	tab.Go("/staff/contractors") // a long name breaks before it pushes the figures out of sight
	if wide := tab.Eval("[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth).length"); wide != "0" {
		t.Errorf("%s tables are wider than a desk", wide)
	}
	tab.SignIn(domain.Staff, longName)
	tab.Width(pagetest.Phone, false)
	tab.Go("/staff/find")
	tab.Check()
}

// A program with nothing in it: every page says what would stand there.
func TestPagesOfAnEmptyProgram(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.As(t, a, domain.Staff)
	for name, path := range map[string]string{"empty-today": "/staff/today", "empty-held": "/staff/held", "empty-jobs": "/staff/jobs", "empty-contractors": "/staff/contractors",
		"empty-training": "/staff/training", "empty-repairs": "/staff/repairs", "empty-contractor": "/staff/contractors/" + a.World.Contractor.String(), "empty-inspections": "/staff/inspections"} {
		tab.Look(path, name)
		if tab.Go(path); tab.Eval("document.querySelectorAll('.empty').length") == "0" {
			t.Errorf("%s does not say what would stand there", path)
		}
	}
	owner := pagetest.As(t, a, domain.ContractorRole)
	owner.Look("/staff/own/jobs", "empty-own-jobs")
	owner.Says("No job has come back to you.")
	funder := pagetest.As(t, a, domain.Funder)
	funder.Look("/staff/month", "empty-funder")
}

// A Monday by the keyboard alone: a job is returned, a held item is mended, a
// conflict is merged, a new home and job are entered, the contractor replies.
func TestAMondayByKeyboard(t *testing.T) {
	s := newScene(t)
	tab := pagetest.As(t, s.API, domain.Staff)
	at := "/staff/jobs/" + s.SentIn.String()
	tab.Go(at)
	tab.TabTo("What to do, in a sentence")
	tab.Keys("Set it behind B7.")
	tab.TabTo("Return to the crew")
	tab.Enter()
	tab.Says("returned since", "Set it behind B7.", "The return asked")
	if n := tab.Eval("[...document.querySelectorAll('.ticks .mark')].filter(e => e.innerText === 'open').length"); n != "3" {
		t.Errorf("%s of three rules are asked for", n)
	}

	tab.Go("/staff/held/" + s.Held)
	tab.Says("Position ft: must be 120 ft or less; 400 ft was sent.")
	tab.TabTo("position, ft")
	tab.Type("f-position_ft", "390")
	tab.TabTo("Save it mended")
	tab.Enter()
	tab.Says("keeps this from being saved")
	if kept := tab.Eval("document.getElementById('f-position_ft').value"); kept != "390" {
		t.Errorf("what was typed is lost: %q", kept)
	}
	tab.Type("f-position_ft", "40")
	tab.TabTo("Save it mended")
	tab.Enter()
	if at := tab.At(); at != "/staff/held" {
		t.Errorf("mended, and still at %s: %s", at, tab.Text())
	}
	tab.Go("/staff/held/" + s.Conflict)
	tab.Says("crawl height, in", "24", "18")
	tab.TabTo("Save what is chosen")
	tab.Enter()
	tab.Says("Everything that was sent has been accepted or settled.")
	var home struct {
		Record domain.Home `json:"record"`
	}
	s.Do(domain.Staff, "GET", "/v1/homes/"+s.World.Home.String(), nil).Want(200).Into(&home)
	if home.Record.CrawlHeightIn == nil || *home.Record.CrawlHeightIn != 24 {
		t.Errorf("merged to %v", home.Record.CrawlHeightIn)
	}

	tab.Go("/staff/new")
	tab.TabTo("Street")
	tab.Keys("14")
	tab.TabTo("Look for it")
	tab.Enter()
	tab.Check()
	tab.Says("3 homes begin with these words", "Ann")
	tab.TabTo("It is none of these: a new home")
	tab.Enter()
	tab.Check()
	tab.Says("new to the program", "Was it treated before?")
	if load := tab.Eval("document.getElementById('contractor_id').innerText"); !strings.Contains(load, "Invented Sealing, 2 open jobs, 2 of them returned") {
		t.Errorf("the contractors' load: %s", load)
	}
	tab.Type("street", "9 Birch Court")
	tab.Eval("document.getElementById('section_count').value = '2'")
	tab.Eval("document.getElementById('pay_basis').value = 'measured'")
	tab.TabTo("Give it to the contractor")
	tab.Keys(kb.Enter) // the browser itself asks for the contractor
	tab.Eval("[...document.getElementById('contractor_id').options].find(o => o.text.startsWith('Invented Sealing')).selected = true")
	tab.TabTo("Give it to the contractor")
	tab.Enter()
	tab.Says("9 Birch Court", "assigned since")

	owner := pagetest.As(t, s.API, domain.ContractorRole)
	owner.Go("/staff/own/jobs")
	owner.Says("Two jobs have come back to you")
	owner.Go("/staff/own/jobs/" + s.SentIn.String())
	owner.Says("It came back", "waits for this repair", "Set it behind B7.")
	if text := owner.Text(); strings.Contains(text, "Cedar") && strings.Contains(text, "Ann ") {
		t.Error("a contractor reads the resident")
	}
	owner.TabTo("What the office should know")
	owner.Keys("We come on Tuesday.")
	owner.TabTo("Send the reply")
	owner.Enter()
	owner.Says("We come on Tuesday.")
	tab.Go(at)
	tab.Says("We come on Tuesday.")

	inspector := pagetest.As(t, s.API, domain.Inspector)
	inspector.Go("/staff/inspections")
	inspector.Says("One job waits to be inspected", "555 0143")
}

// A secret is guessed a few times and no more; whoever waits is told how long.
func TestGuessingEnds(t *testing.T) {
	a := apitest.Serve(t)
	for what, guess := range map[string]func(reader) *http.Response{
		"a link": func(r reader) *http.Response {
			response, _ := r.do("GET", "/staff/join/dll_guess", nil)
			return response
		},
		"a password": func(r reader) *http.Response {
			response, _ := r.signIn("TEST", "Invented admin", "a wrong guess at it")
			return response
		},
		"a code": func(r reader) *http.Response {
			response, err := http.Post(r.url+"/v1/enrollments", "application/json", strings.NewReader(`{"code":"AAAA-BBBB-CCCC-DDDD"}`))
			if err != nil {
				t.Fatal(err)
			}
			response.Body.Close()
			return response
		},
	} {
		t.Run(what, func(t *testing.T) {
			handler, err := api.New(api.Config{DB: a.DB, Now: a.Clock.Now, Log: slog.New(slog.DiscardHandler)}) // with the limits of a service
			if err != nil {
				t.Fatal(err)
			}
			server := httptest.NewServer(handler)
			defer server.Close()
			for range 30 {
				response := guess(reader{t: t, url: server.URL})
				switch response.StatusCode {
				case http.StatusNotFound, http.StatusUnauthorized, http.StatusUnprocessableEntity:
					continue
				case http.StatusTooManyRequests:
					if response.Header.Get("Retry-After") == "" {
						t.Error("who waits is not told how long")
					}
					return
				}
				t.Fatalf("a guess: %d", response.StatusCode)
			}
			t.Error("thirty guesses, and no end")
		})
	}
}

// A session that somebody put into the browser before does not become the
// person's: signing in makes a new one, and the one before stays worth nothing.
func TestAFixedSessionIsNotTaken(t *testing.T) {
	a := apitest.Serve(t)
	pagetest.Session(t, a, domain.Staff, "Vera Invented") // who has a password now
	attacker := readerAs(t, a, domain.Funder)
	for what, fixed := range map[string]string{"made up": "dls_fixed", "an attacker's own": attacker.session} {
		t.Run(what, func(t *testing.T) {
			// The form is asked for by nobody; the cookie is put into the browser in between.
			response, body := reader{t: t, url: a.URL}.signIn(code(a), "Vera Invented", pagetest.Password, &http.Cookie{Name: "ductledger", Value: fixed})
			if what == "an attacker's own" && response.StatusCode == http.StatusForbidden {
				return // the form was made for another session: nobody is signed in by it
			}
			if response.StatusCode != http.StatusSeeOther {
				t.Fatalf("%d: %s", response.StatusCode, textOf(body))
			}
			session := ""
			for _, c := range response.Cookies() {
				if c.Name == "ductledger" {
					session = c.Value
				}
			}
			if session == "" || session == fixed {
				t.Fatalf("the session after signing in is %q", session)
			}
			if text := textOf(reader{t, a.URL, session}.get("/staff/me")); !strings.Contains(text, "Vera Invented") {
				t.Errorf("the new session is not hers: %s", text)
			}
			if response, body := (reader{t, a.URL, fixed}).do("GET", "/staff/me", nil); response.StatusCode == 200 && strings.Contains(body, "Vera Invented") {
				t.Error("the session of before is hers now")
			}
		})
	}
}

// A person changes the own password; somebody else's link for it is told at the
// next sign-in.
func TestOwnPassword(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.As(t, a, domain.Staff)
	change := func(now, next, again string) {
		t.Helper()
		tab.Go("/staff/me")
		tab.Type("current", now)
		tab.Type("password", next)
		tab.Type("again", again)
		tab.TabTo("Change it")
		tab.Enter()
	}
	change("a wrong one altogether", "five other unrelated words", "five other unrelated words")
	tab.Says("this is not your password")
	change(pagetest.Password, "five other unrelated words", "five others")
	tab.Says("differ")
	change(pagetest.Password, "five other unrelated words", "five other unrelated words")
	if at := tab.At(); at != "/staff/me" || tab.Eval("document.querySelectorAll('.faults').length") != "0" {
		t.Fatalf("%s: %s", at, tab.Text())
	}
	tab.Check()
	var people struct {
		Items []struct {
			ID   string `json:"person_id"`
			Name string `json:"name"`
		} `json:"items"`
	}
	a.Do(domain.Admin, "GET", "/v1/people", nil).Want(200).Into(&people)
	for _, p := range people.Items {
		if p.Name == "Invented staff" {
			a.Clock.Move(time.Minute)
			a.Do(domain.Admin, "POST", "/v1/people/"+p.ID+"/link", nil).Want(201)
		}
	}
	a.Clock.Move(time.Minute)
	tab.TabTo("sign out")
	tab.Enter()
	tab.TabTo("Your name")
	tab.Keys("Invented staff" + kb.Tab + "five other unrelated words")
	tab.Enter()
	tab.Says("made a link for your password", "Invented admin")
}

// The contractors of README: eight with jobs of invented readings, one of which
// leaves much more than the others leave. What the pages say is what the API says.
func TestPicturesOfReadme(t *testing.T) {
	s := newScene(t)
	tab := pagetest.As(t, s.API, domain.Staff)
	s.Do(domain.Staff, "PUT", "/v1/homes/"+s.World.Home.String()+"/resident", object{"street": "9 Invented Loop"}).Want(200)
	s.Do(domain.Staff, "GET", "/v1/jobs/"+s.SentIn.String(), nil).Want(200)
	job := s.job(t)
	s.Do(domain.Staff, "PUT", "/v1/homes/"+s.World.Home.String()+"/resident", object{"street": "14 Cedar Loop, space 22"}).Want(200)
	tab.Go("/staff/jobs/" + job.String())
	keep(t, tab, "job")

	g := storagetest.NewAgency(t, time.Date(2026, 10, 2, 18, 0, 0, 0, time.UTC))
	a := apitest.Over(t, g.DB, g.Clock)
	a.World = g.World
	g.Must(t, g.Staff, storagetest.On(storagetest.Item(t, g.Contractor, &domain.Contractor{Name: "Alder Ridge"}), 1))
	noise := func(k int) float64 { return math.Sin(float64(k)*12.9898) * 0.55 } // as unequal as homes are, and always the same
	for i, name := range []string{"Alder Ridge", "Birch Hollow", "Cedar Fork", "Dry Creek", "Eastline", "Fairview", "Gray Mesa", "Harrow"} {
		firm := g
		if i > 0 {
			firm = g.Second()
			g.Must(t, g.Staff, storagetest.On(storagetest.Item(t, firm.Contractor, &domain.Contractor{Name: name}), 1))
		}
		for k := range []int{18, 31, 11, 25, 4, 22, 28, 6}[i] {
			before := math.Round(260 * math.Exp(noise(7*i+k+1)))
			left := 0.42 * math.Exp(noise(100+13*i+k))
			if name == "Gray Mesa" {
				left *= 1.6
			}
			firm.Accepted(before, math.Round(before*left))
		}
	}
	g.Clock.Move(31 * 24 * time.Hour)
	a.Tokens = map[domain.Role]string{domain.Staff: a.Token(t, g.Program, storage.Token{Role: domain.Staff, Name: "Sam Invented"})}
	office := pagetest.As(t, a, domain.Staff)
	const period = "?from=2026-10-01&before=2026-11-01"
	office.Look("/staff/contractors"+period, "contractors")
	office.Go("/staff/contractors" + period)
	office.Says("One contractor leaves more leakage than homes like these usually leave: Gray Mesa.")
	var figures struct {
		Contractors []struct {
			ID       string `json:"contractor_id"`
			Name     string `json:"name"`
			Used     int    `json:"used_count"`
			Adjusted struct {
				Pooled *struct {
					Index float64 `json:"index_ratio"`
				} `json:"pooled"`
			} `json:"adjusted"`
		} `json:"contractors"`
	}
	a.Do(domain.Staff, "GET", "/v1/performance"+period, nil).Want(200).Into(&figures)
	for _, c := range figures.Contractors {
		if c.Used == 0 {
			continue
		}
		office.Says(c.Name, fmt.Sprint(c.Used), pages.Change(c.Adjusted.Pooled.Index))
	}
	keep(t, office, "contractors")
	one := figures.Contractors[len(figures.Contractors)-1]
	for _, c := range figures.Contractors {
		if c.Name == "Gray Mesa" {
			one = c
		}
	}
	office.Look("/staff/contractors/"+one.ID+period, "contractor-full")
	office.Says("The jobs behind it", "A spreadsheet that recomputes it")
}

// keep holds a picture of README to its size, and renews it with -update.
func keep(t *testing.T, tab *pagetest.Tab, name string) {
	t.Helper()
	picture := tab.Picture(1180, 800)
	if len(picture) > 150_000 {
		t.Errorf("the picture %s is %d bytes, at most 150,000", name, len(picture))
	}
	at := "../../../testdata/pages/" + name + ".png"
	if *update {
		if err := os.MkdirAll("../../../testdata/pages", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at, picture, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := os.Stat(at); err != nil {
		t.Error(err)
	}
	tab.Width(pagetest.Desk, false)
}
