package frame

import (
	"context"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// Every code of the domain has its row: the codes are read from its source.
func TestEveryCodeHasARow(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "../../domain/errors.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	rows := map[domain.Code]int{}
	for _, k := range ProblemKinds() {
		rows[k.Code]++
		if k.Title == "" || k.Status < 400 || k.Status > 599 {
			t.Errorf("%+v", k)
		}
		if retry := k.Status == 409 || k.Status == 429 || k.Status == 503; retry != (k.Retry > 0) {
			t.Errorf("%s: status %d and Retry-After %s", k.Code, k.Status, k.Retry)
		}
	}
	found := 0
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if name, ok := spec.Type.(*ast.Ident); ok && name.Name == "Code" {
			code, _ := strconv.Unquote(spec.Values[0].(*ast.BasicLit).Value)
			found++
			if rows[domain.Code(code)] != 1 {
				t.Errorf("code %s has %d rows", code, rows[domain.Code(code)])
			}
		}
		return true
	})
	if found < 30 || found != len(rows) {
		t.Errorf("%d codes in the domain, %d rows", found, len(rows))
	}
}

func TestProblem(t *testing.T) {
	write := func(err error) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		w.Header().Set("ETag", `"1"`)
		WriteProblem(w, httptest.NewRequest("GET", "/", nil), strings.Repeat("a", 32), err)
		return w
	}
	w := write(fmt.Errorf("outer: %w", &domain.Error{
		Code: domain.InProgress, Detail: "the month is being built", RetryAfter: 1500 * time.Millisecond,
		Faults: []domain.Fault{{Pointer: "/a", Code: "too_small", Detail: "must be 5 cfm or more"}},
		Also:   map[string]any{"b": 1, "a": []string{"x"}, "status": 200, "errors": nil, "trace_id": "forged"},
	}))
	want := `{"type":"/docs/problems/in-progress","title":"The same work is under way","status":409,` +
		`"detail":"the month is being built","code":"in_progress","trace_id":"` + strings.Repeat("a", 32) + `",` +
		`"errors":[{"pointer":"/a","code":"too_small","detail":"must be 5 cfm or more"}],"a":["x"],"b":1}`
	if w.Code != 409 || w.Body.String() != want || w.Header().Get("Retry-After") != "2" || w.Header().Get("ETag") != "" {
		t.Errorf("%d %v\n%s\n%s", w.Code, w.Header(), w.Body, want)
	}
	for _, err := range []error{
		errors.New("ERROR: relation does not exist (SQLSTATE 42P01)"),
		domain.Errorf(domain.Internal, "SQLSTATE 42P01"),
		domain.Errorf("made_up", "SQLSTATE 42P01"),
		context.Canceled,
	} {
		if w := write(err); w.Code != 500 || strings.Contains(w.Body.String(), "SQLSTATE") && domain.CodeOf(err) != "made_up" {
			t.Errorf("%v: %d %s", err, w.Code, w.Body)
		}
	}
	w = write(&domain.Error{Code: domain.Invalid, Detail: "x\xffy dl_abcdefgh", Also: map[string]any{"f": func() {}}})
	if w.Code != 422 || strings.Contains(w.Body.String(), "dl_abc") || !strings.Contains(w.Body.String(), `"trace_id"`) {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestRoutesMustSayEnough(t *testing.T) {
	check := func(routes ...Route) error {
		_, err := readRoutes(routes, smallOperations())
		return err
	}
	h := func(context.Context, domain.Caller, *Request) (Answer, error) { return Answer{}, nil }
	good := Route{Method: "GET", Pattern: "/v1/ducts", Operation: "listDucts", Roles: []domain.Role{domain.Staff}, Timeout: 1, Shed: ShedLists, Handle: h}
	if err := check(good); err != nil {
		t.Fatal(err)
	}
	for want, change := range map[string]func(*Route){
		"Roles or Public": func(r *Route) { r.Roles = nil },
		"not both":        func(r *Route) { r.Public = true },
		"time limit":      func(r *Route) { r.Timeout = 0 },
		"shedding":        func(r *Route) { r.Shed = 0 },
		"no handler":      func(r *Route) { r.Handle = nil },
		"begins with /":   func(r *Route) { r.Pattern = "v1" },
		"outside the":     func(r *Route) { r.Operation = "" },
		"the operation":   func(r *Route) { r.Operation = "listDuct" },
	} {
		bad := good
		change(&bad)
		if err := check(bad); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
	if err := check(good, good); err == nil {
		t.Error("the same route twice")
	}
}
