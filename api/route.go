package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
)

// A handler decides; it writes nothing.
type handler func(ctx context.Context, caller domain.Caller, r *request) (answer, error)

// A request is what a handler gets: everything is read, bounded and checked
// against the contract, except the meaning of the body.
type request struct {
	Path       map[string]string // values of the pattern's {names}
	Query      url.Values        // known parameters only, each once, in their range
	Header     http.Header
	Body       []byte // whole and inflated; nil where the contract knows none
	ReceivedAt time.Time
	Trace      string // trace id, 32 hexadecimal digits

	turn *turn
}

// limit is the page size asked for, within 1 … 500; 50 when none is given.
func (r *request) limit() int {
	n, err := strconv.Atoi(r.Query.Get("limit"))
	if err != nil || n < 1 {
		return defaultPage
	}
	return min(n, maxPage)
}

// validateOnly asks for the answer without the effect.
func (r *request) validateOnly() bool { return r.Query.Get("validate_only") == "true" }

// Page sizes, in entries.
const (
	defaultPage = 50
	maxPage     = 500
)

// aside lets a handler wait without keeping others from working: its turn is
// released while wait runs and taken again after it.
func (r *request) aside(ctx context.Context, wait func(context.Context) error) error {
	if r.turn == nil {
		return wait(ctx)
	}
	return r.turn.aside(ctx, wait)
}

// An answer is what a handler decided. Body is a value to be written as JSON;
// a jsontext.Value or []byte is written as it is. Stream, for files, writes
// after status and header are out.
type answer struct {
	Status int // 200 when zero
	Header http.Header
	Body   any
	Stream func(io.Writer) error
}

// A route is one row of the table of routes.
type route struct {
	Method       string
	Pattern      string        // "/v1/jobs/{id}"; a last {name...} takes the rest of the path
	Operation    string        // operationId in openapi.yaml; empty for a page
	Roles        []domain.Role // who may call; nil only with Public
	Public       bool          // no token is asked for
	Timeout      time.Duration // for the handler, after the body was read
	Shed         shed          // when it is refused under overload
	Alone        bool          // waits for no other request: for health
	Gzip         bool          // Content-Encoding: gzip is taken
	BodyLimit    int64         // bytes, after inflating; the frame's default when zero
	ContentTypes []string      // of the body; application/json when nil
	Handle       handler

	// Page answers by itself, with its own idea of who calls: pages with a
	// session, embedded files. Only limits, panics and log are the frame's.
	Page http.Handler
}

// allows tells whether a role may call the route.
func (rt *route) allows(role domain.Role) bool { return slices.Contains(rt.Roles, role) }

// checkRoutes refuses a table that says too little: a route without a declared
// permission, time limit or contract must not start.
func checkRoutes(routes []route, c *contract) error {
	var errs []error
	seen := map[string]bool{}
	for _, rt := range routes {
		name := rt.Method + " " + rt.Pattern
		bad := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("route %s: %s", name, fmt.Sprintf(format, args...)))
		}
		if seen[name] {
			bad("stands twice in the table")
		}
		seen[name] = true
		if rt.Public == (len(rt.Roles) > 0) {
			bad("either Roles or Public must be declared, not both")
		}
		if rt.Timeout <= 0 {
			bad("no time limit")
		}
		if rt.Shed == 0 {
			bad("no order of shedding")
		}
		if (rt.Handle == nil) == (rt.Page == nil) {
			bad("either Handle or Page is needed, not both")
		}
		if !strings.HasPrefix(rt.Pattern, "/") {
			bad("a pattern begins with /")
		}
		switch op, known := c.operations[rt.Operation]; {
		case rt.Operation == "" && !rt.Public:
			bad("only public routes may stand outside the contract")
		case rt.Operation == "":
		case !known:
			bad("the contract has no operation %q", rt.Operation)
		case op.method != rt.Method || op.path != rt.Pattern:
			bad("the contract has operation %q at %s %s", rt.Operation, op.method, op.path)
		}
	}
	return errors.Join(errs...)
}
