package api

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// The table of routes and openapi.yaml name the same addresses, callers and
// time limits: neither can gain one that the other lacks.
func TestRoutesAreTheContract(t *testing.T) {
	c, err := loadContract(openapiYAML)
	if err != nil {
		t.Fatal(err)
	}
	served := map[string]route{}
	for _, rt := range (&Server{contract: c}).routes() {
		if rt.Operation != "" {
			served[rt.Operation] = rt
		}
	}
	for _, id := range slices.Sorted(maps.Keys(c.operations)) {
		op := c.operations[id]
		rt, found := served[id]
		if !found {
			t.Errorf("%s: %s %s is in the contract and not served", id, op.method, op.path)
			continue
		}
		delete(served, id)
		if rt.Method != op.method || rt.Pattern != op.path {
			t.Errorf("%s: served at %s %s, the contract says %s %s", id, rt.Method, rt.Pattern, op.method, op.path)
		}
		object, _ := at(c.doc, "paths", op.path, strings.ToLower(op.method)).(map[string]any)
		if got, want := wordsOf(rt.Roles), namesOf(object["x-roles"]); !slices.Equal(got, want) {
			t.Errorf("%s: served to %v, the contract says %v", id, got, want)
		}
		if got, want := fmt.Sprint(rt.Timeout.Seconds()), fmt.Sprint(object["x-timeout-s"]); got != want {
			t.Errorf("%s: time limit %s s, the contract says %s s", id, got, want)
		}
		if rt.Gzip != slices.ContainsFunc(op.parameters, func(p parameter) bool { return p.name == "Content-Encoding" }) {
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
