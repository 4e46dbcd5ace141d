package api

import (
	"fmt"
	"net/http"
	"strings"

	"ductledger/api/frame"
	"ductledger/domain"
)

// Checker holds requests and answers to the contract, for tests: the served
// program is right only if what it says is what openapi.yaml says.
type Checker struct{ contract *frame.Contract }

// NewChecker compiles the contract.
func NewChecker() (*Checker, error) {
	c, err := ownContract()
	return &Checker{c}, err
}

// Operation finds the operationId of a request; empty when the contract has none.
func (c *Checker) Operation(method, path string) string {
	parts := strings.Split(path, "/")
	best, fixed := "", -1
	for id, op := range c.contract.Operations {
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
func (c *Checker) Roles(operation string) []domain.Role {
	op := c.contract.Operations[operation]
	object, _ := frame.At(c.contract.Doc, "paths", op.Path, strings.ToLower(op.Method), "x-roles").([]any)
	roles := make([]domain.Role, len(object))
	for i, r := range object {
		roles[i] = domain.Role(fmt.Sprint(r))
	}
	return roles
}

// Operations lists every operation with its method and path.
func (c *Checker) Operations() map[string][2]string {
	all := make(map[string][2]string, len(c.contract.Operations))
	for id, op := range c.contract.Operations {
		all[id] = [2]string{op.Method, op.Path}
	}
	return all
}

// Request says what the contract has against a body that a test sends and
// expects to be taken.
func (c *Checker) Request(operation string, body []byte) error {
	if len(body) == 0 {
		return nil
	}
	// Texts that may not be stored are no matter of the schema: in a batch they
	// are the fault of one item, and the batch is taken.
	value, _, err := frame.DecodeText(body, frame.RequestJSON())
	if err != nil {
		return err
	}
	return domain.InvalidFields(c.contract.CheckBody(operation, value))
}

// Response says what the contract has against an answer.
func (c *Checker) Response(operation string, response *http.Response, body []byte) error {
	return c.contract.CheckResponse(operation, response.StatusCode, response.Header.Get("Content-Type"), body)
}

// Schema says what the contract has against a value that should be one of its
// components/schemas.
func (c *Checker) Schema(name string, body []byte) error {
	value, err := frame.DecodeAny(body)
	if err != nil {
		return err
	}
	return domain.InvalidFields(c.contract.CheckSchema(name, value))
}
