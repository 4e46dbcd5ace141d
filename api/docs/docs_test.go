package docs

import (
	"context"
	"fmt"
	"html"
	"html/template"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/rules"
)

// pages serves the documentation alone, without a database or a token.
func pages(t testing.TB) (*Pages, http.Handler) {
	t.Helper()
	text, err := os.ReadFile("../../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	contract, err := JSON(text)
	if err != nil {
		t.Fatal(err)
	}
	d, err := New(contract)
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
			a, err := rt.Handle(context.Background(), domain.Caller{}, &frame.Request{Path: path})
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
	list := []string{"/docs", "/docs/problems", "/docs/rules"}
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
	linkText = regexp.MustCompile(`(?:href|src)="([^"]*)"`)
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
	for _, path := range all {
		known[path] = true
	}
	for _, path := range all {
		w := get(t, h, path)
		body := w.Body.String()
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
			if fragment != "" && !strings.Contains(get(t, h, "/docs").Body.String(), `id="`+fragment+`"`) {
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
		"operation": &operation{Title: hostile, ID: hostile, Method: hostile, Path: hostile, Subject: hostile, Anchor: hostile, Description: said,
			Roles: []string{hostile}, TimeoutS: hostile, Parameters: []field{one},
			Body:    []body{{Media: hostile, Type: one.Type, Fields: []field{one}, Example: hostile}},
			Answers: []outcome{{Status: hostile, Text: said}}},
		"schema":  schema{Title: hostile, Description: said, Type: one.Type, Fields: []field{one}, Example: hostile},
		"problem": problemPage{Code: hostile, Heading: hostile, Type: hostile, Again: hostile, Meaning: hostile, Remedy: hostile},
		"rule": &rulePage{Page: rules.Page{Key: hostile, Title: hostile, Why: hostile, Judged: hostile, Caution: hostile, Fix: hostile, Source: hostile,
			NotApplicable: hostile, Example: rules.Example{Holds: hostile, Broken: hostile}}},
	} {
		var out strings.Builder
		if err := pages.ExecuteTemplate(&out, name, value); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, never := range []string{"<script", `href="javascript`, `alert("`} {
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
		if outside := regexp.MustCompile(`https?://|@import|url\(`).Find(text); outside != nil {
			t.Errorf("%s needs another server: %s", name, outside)
		}
	}
}
