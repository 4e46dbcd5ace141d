package api_test

import (
	"context"
	"maps"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

func operations(t testing.TB) map[string][2]string {
	t.Helper()
	checker, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	return checker.Addresses()
}

// Every operation × every caller: who is not named in the contract is refused
// with a problem, and who is named is not.
func TestEveryRoleOnEveryAddress(t *testing.T) {
	t.Parallel()
	checker, err := apitest.Contract()
	if err != nil {
		t.Fatal(err)
	}
	doc := contractText(t)
	a := apitest.Serve(t)
	revoked := revokedToken(a)
	all := checker.Addresses()
	for _, id := range slices.Sorted(maps.Keys(all)) {
		method, pattern := all[id][0], all[id][1]
		path := strings.NewReplacer("{id}", storagetest.ID().String(), "{month}", "2026-09", "{revision}", "1").Replace(pattern) + neededQuery(doc, method, pattern)
		roles := checker.Roles(id)
		if len(roles) == 0 {
			want := 200
			if body := bodyFor(doc, method, pattern); body != nil { // what is asked for is not in it
				want = 422
			}
			a.Send("", method, path, bodyFor(doc, method, pattern)).Want(want)
			continue
		}
		for name, token := range map[string]string{"no token": "", "a revoked token": revoked} {
			got := a.Send(token, method, path, bodyFor(doc, method, pattern))
			if got.Status != 401 || got.Header.Get("WWW-Authenticate") == "" || method != "HEAD" && got.Problem().Code != "unauthorized" {
				t.Errorf("%s with %s: %d %s", id, name, got.Status, got.Body)
			}
		}
		for _, role := range domain.Roles {
			got := a.Do(role, method, path, bodyFor(doc, method, pattern))
			may := slices.Contains(roles, role)
			switch refused := got.Status == 403; {
			case refused && method != "HEAD" && got.Problem().Code != "forbidden":
				t.Errorf("%s as %s: 403 with code %s", id, role, got.Problem().Code)
			case refused == may:
				t.Errorf("%s as %s: %d %s", id, role, got.Status, got.Body)
			case got.Status >= 500:
				t.Errorf("%s as %s: %d %s", id, role, got.Status, got.Body)
			}
		}
	}
}

// neededQuery gives the parameters without which an operation is refused.
func neededQuery(doc object, method, pattern string) string {
	values := map[string]string{"from": "2026-09-01", "before": "2026-10-01", "month": "2026-09"}
	var query []string
	list, _ := within(doc, "paths", pattern, strings.ToLower(method))["parameters"].([]any)
	for _, p := range list {
		p := resolved(doc, p.(object))
		if p["in"] == "query" && p["required"] == true {
			name := p["name"].(string)
			query = append(query, name+"="+values[name])
		}
	}
	if len(query) == 0 {
		return ""
	}
	return "?" + strings.Join(query, "&")
}

// bodyFor is an object where the operation takes one. That it is not right does
// not matter here: whoever may call is told 422, and whoever may not, 403.
func bodyFor(doc object, method, pattern string) any {
	if within(doc, "paths", pattern, strings.ToLower(method))["requestBody"] == nil {
		return nil
	}
	return object{}
}

// revokedToken worked once and no longer does.
func revokedToken(a *apitest.API) string {
	a.T.Helper()
	text, digest, err := frame.NewToken(a.World.Program, strings.NewReader(strings.Repeat("invented", 5)))
	if err != nil {
		a.T.Fatal(err)
	}
	id, err := a.DB.CreateToken(context.Background(), a.World.Program, digest, storage.Token{Role: domain.Staff, Name: "Gone Invented"})
	if err != nil {
		a.T.Fatal(err)
	}
	a.Send(text, "GET", "/v1/sync", nil).Want(200)
	if err := a.DB.RevokeToken(context.Background(), a.World.Staff, id); err != nil {
		a.T.Fatal(err)
	}
	return text
}
