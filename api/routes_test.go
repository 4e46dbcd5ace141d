package api

import (
	"fmt"
	"log/slog"
	"maps"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/contract"
	"ductledger/api/frame"
	"ductledger/domain"
)

// The table of routes and openapi.yaml name the same addresses, callers and
// time limits: neither can gain one that the other lacks.
func TestRoutesAreTheContract(t *testing.T) {
	text, err := Contract()
	if err != nil {
		t.Fatal(err)
	}
	c, err := contract.Load(text, "")
	if err != nil {
		t.Fatal(err)
	}
	served := map[string]frame.Route{}
	for _, rt := range (&Server{}).routes() {
		if rt.Operation != "" {
			served[rt.Operation] = rt
		}
	}
	for _, id := range slices.Sorted(maps.Keys(c.Operations)) {
		op := c.Operations[id]
		rt, found := served[id]
		if !found {
			t.Errorf("%s: %s %s is in the contract and not served", id, op.Method, op.Path)
			continue
		}
		delete(served, id)
		if rt.Method != op.Method || rt.Pattern != op.Path {
			t.Errorf("%s: served at %s %s, the contract says %s %s", id, rt.Method, rt.Pattern, op.Method, op.Path)
		}
		object, _ := contract.At(c.Doc, "paths", op.Path, strings.ToLower(op.Method)).(map[string]any)
		if got, want := wordsOf(rt.Roles), namesOf(object["x-roles"]); !slices.Equal(got, want) {
			t.Errorf("%s: served to %v, the contract says %v", id, got, want)
		}
		if got, want := fmt.Sprint(rt.Timeout.Seconds()), fmt.Sprint(object["x-timeout-s"]); got != want {
			t.Errorf("%s: time limit %s s, the contract says %s s", id, got, want)
		}
		if rt.Gzip != slices.ContainsFunc(op.Parameters, func(p contract.Parameter) bool { return p.Name == "Content-Encoding" }) {
			t.Errorf("%s: gzip is taken: %v, the contract says otherwise", id, rt.Gzip)
		}
	}
	for id, rt := range served {
		t.Errorf("%s: %s %s is served and not in the contract", id, rt.Method, rt.Pattern)
	}
}

func wordsOf(roles []domain.Role) []string {
	words := make([]string, len(roles))
	for i, r := range roles {
		words[i] = string(r)
	}
	slices.Sort(words)
	return words
}

func namesOf(value any) []string {
	list, _ := value.([]any)
	names := make([]string, len(list))
	for i, v := range list {
		names[i], _ = v.(string)
	}
	slices.Sort(names)
	return names
}

// An operation's page says what the table of routes does.
func TestOperationPagesAreTheRoutes(t *testing.T) {
	t.Parallel()
	s, around, err := newServer(Config{Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	h, err := frame.New(around)
	if err != nil {
		t.Fatal(err)
	}
	page := func(path string) string {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		return w.Body.String()
	}
	index := page("/docs")
	for _, rt := range s.routes() {
		if rt.Operation == "" {
			continue
		}
		body := page("/docs/operations/" + rt.Operation)
		want := []string{rt.Method, rt.Pattern, fmt.Sprint(rt.Timeout.Seconds()) + " s"}
		for _, role := range rt.Roles {
			want = append(want, "<code>"+string(role)+"</code>")
		}
		if rt.Public {
			want = append(want, "without a token")
		}
		for _, text := range want {
			if !strings.Contains(body, text) {
				t.Errorf("the page of %s lacks %q", rt.Operation, text)
			}
		}
		if !strings.Contains(index, "/docs/operations/"+rt.Operation+`"`) {
			t.Errorf("%s does not stand on the first page", rt.Operation)
		}
	}
}
