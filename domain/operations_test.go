package domain_test

import (
	"slices"
	"testing"

	"ductledger/domain"
)

// An operation without roles may be called by nobody with a token, so it must
// ask for none; every error is a problem of RFC 9457.
func TestOperationsSayWhoHowLongAndWhat(t *testing.T) {
	doc := contractDocument(t)
	ids := map[any]string{}
	for path, item := range at(doc, "paths") {
		for method, value := range item.(node) {
			op, isOperation := value.(node)
			if !isOperation {
				continue
			}
			where := method + " " + path
			if other := ids[op["operationId"]]; other != "" || op["operationId"] == nil {
				t.Errorf("%s: operationId %v stands at %q too", where, op["operationId"], other)
			}
			ids[op["operationId"]] = where
			checkRoles(t, where, op)
			if limit, ok := op["x-timeout-s"].(int); !ok || limit <= 0 {
				t.Errorf("%s: x-timeout-s is %v", where, op["x-timeout-s"])
			}
			checkErrors(t, doc, where, op)
		}
	}
}

func checkRoles(t *testing.T, where string, op node) {
	roles := texts(op["x-roles"])
	open, public := op["security"].([]any)
	if public = public && len(open) == 0; public != (len(roles) == 0) {
		t.Errorf("%s: x-roles %v with security %v", where, roles, op["security"])
	}
	for _, role := range roles {
		if !slices.Contains(domain.Roles, domain.Role(role)) {
			t.Errorf("%s: %q is no role", where, role)
		}
	}
}

func checkErrors(t *testing.T, doc node, where string, op node) {
	responses := at(op, "responses")
	if responses["default"] == nil {
		t.Errorf("%s: no default answer", where)
	}
	for status, response := range responses {
		if status != "default" && status < "400" {
			continue
		}
		answer := follow(doc, response.(node))
		media := at(answer, "content")
		if len(media) != 1 || at(media, "application/problem+json", "schema")["$ref"] != "#/components/schemas/Problem" {
			t.Errorf("%s: the answer %s is no problem", where, status)
		}
		retry := at(answer, "headers")["Retry-After"] != nil
		if must := status == "409" || status == "429" || status == "503"; must && !retry {
			t.Errorf("%s: the answer %s lacks Retry-After", where, status)
		}
	}
}
