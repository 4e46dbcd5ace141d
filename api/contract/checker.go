package contract

import (
	"fmt"
	"net/http"
	"strings"

	"ductledger/domain"
)

// Operation finds the operationId of a request; empty when the contract has none.
func (c *Compiled) Operation(method, path string) string {
	parts := strings.Split(path, "/")
	best, fixed := "", -1
	for id, op := range c.Operations {
		if n := matches(strings.Split(op.Path, "/"), parts); op.Method == method && n > fixed {
			best, fixed = id, n
		}
	}
	return best
}

// matches counts the fixed parts of a pattern that fits; -1 when it does not.
func matches(pattern, parts []string) int {
	if len(pattern) != len(parts) {
		return -1
	}
	fixed := 0
	for i, p := range pattern {
		switch {
		case strings.HasPrefix(p, "{"):
		case p == parts[i]:
			fixed++
		default:
			return -1
		}
	}
	return fixed
}

// Roles are who may call an operation, as the contract says.
func (c *Compiled) Roles(operation string) []domain.Role {
	op := c.Operations[operation]
	object, _ := At(c.Doc, "paths", op.Path, strings.ToLower(op.Method), "x-roles").([]any)
	roles := make([]domain.Role, len(object))
	for i, r := range object {
		roles[i] = domain.Role(fmt.Sprint(r))
	}
	return roles
}

// Addresses lists every operation with its method and path.
func (c *Compiled) Addresses() map[string][2]string {
	all := make(map[string][2]string, len(c.Operations))
	for id, op := range c.Operations {
		all[id] = [2]string{op.Method, op.Path}
	}
	return all
}

// Request says what the contract has against a body that a test sends and
// expects to be taken.
func (c *Compiled) Request(operation string, body []byte) error {
	op := c.Operations[operation]
	if len(body) == 0 || op == nil || op.body == nil {
		return nil
	}
	return validate(op.body, body)
}

// Response says what the contract has against an answer.
func (c *Compiled) Response(operation string, response *http.Response, body []byte) error {
	return c.CheckResponse(operation, response.StatusCode, response.Header.Get("Content-Type"), body)
}

// Schema says what the contract has against a value that should be one of its
// components/schemas.
func (c *Compiled) Schema(name string, body []byte) error {
	schema := c.Schemas[name]
	if schema == nil {
		return fmt.Errorf("the contract has no schema %q", name)
	}
	return validate(schema, body)
}
