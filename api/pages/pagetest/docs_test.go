package pagetest_test

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"

	"github.com/chromedp/chromedp/kb"
)

// served is the service with a configuration of its own, over the same database.
func served(t *testing.T, a *apitest.API, change func(*api.Config)) *apitest.API {
	t.Helper()
	config := api.Config{DB: a.DB, Now: a.Clock.Now, Log: slog.New(slog.DiscardHandler), Unlimited: true}
	change(&config)
	handler, err := api.New(config)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return &apitest.API{T: t, DB: a.DB, Clock: a.Clock, URL: server.URL}
}

// settled is the value of an expression once it is one.
func settled(tab *pagetest.Tab, expression string) string {
	for range 6000 { // ten minutes: nothing is judged by how long it takes
		if value := tab.Eval(expression + ` || ""`); value != "" && value != "…" {
			return value
		}
		time.Sleep(100 * time.Millisecond)
	}
	tab.T.Fatalf("%s has no value", expression)
	return ""
}

// A reader of a demo's pages sends what stands there, by the keyboard.
func TestTryingOnADemo(t *testing.T) {
	a := apitest.Serve(t)
	tab := pagetest.Open(t, served(t, a, func(c *api.Config) { c.Demo = true }))
	tab.Scripts(true)
	send := func(operation, role, want string) {
		t.Helper()
		tab.Go("/docs/operations/" + operation)
		tab.Type("try-token", role)
		tab.TabTo("Send")
		tab.Keys(kb.Enter)
		if got := settled(tab, `document.getElementById("try-answer").textContent`); !strings.HasPrefix(got, want) || !strings.Contains(got, `": `) {
			t.Errorf("%s: %s", operation, got)
		}
	}
	send("getSync", a.Tokens[domain.Field], "200\n")
	send("calculateFanTest", a.Tokens[domain.Field], "200\n")
	send("putContractor", a.Tokens[domain.Staff], "201\n")
	send("listAudit", a.Tokens[domain.Funder], "403\n")

	tab.Scripts(false)
	tab.Go("/docs/operations/getSync")
	if shown := tab.Eval(`getComputedStyle(document.getElementById("try")).display`); shown != "none" {
		t.Errorf("without its script the form is shown, and does nothing: %s", shown)
	}
}

// A page of another origin reads what the service answers where the operator
// listed that origin, and nowhere else.
func TestAPageOfAnotherOrigin(t *testing.T) {
	a := apitest.Serve(t)
	page := func() string {
		server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "text/html")
			_, _ = io.WriteString(w, "<!doctype html><title>A field app</title><main>A field app</main>")
		}))
		t.Cleanup(server.Close)
		return server.URL
	}
	listed, stranger := page(), page()
	service := served(t, a, func(c *api.Config) { c.Origins = []string{listed} })
	for origin, want := range map[string]string{listed: `201 "1"`, stranger: "TypeError"} {
		tab := pagetest.Open(t, &apitest.API{T: t, URL: origin})
		tab.Scripts(true)
		tab.Go("/")
		tab.Eval(fmt.Sprintf(`fetch(%s, { method: "PUT", headers: { Authorization: %s, "Content-Type": "application/json" }, body: '{"name":"Invented Sealing of Another Origin"}' })
			.then((a) => { window.told = a.status + " " + a.headers.get("ETag") }, (e) => { window.told = e.name })`,
			strconv.Quote(service.URL+"/v1/contractors/0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d71"), strconv.Quote("Bearer "+a.Tokens[domain.Staff])))
		if got := settled(tab, "window.told"); got != want {
			t.Errorf("from %s: %s, want %s", origin, got, want)
		}
	}
}
