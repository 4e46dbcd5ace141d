package docs

import (
	"context"
	"fmt"
	"html"
	"html/template"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json/jsontext"
)

// pages serves the documentation alone, without a database or a token.
func pages(t testing.TB, demo ...bool) (*Pages, http.Handler) {
	t.Helper()
	text, err := os.ReadFile("../../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	contract, err := JSON(text)
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(contract, len(demo) > 0)
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	for _, rt := range d.Routes() {
		mux.HandleFunc(rt.Method+" "+rt.Pattern, func(w http.ResponseWriter, r *http.Request) {
			path := map[string]string{}
			for _, name := range []string{"operation", "schema", "code", "rule"} {
				path[name] = r.PathValue(name)
			}
			a, err := rt.Handle(context.Background(), domain.Caller{}, &frame.Request{Path: path, Query: r.URL.Query()})
			if err != nil {
				frame.WriteProblem(w, r, "", err)
				return
			}
			if _, err := frame.WriteAnswer(w, r, a, frame.Limits{}.OrDefaults()); err != nil {
				t.Error(err)
			}
		})
	}
	return d, mux
}

func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
	return w
}

// allPages are the addresses of every page, from the tables that they show.
func allPages(d *Pages) []string {
	list := []string{"/docs", "/docs/problems", "/docs/rules", "/docs/guide", "/docs/search"}
	for i := range d.topics {
		list = append(list, "/docs/"+d.topics[i].Name)
	}
	for _, k := range frame.ProblemKinds() {
		list = append(list, "/docs/problems/"+strings.ReplaceAll(string(k.Code), "_", "-"))
	}
	for _, key := range rules.Keys() {
		list = append(list, "/docs/rules/"+key)
	}
	for id := range d.index.operations {
		list = append(list, "/docs/operations/"+id)
	}
	for _, name := range d.index.doc.tree("components", "schemas").names {
		list = append(list, "/docs/schemas/"+name)
	}
	return list
}

var (
	linkText = regexp.MustCompile(`(?:href|src|action)="([^"]*)"`)
	safeWord = regexp.MustCompile(`(?i)\bsafe\b`)
	tagText  = regexp.MustCompile(`<[^>]*>`)
)

// Every operation, shape, problem and rule has a page; no page needs a script,
// another server or an inline style, none says that something is safe, and no
// link leads nowhere.
func TestEveryPage(t *testing.T) {
	t.Parallel()
	d, h := pages(t)
	known := map[string]bool{"/openapi.yaml": true, "/openapi.json": true, "/docs/style.css": true}
	all := allPages(d)
	bodies := map[string]string{}
	for _, path := range all {
		known[path] = true
		bodies[path] = get(t, h, path).Body.String()
	}
	for _, path := range all {
		w := get(t, h, path)
		body := bodies[path]
		if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Type"), "text/html") || !strings.Contains(body, "</html>") {
			t.Errorf("%s: %d %s", path, w.Code, w.Header().Get("Content-Type"))
			continue
		}
		if policy := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(policy, "default-src 'none'; style-src 'self'; img-src 'self'") {
			t.Errorf("%s: policy %q", path, policy)
		}
		for _, never := range []string{"<script", "style=\"", "<style", "<iframe", "javascript:", "onclick", "<no value>", "%!"} {
			if strings.Contains(body, never) {
				t.Errorf("%s holds %q", path, never)
			}
		}
		if word := safeWord.FindString(tagText.ReplaceAllString(body, " ")); word != "" {
			t.Errorf("%s says %q", path, word)
		}
		for _, link := range linkText.FindAllStringSubmatch(body, -1) {
			to, fragment, _ := strings.Cut(link[1], "#")
			if !known[to] && to != "" {
				t.Errorf("%s leads to %s, where nothing is", path, link[1])
			}
			if to == "" {
				to = path
			}
			if fragment != "" && !strings.Contains(bodies[to], `id="`+fragment+`"`) {
				t.Errorf("%s leads to %s, and there is no such place", path, link[1])
			}
		}
	}
	for _, path := range []string{"/docs/rules/no_such", "/docs/problems/no-such", "/docs/problems/bad_json", "/docs/operations/no", "/docs/schemas/no"} {
		if w := get(t, h, path); w.Code != 404 {
			t.Errorf("%s: %d, want 404", path, w.Code)
		}
	}
}

// The type of a problem leads to its page, and the page tells everything.
func TestEveryProblemHasWords(t *testing.T) {
	t.Parallel()
	_, h := pages(t)
	words := problemWords()
	for _, k := range frame.ProblemKinds() {
		w := words[k.Code]
		if len(w.meaning) < 40 || len(w.remedy) < 20 {
			t.Errorf("%s has no words: what it means, what to do", k.Code)
		}
		delete(words, k.Code)
		if k.Code == domain.QuotaExceeded { // a type that another body registered
			continue
		}
		got := get(t, h, frame.ProblemType(k.Code))
		body := html.UnescapeString(got.Body.String())
		for _, want := range []string{string(k.Code), k.Title, fmt.Sprint(k.Status), w.meaning, w.remedy} {
			if !strings.Contains(body, want) {
				t.Errorf("the page of %s lacks %q", k.Code, want)
			}
		}
	}
	for code := range words {
		t.Errorf("%s has words and is no problem", code)
	}
}

// A rule's page shows all that the rule says of itself.
func TestEveryRuleHasAPage(t *testing.T) {
	t.Parallel()
	_, h := pages(t)
	for _, p := range rules.Pages(rules.DefaultSet()) {
		body := html.UnescapeString(get(t, h, "/docs/rules/"+p.Key).Body.String())
		want := []string{p.Title, p.Why, p.Judged, p.Fix, p.Source, p.Example.Holds, p.Example.Broken, p.SeverityWords, p.MissingWords, p.CureWords, p.Caution}
		for _, parameter := range p.Parameters {
			want = append(want, parameter.Name, fmt.Sprint(parameter.Default)+" "+parameter.Unit)
		}
		for _, text := range want {
			if !strings.Contains(body, text) {
				t.Errorf("the page of %s lacks %q", p.Key, text)
			}
		}
		for name, text := range map[string]string{"title": p.Title, "why": p.Why, "how it is judged": p.Judged, "source": p.Source,
			"an example that holds": p.Example.Holds, "an example that does not": p.Example.Broken} {
			if text == "" {
				t.Errorf("%s does not say %s", p.Key, name)
			}
		}
	}
}

// What a table says is text and never markup.
func TestPagesEscape(t *testing.T) {
	t.Parallel()
	const hostile = `<script>alert("1")</script>&"'`
	pages := template.Must(template.ParseFS(files, "*.tmpl"))
	said := [][]piece{pieces(hostile + " `" + hostile + "` **" + hostile + "**")}
	one := field{Name: hostile, In: hostile, Type: []piece{{Text: hostile, Link: "javascript:alert(1)"}}, Text: said}
	for name, value := range map[string]any{
		"operation": tried{Try: true, operation: &operation{Title: hostile, ID: hostile, Method: hostile, Path: hostile, Subject: hostile, Anchor: hostile, Description: said,
			Roles: []string{hostile}, TimeoutS: hostile, Parameters: []field{one},
			Body:    []body{{Media: hostile, Type: one.Type, Fields: []field{one}, Example: hostile}},
			Answers: []outcome{{Status: hostile, Text: said}}, Exchange: &Exchange{Role: hostile, Method: hostile, Address: hostile, Header: map[string]string{hostile: hostile},
				File: hostile, Status: 200, Told: map[string]string{hostile: hostile}, Content: hostile}}},
		"schema":  schema{Title: hostile, Description: said, Type: one.Type, Fields: []field{one}, Example: hostile},
		"problem": problemPage{Code: hostile, Heading: hostile, Type: hostile, Again: hostile, Meaning: hostile, Remedy: hostile},
		"rule": &rulePage{Page: rules.Page{Key: hostile, Title: hostile, Why: hostile, Judged: hostile, Caution: hostile, Fix: hostile, Source: hostile,
			NotApplicable: hostile, Example: rules.Example{Holds: hostile, Broken: hostile}}},
	} {
		var out strings.Builder
		if err := pages.ExecuteTemplate(&out, name, value); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, never := range []string{"<script>", `href="javascript`, `alert("`} {
			if strings.Contains(out.String(), never) {
				t.Errorf("%s lets %q through", name, never)
			}
		}
		if !strings.Contains(out.String(), "&lt;script&gt;") {
			t.Errorf("%s does not show the text", name)
		}
	}
}

func TestPagesAreAskedAgainByTheirTag(t *testing.T) {
	t.Parallel()
	_, h := pages(t)
	for _, path := range []string{"/docs", "/docs/style.css"} {
		first := get(t, h, path)
		r := httptest.NewRequest("GET", path, nil)
		r.Header.Set("If-None-Match", first.Header().Get("ETag"))
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusNotModified || w.Body.Len() > 0 {
			t.Errorf("%s: %d with %d bytes, want 304", path, w.Code, w.Body.Len())
		}
	}
}

// The pages' routes ask for no token and stand outside the contract.
func TestPagesArePublic(t *testing.T) {
	t.Parallel()
	d, _ := pages(t)
	routes := d.Routes()
	for _, rt := range routes {
		if !rt.Public || rt.Roles != nil || rt.Shed != frame.ShedPages {
			t.Errorf("%s: public %v, roles %v", rt.Pattern, rt.Public, rt.Roles)
		}
	}
	files, err := filepath.Glob("*.[tc]*")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if outside := regexp.MustCompile(`https?://|@import|url\([^#]`).Find(text); outside != nil {
			t.Errorf("%s needs another server: %s", name, outside)
		}
	}
}

// Every operation says what it does and shows a request with its answer.
func TestEveryOperationHasAnExample(t *testing.T) {
	t.Parallel()
	d, h := pages(t)
	for id, o := range d.index.operations {
		body := html.UnescapeString(get(t, h, "/docs/operations/"+id).Body.String())
		if len(o.Description) == 0 || o.Exchange == nil || !strings.Contains(body, o.Exchange.Curl()) || !strings.Contains(body, o.Exchange.Reply()) || !strings.Contains(body, o.Exchange.TypeScript()) {
			t.Errorf("%s lacks words or an example", id)
			continue
		}
		if o.Exchange.Method != o.Method || o.Exchange.Status >= 300 {
			t.Errorf("the example of %s is a %s that was answered %d", id, o.Exchange.Method, o.Exchange.Status)
		}
	}
	guide := html.UnescapeString(get(t, h, "/docs/guide").Body.String())
	shown := 0
	for name, x := range d.index.exchanges {
		if !strings.HasPrefix(name, "guide/") {
			continue
		}
		shown++
		if !strings.Contains(guide, x.Curl()) || !strings.Contains(guide, x.Reply()) {
			t.Errorf("the guide does not show %s", name)
		}
	}
	if shown < 25 {
		t.Errorf("the guide shows %d exchanges", shown)
	}
}

// Who pastes a command sends what the test sent: each is run by a shell against
// a server that notes what comes.
func TestCommandsSendWhatWasRecorded(t *testing.T) {
	t.Parallel()
	all, err := readExchanges()
	if err != nil {
		t.Fatal(err)
	}
	type came struct {
		line, body string
		header     http.Header
	}
	var got []came
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		got = append(got, came{r.Method + " " + r.URL.RequestURI(), string(body), r.Header})
	}))
	defer server.Close()
	names := slices.Sorted(maps.Keys(all))
	script := "set -e\n"
	for _, name := range names {
		script += all[name].Curl() + " >/dev/null\n"
		if all[name].Body != nil { // the shell's document ends on a line of its own
			script = strings.TrimSuffix(script, " >/dev/null\n") + "\n"
		}
	}
	shell := exec.Command("bash", "-c", script)
	shell.Dir = t.TempDir()
	if err := os.WriteFile(filepath.Join(shell.Dir, "picture.png"), []byte("a picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	shell.Env = append(os.Environ(), "DUCTLEDGER_URL="+server.URL)
	for _, role := range domain.Roles {
		shell.Env = append(shell.Env, (&Exchange{Role: role}).Variable()+"=token of "+string(role))
	}
	if out, err := shell.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if len(got) != len(names) {
		t.Fatalf("%d requests came of %d commands", len(got), len(names))
	}
	for i, name := range names {
		x := all[name]
		want := ""
		if x.Role != "" {
			want = "Bearer token of " + string(x.Role)
		}
		if got[i].line != x.Method+" "+x.Address || got[i].header.Get("Authorization") != want {
			t.Errorf("%s: %s with %q", name, got[i].line, got[i].header.Get("Authorization"))
		}
		for header, value := range x.Header {
			if got[i].header.Get(header) != value {
				t.Errorf("%s: %s is %q, want %q", name, header, got[i].header.Get(header), value)
			}
		}
		sent := jsontext.Value(got[i].body)
		switch {
		case x.File != "":
			if got[i].body != "a picture" {
				t.Errorf("%s: the file is %q", name, got[i].body)
			}
		case x.Body == nil && got[i].body != "":
			t.Errorf("%s: %q was sent", name, got[i].body)
		case x.Body != nil:
			recorded := x.Body.Clone()
			if sent.Canonicalize() != nil || recorded.Canonicalize() != nil || string(sent) != string(recorded) {
				t.Errorf("%s: sent %s, recorded %s", name, sent, recorded)
			}
		}
	}
}

// Only a demo's pages hold a script, and only those of operations; it asks this
// service alone.
func TestTryingIsForADemo(t *testing.T) {
	t.Parallel()
	_, real := pages(t)
	_, demo := pages(t, true)
	const page = "/docs/operations/getSync"
	if w := get(t, real, "/docs/try.js"); w.Code != 404 {
		t.Errorf("the script is served where nothing is to be tried: %d", w.Code)
	}
	w := get(t, demo, page)
	if policy := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(policy, "default-src 'none'; ") || !strings.HasSuffix(policy, "; script-src 'self'; connect-src 'self'") {
		t.Errorf("policy %q", policy)
	}
	if body := w.Body.String(); strings.Count(body, "<script") != 1 || !strings.Contains(body, `<script src="/docs/try.js" defer></script>`) || !strings.Contains(body, `data-method="GET"`) {
		t.Error("no form to try it")
	}
	if w := get(t, demo, "/docs/guide"); strings.Contains(w.Body.String(), "<script") || strings.Contains(w.Header().Get("Content-Security-Policy"), "script-src") {
		t.Error("the guide holds a script")
	}
	if w := get(t, demo, "/docs/try.js"); w.Code != 200 || !strings.Contains(w.Body.String(), `credentials: "omit"`) {
		t.Errorf("the script: %d", w.Code)
	}
}

func TestSearching(t *testing.T) {
	t.Parallel()
	_, h := pages(t)
	for words, want := range map[string]string{
		"resolves": "/docs/guide#conflict", "Lost replies": "/docs/guide#lost", "epoch_changed": "/docs/problems/epoch-changed", "clock": "/docs/guide#clock",
		"roles": "/docs/roles", "limits": "/docs/limits", "paging": "/docs/paging", "enroll": "/docs/guide#authenticate", "base_vers": "/docs/guide#", "collar": "/docs/rules/crossover_collar_",
		"postBatch": "/docs/operations/postBatch", "changelog revision": "/docs/changelog", "CutListJob": "/docs/schemas/CutListJob", "deliver records": "/docs/operations/postBatch",
	} {
		body := get(t, h, "/docs/search?q="+url.QueryEscape(words)).Body.String()
		if !strings.Contains(body, `href="`+want) {
			t.Errorf("%s does not lead to %s", words, want)
		}
	}
	if body := get(t, h, "/docs/search?q=zzz").Body.String(); !strings.Contains(body, "Nothing has all of these words") {
		t.Error("what is not there is found")
	}
	if body := get(t, h, "/docs/search?q=%3Cscript%3E").Body.String(); strings.Contains(body, "<script") {
		t.Error("what is looked for becomes markup")
	}
}

// What the pages about all operations say is what the tables hold.
func TestTopicsFollowTheTables(t *testing.T) {
	t.Parallel()
	d, h := pages(t)
	page := func(name string) string { return html.UnescapeString(get(t, h, "/docs/"+name).Body.String()) }
	want := func(name string, texts ...string) {
		t.Helper()
		body := page(name)
		for _, text := range texts {
			if !strings.Contains(body, text) {
				t.Errorf("the page %s lacks %q", name, text)
			}
		}
	}
	want("limits", "500 items and 2 MiB a batch", "500 entries a page", "32 MiB a picture", "; 25 s for news")
	for _, l := range frame.LimitTable() {
		want("limits", l.Name, l.Reason)
	}
	for _, p := range problemPages() {
		link := `<a href="` + p.Address() + `"><code>` + string(p.Code) + "</code></a></dt><dd>" + p.Again
		if shown := strings.Contains(page("errors"), link); shown != (p.Again != notAgain) {
			t.Errorf("%s, %q: shown as one to send again: %v", p.Code, p.Again, shown)
		}
	}
	want("authentication", frame.OriginAnswers)
	open := 0
	for _, o := range d.index.operations {
		want("roles", "/docs/operations/"+o.ID)
		for _, role := range domain.Roles {
			if len(o.Roles) == 0 || slices.Contains(o.Roles, string(role)) {
				open++
			}
		}
	}
	if shown := strings.Count(page("roles"), "<td>yes</td>"); shown != open || open < len(d.index.operations) {
		t.Errorf("the page of roles says yes %d times; the contract opens %d", shown, open)
	}
	contract := d.index.doc
	for _, r := range revisionsOf(contract) {
		want("changelog", append(r.Members, fmt.Sprintf("Revision %d", r.Revision))...)
	}
	schema, _ := contract.at("info", "x-schema").(numeral)
	want("versioning", "it is "+string(schema)+" now")
}

// A time inside a sentence is the program's own: of all that a served API was seen
// to answer, no words hold a stamp or name UTC.
func TestNoSentenceTellsUTC(t *testing.T) {
	exchanges, err := readExchanges()
	if err != nil {
		t.Fatal(err)
	}
	words := regexp.MustCompile(`"[^"\\]* [^"\\]*"`)
	stamp := regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d|\bUTC\b`)
	sentences := 0
	for name, x := range exchanges {
		for _, text := range words.FindAllString(string(x.Answer), -1) {
			sentences++
			if found := stamp.FindString(text); found != "" {
				t.Errorf("%s: %s in %s", name, found, text)
			}
		}
	}
	if sentences < 200 {
		t.Errorf("%d sentences", sentences)
	}
}
