package pagetest_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"

	"github.com/chromedp/chromedp/kb"
)

func TestMain(m *testing.M) { pagetest.Main(m) }

// settingsPages are those of this area, by the name of their picture.
var settingsPages = map[string]string{
	"settings": "/staff/settings", "people": "/staff/settings/people", "phones": "/staff/settings/phones", "settings-contractors": "/staff/settings/contractors",
	"papers": "/staff/settings/papers", "instruments": "/staff/settings/instruments", "rules": "/staff/settings/rules", "audit": "/staff/settings/audit",
	"month": "/staff/month", "me": "/staff/me",
}

// Every page at both widths, light and dark, scripts off: nothing is wider than
// the window, axe-core finds nothing serious.
func TestEveryPageCanBeReadByEverybody(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.As(t, a, domain.Admin)
	for name, path := range settingsPages {
		tab.Look(path, name)
	}
	out := pagetest.Open(t, a)
	out.Look("/staff/sign-in", "sign-in")
	out.Look("/staff/nowhere", "nowhere")
}

// An admin invites a person, who chooses a password, signs out and in again:
// by the keyboard alone.
func TestAPersonComesInByKeyboard(t *testing.T) {
	a := apitest.Serve(t)
	admin := pagetest.As(t, a, domain.Admin)
	admin.Go("/staff/settings/people")
	admin.TabTo("Name")
	admin.Keys("Vera Invented")
	admin.TabTo("Make the link")
	admin.Enter()
	link := regexp.MustCompile(`/staff/join/dll_[a-z2-7]+`).FindString(admin.Text())
	if link == "" {
		t.Fatalf("no link: %s", admin.Text())
	}
	vera := pagetest.Open(t, a)
	vera.Go(link)
	vera.Check()
	vera.Shot("join")
	vera.TabTo("Password")
	vera.Keys("too short")
	vera.TabTo("The same again")
	vera.Keys("another")
	vera.Go(link)
	vera.TabTo("Password")
	vera.Keys(pagetest.Password)
	vera.TabTo("The same again")
	vera.Keys(pagetest.Password)
	vera.TabTo("Choose this password and sign in")
	vera.Enter()
	if at := vera.At(); !strings.HasPrefix(at, "/staff/") || strings.HasPrefix(at, "/staff/join") {
		t.Fatalf("led to %s: %s", at, vera.Text())
	}
	vera.Go(link)
	vera.Says("Nothing is here")
	vera.Go("/staff/me")
	vera.Says("Vera Invented", "You are signed in as staff")
	vera.TabTo("sign out")
	vera.Enter()
	if at := vera.At(); at != "/staff/sign-in?program="+code(a) {
		t.Errorf("signed out to %s", at)
	}
	vera.TabTo("Your name")
	vera.Keys("vera invented" + kb.Tab + "a wrong password")
	vera.Enter()
	vera.Says("do not belong together")
	vera.TabTo("Password")
	vera.Keys(pagetest.Password)
	vera.Enter()
	if at := vera.At(); strings.HasPrefix(at, "/staff/sign-in") {
		t.Errorf("not in: %s", vera.Text())
	}
	if strings.Contains(a.Log.String(), "dll_") || strings.Contains(a.Log.String(), "dls_") || strings.Contains(a.Log.String(), pagetest.Password) {
		t.Error("the log holds a secret")
	}
}

func code(a *apitest.API) string {
	program, err := a.DB.Program(a.T.Context(), a.World.Program)
	if err != nil {
		a.T.Fatal(err)
	}
	return program.Code
}

// A phone is added, gets its code as a picture and as letters, turns it into a
// token, and is reported lost.
func TestAPhoneGetsItsCode(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.As(t, a, domain.Staff)
	tab.Go("/staff/settings/phones/" + a.World.Device.String())
	tab.Type("name", "Lee Invented")
	tab.TabTo("Make a code")
	tab.Enter()
	tab.Says("It works once", "carried by Lee Invented")
	tab.Check()
	tab.Shot("code")
	if n := tab.Eval("document.querySelectorAll('.qr svg path').length"); n != "1" {
		t.Errorf("%s pictures", n)
	}
	letters := tab.Eval("document.querySelector('.code').innerText")
	var got struct {
		Token  string `json:"token"`
		Name   string `json:"name"`
		Lapses int    `json:"lapse_days_count"`
	}
	a.Send("", "POST", "/v1/enrollments", map[string]any{"code": strings.ToLower(strings.ReplaceAll(letters, "-", " "))}).Want(201).Into(&got)
	if got.Name != "Lee Invented" || got.Lapses != 90 {
		t.Errorf("%+v", got)
	}
	a.Send("", "POST", "/v1/enrollments", map[string]any{"code": letters}).Want(404)
	a.Send(got.Token, "GET", "/v1/sync", nil).Want(200)
	tab.Go("/staff/settings/phones/" + a.World.Device.String())
	tab.TabTo("Report it lost")
	tab.Enter()
	tab.Says("It is reported lost")
	if p := a.Send(got.Token, "GET", "/v1/sync", nil).Want(401).Problem(); p.Code != "device_revoked" {
		t.Errorf("a lost phone: %+v", p)
	}
}

// What other sites, guessers and old sessions try: S8, S26.
func TestDoorsAreShut(t *testing.T) {
	a := apitest.Serve(t)
	session := pagetest.Session(t, a, domain.Admin, "Invented admin")
	send := func(method, path, cookie string, form url.Values, header ...string) *http.Response {
		t.Helper()
		r, err := http.NewRequest(method, a.URL+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if method == "POST" {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		if cookie != "" {
			r.AddCookie(&http.Cookie{Name: "ductledger", Value: cookie})
		}
		for i := 0; i+1 < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		response, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		response.Body.Close()
		return response
	}
	want := func(what string, r *http.Response, status int) {
		t.Helper()
		if r.StatusCode != status {
			t.Errorf("%s: %d, want %d", what, r.StatusCode, status)
		}
	}
	end := "/staff/sign-out-everywhere"
	want("a form without its token", send("POST", end, session, nil), 403)
	want("a form with another's token", send("POST", end, session, url.Values{"form": {"AAAAAAAAAAAAAAAAAAAAAA"}}), 403)
	want("another site's form", send("POST", end, session, url.Values{"form": {pagetest.FormToken(session)}}, "Sec-Fetch-Site", "cross-site"), 403)
	want("another site's form, told by Origin", send("POST", end, session, url.Values{"form": {pagetest.FormToken(session)}}, "Origin", "https://evil.example"), 403)
	want("an action by GET", send("GET", end, session, nil), 405)
	want("a session as a token", send("GET", "/v1/people", "", nil, "Authorization", "Bearer "+session), 401)
	want("a session that writes as a program", send("POST", "/v1/people", session, nil), 401)
	want("a session that reads as a program", send("GET", "/v1/people", session, nil), 200)
	want("nobody", send("GET", "/staff/settings", "", nil), 303)
	for from, to := range map[string]string{"/": "/staff", "/staff/": "/staff", "/staff/today/": "/staff/today", "/staff/today/?sort=held": "/staff/today?sort=held"} {
		r := send("GET", from, session, nil)
		if want(from, r, 303); r.Header.Get("Location") != to {
			t.Errorf("%s leads to %s, not %s", from, r.Header.Get("Location"), to)
		}
	}
	if r := send("GET", "/staff", session, nil); r.Header.Get("Location") != "/staff/today" {
		t.Errorf("the first page of who is signed in: %s", r.Header.Get("Location"))
	}
	want("another role", send("GET", "/staff/settings/people", pagetest.Session(t, a, domain.Funder, "Invented funder"), nil), 403)
	if r := send("GET", "/staff/sign-in?to=https://evil.example", "", nil); r.Header.Get("Content-Security-Policy") != "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'" {
		t.Errorf("policy: %s", r.Header.Get("Content-Security-Policy"))
	}
	out := send("POST", end, session, url.Values{"form": {pagetest.FormToken(session)}})
	want("signing out", out, 303)
	if cookie := out.Header.Get("Set-Cookie"); !strings.Contains(cookie, "Max-Age=0") || !strings.Contains(cookie, "HttpOnly") || !strings.Contains(cookie, "SameSite=Lax") {
		t.Errorf("the cookie after it: %s", cookie)
	}
	want("a cookie after signing out", send("GET", "/staff/me", session, nil), 303)
}

// A month is built by one person and released by another: who built it is shown
// a button that says why it is shut.
func TestAMonthTakesTwoPeople(t *testing.T) {
	a := apitest.Serve(t)
	a.Clock.Move(35 * 24 * time.Hour) // October has ended
	builder := pagetest.As(t, a, domain.Admin)
	builder.Go("/staff/month?month=2026-10")
	builder.TabTo("Build the package")
	builder.Enter()
	if at := builder.At(); at != "/staff/month?month=2026-10" || builder.Eval("document.querySelectorAll('.faults').length") != "0" {
		t.Fatalf("%s: %s", at, builder.Text())
	}
	builder.Until("/staff/month?month=2026-10", "waits for release")
	builder.Says("waits for release", "You built it. Another admin releases it", "by Invented admin")
	builder.Look("/staff/month?month=2026-10", "month-built")
	other := pagetest.Open(t, a)
	other.SignIn(domain.Admin, "Ada Invented")
	other.Go("/staff/month?month=2026-10")
	other.TabTo("Release it to the funder")
	other.Enter()
	other.Says("released", "by Ada Invented", "is with the funder")
	funder := pagetest.As(t, a, domain.Funder)
	funder.Go("/staff")
	funder.Go("/staff/month?month=2026-10")
	funder.Says("is released", "by Ada Invented")
	if text := funder.Text(); strings.Contains(text, "Build") && strings.Contains(text, "Look at first") {
		t.Errorf("the funder sees the office's boxes: %s", text)
	}
	var list struct {
		Items []struct {
			BuiltBy    string `json:"built_by_person_id"`
			ReleasedBy string `json:"released_by_person_id"`
		} `json:"items"`
	}
	a.Do(domain.Staff, "GET", "/v1/months/2026-10/packages", nil).Want(200).Into(&list)
	if len(list.Items) != 1 || list.Items[0].BuiltBy == "" || list.Items[0].BuiltBy == list.Items[0].ReleasedBy {
		t.Errorf("%+v", list)
	}
}
