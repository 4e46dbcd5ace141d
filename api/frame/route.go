package frame

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"ductledger/api/strict"
	"ductledger/domain"
)

// A Handler decides; it writes nothing.
type Handler func(ctx context.Context, caller domain.Caller, r *Request) (Answer, error)

// A Request is what a handler gets: everything is read, bounded and checked
// against the contract, except the meaning of the body.
type Request struct {
	Path       map[string]string // values of the pattern's {names}
	Query      url.Values        // known parameters only, each once, in their range
	Header     http.Header
	Body       []byte    // whole and inflated; nil where the contract knows none
	Stream     io.Reader // of a route that streams: the body as it comes
	ReceivedAt time.Time
	Trace      string // trace id, 32 hexadecimal digits

	Method  string
	Address string // path and query as asked; of a page's refusal and its links
	Secure  bool   // it came over TLS
	Host    string // as the client named it

	turn *turn
}

// Limit is the page size asked for, within 1 … 500; 50 when none is given.
func (r *Request) Limit() int {
	n, err := strconv.Atoi(r.Query.Get("limit"))
	if err != nil || n < 1 {
		return defaultPage
	}
	return min(n, MaxPage)
}

// ValidateOnly asks for the answer without the effect.
func (r *Request) ValidateOnly() bool { return r.Query.Get("validate_only") == "true" }

// ID is the record that the address names.
func (r *Request) ID() (domain.UUID, error) {
	id, err := domain.ParseUUID(r.Path["id"])
	if err != nil {
		return id, domain.Errorf(domain.NotFound, "there is nothing at this address")
	}
	return id, nil
}

// IfMatch is the version that the caller changes; 0 and false when it names none.
func (r *Request) IfMatch() (version int64, matched bool, err error) {
	text := r.Header.Get("If-Match")
	if text == "" {
		return 0, false, nil
	}
	if len(text) > 2 && text[0] == '"' && text[len(text)-1] == '"' {
		version, err = strconv.ParseInt(text[1:len(text)-1], 10, 64)
		if err == nil && version >= 0 {
			return version, true, nil
		}
	}
	return 0, false, domain.Errorf(domain.BadMatch, `If-Match is one version in quotes, such as "3"`)
}

// Position is the ledger position that the query names; 0 for the head.
func (r *Request) Position() int64 {
	n, err := strconv.ParseInt(r.Query.Get("position"), 10, 64)
	if err != nil {
		return 0 // absent; the contract lets nothing but a number in
	}
	return n
}

// Decode reads the body into a value of the type that the operation takes. One
// that may be left out and was leaves the value as it is.
func (r *Request) Decode(into any) error {
	if r.Body == nil {
		return nil
	}
	return strict.Decode(r.Body, into)
}

// Page sizes, in entries.
const (
	defaultPage = 50
	MaxPage     = 500
)

// Aside lets a handler wait without keeping others from working: its turn is
// released while wait runs and taken again after it.
func (r *Request) Aside(ctx context.Context, wait func(context.Context) error) error {
	if r.turn == nil {
		return wait(ctx)
	}
	return r.turn.aside(ctx, wait)
}

// Work gives a handler of a stream its turn while do runs: it waits for the
// sender without keeping others from working.
func (r *Request) Work(ctx context.Context, do func(context.Context) error) error {
	if r.turn == nil {
		return do(ctx)
	}
	r.turn.waited = 0 // it was the sender that took its time
	if err := r.turn.take(ctx); err != nil {
		return err
	}
	defer r.turn.release()
	return do(ctx)
}

// An Answer is what a handler decided. Body is a value to be written as JSON;
// a jsontext.Value or []byte is written as it is. Stream, for files, writes
// after status and header are out.
type Answer struct {
	Status int // 200 when zero
	Header http.Header
	Body   any
	Stream func(io.Writer) error
	Close  func() // ends what the handler opened, whatever was written
}

// A Route is one row of the table of routes.
type Route struct {
	Method       string
	Pattern      string        // "/v1/jobs/{id}"; a last {name...} takes the rest of the path
	Operation    string        // operationId in openapi.yaml; empty for a page
	Roles        []domain.Role // who may call; nil only with Public
	Public       bool          // no token is asked for
	Person       bool          // a page: who calls is known by a cookie, a body is a form, refusals are pages
	AnyQuery     bool          // a page outside the contract that reads its query as text
	Guess        bool          // a secret may be guessed here: what is refused counts against the address
	Timeout      time.Duration // for the handler, after the body was read
	Shed         shed          // when it is refused under overload
	Alone        bool          // waits for no other request: for health
	Gzip         bool          // Content-Encoding: gzip is taken
	BodyLimit    int64         // bytes, after inflating; the frame's default when zero
	ContentTypes []string      // of the body; application/json when nil
	// Streams hands the body on as it comes, so that what came of one that breaks
	// off is not lost. The handler has no turn but within Work.
	Streams bool
	Handle  Handler
}

// allows tells whether a role may call the route.
func (rt *Route) allows(role domain.Role) bool { return slices.Contains(rt.Roles, role) }

// forbidden says who may do it instead; the pages at /docs tell everybody.
func (rt *Route) forbidden(role domain.Role) error {
	return domain.Errorf(domain.Forbidden, "the role %s may not do this; %s", role, domain.WhoMay(rt.Roles))
}

// inputs is what an operation takes.
type inputs struct {
	query        strict.Params
	body, mustBe bool
}

// readRoutes refuses a table that says too little: a route without a declared
// permission, time limit or contract must not start.
func readRoutes(routes []Route, operations map[string]Operation) (map[string]inputs, error) {
	var errs []error
	all := map[string]inputs{}
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
		if rt.Handle == nil {
			bad("no handler")
		}
		if !strings.HasPrefix(rt.Pattern, "/") {
			bad("a pattern begins with /")
		}
		op, known := operations[rt.Operation]
		switch {
		case rt.Operation == "" && !rt.Public && !rt.Person:
			bad("only public routes and pages may stand outside the contract")
		case rt.Operation != "" && !known:
			bad("nothing is said of the operation %q", rt.Operation)
		}
		in := inputs{body: op.Takes != nil, mustBe: !op.Optional}
		var err error
		if in.query, err = strict.ParamsOf(structOf(op.Query)); err != nil {
			bad("%v", err)
		}
		if op.Takes != nil {
			if err := strict.Prepare(structOf(op.Takes)); err != nil {
				bad("%v", err)
			}
		}
		all[rt.Operation] = in
	}
	return all, errors.Join(errs...)
}

func structOf(value any) reflect.Type {
	t := reflect.TypeOf(value)
	for t != nil && t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}
