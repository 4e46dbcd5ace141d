package frame

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ductledger/api/strict"
	"ductledger/domain"
)

// An Authenticator looks a token up. It answers Unauthorized (or
// DeviceRevoked) for one that is not known or no longer good. What it says may
// be seconds old: it lets the body in; the transaction reads the row again.
type Authenticator interface {
	Authenticate(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error)
}

// People is how people are let in and answered: who calls is known by a session
// whose text a browser keeps in a cookie, and refusals are pages.
type People interface {
	// SessionText is the session's text among a request's cookies; empty: none.
	SessionText(header http.Header, secure bool) string
	// AuthenticateSession is Authenticate for sessions.
	AuthenticateSession(ctx context.Context, digest [32]byte, program domain.UUID) (domain.Caller, error)
	// Failed makes a page of a refusal.
	Failed(ctx context.Context, caller domain.Caller, r *Request, err error) Answer
}

// Config is what the frame is made of.
type Config struct {
	Routes []Route
	// Operations are what the contract says of each, by its name.
	Operations map[string]Operation
	Auth       Authenticator
	People     People           // nil: there are no pages
	Now        func() time.Time // the service's clock; stamps ReceivedAt only
	Log        *slog.Logger
	Limits     Limits
	Proxies    []netip.Prefix  // whose X-Forwarded-For is believed
	Origins    []string        // whose scripts may ask, as browsers name them: https://app.agency.example
	Secure     bool            // the service speaks TLS itself
	Stopping   context.Context // ends when the service is to stop; nil: never
	Random     io.Reader       // for request and trace ids; crypto/rand when nil

	// Observe, if set, is told of every answer; the pattern is empty for an
	// address that does not exist.
	Observe func(method, pattern string, status int, took time.Duration)

	// Refused, if set, is told of every request that found no room, by its order
	// of shedding and the cause.
	Refused func(class, cause string)
	// Gauge, if set, is given what is bounded, once.
	Gauge func(name string, read func() float64)
}

// frame is one running service's state around its handlers.
type frame struct {
	Config
	in       map[string]inputs // by operation
	rates    *rates
	known    *recent[[32]byte, domain.Caller] // tokens that were good when last looked up, by digest
	refusals refusals
	work     *limiter // of requests
	polls    *limiter // of requests
	bodies   *limiter // of bytes
}

// New makes the handler of everything: middleware around the router
// around one adapter per route.
func New(cfg Config) (http.Handler, error) {
	cfg.Limits = cfg.Limits.OrDefaults()
	if cfg.Refused == nil {
		cfg.Refused = func(string, string) {}
	}
	if cfg.Stopping == nil {
		cfg.Stopping = context.Background()
	}
	if cfg.Random == nil {
		cfg.Random = rand.Reader
	}
	if cfg.Auth == nil || cfg.Now == nil || cfg.Log == nil {
		return nil, errors.New("frame: authenticator, clock and log are needed")
	}
	in, err := readRoutes(cfg.Routes, cfg.Operations)
	if err != nil {
		return nil, err
	}
	lim := cfg.Limits
	f := &frame{
		Config: cfg,
		in:     in,
		rates:  newRates(lim),
		known:  newRecent[[32]byte, domain.Caller](lim.Remembered),
		work:   newLimiter("work", lim, int64(lim.Work), int64(lim.Queue)),
		polls:  newLimiter("polls", lim, int64(lim.Polls), 0),
		bodies: newLimiter("body_memory", lim, lim.BodyMemory, 0),
	}
	if cfg.Gauge != nil {
		for _, l := range []*limiter{f.work, f.polls, f.bodies} {
			cfg.Gauge(l.name, func() float64 { used, _ := l.load(); return float64(used) })
		}
		cfg.Gauge("queue", func() float64 { _, lined := f.work.load(); return float64(lined) })
	}
	f.refusals.log = cfg.Log
	context.AfterFunc(cfg.Stopping, f.refusals.tell)
	return f.around(f.router()), nil
}

// serve answers one request on a route. path gives the values of the pattern.
func (f *frame) serve(w http.ResponseWriter, r *http.Request, rt *Route, path map[string]string) {
	x := exchangeOf(w)
	x.pattern = rt.Pattern
	req := &Request{Path: path, Header: r.Header, Trace: x.trace,
		Method: r.Method, Address: r.URL.RequestURI(), Secure: f.secure(r), Host: r.Host}
	caller, a, err := f.decide(w, r, rt, req, x)
	if a.Close != nil {
		defer a.Close()
	}
	if err == nil {
		var status int
		if status, err = WriteAnswer(w, r, a, f.Limits); err == nil {
			if status == http.StatusNotModified && !rt.Public {
				f.rates.refund(caller)
			}
			return
		}
	}
	if rt.Person {
		f.failPerson(w, r, x, rt, req, caller, err)
		return
	}
	f.fail(w, r, x, rt, err)
}

// decide is the way of a request up to its answer. Cheap refusals come first;
// nothing is looked up before the query and the token's check have passed.
func (f *frame) decide(w http.ResponseWriter, r *http.Request, rt *Route, req *Request, x *exchange) (caller domain.Caller, a Answer, err error) {
	query, badQuery := f.query(rt, r.URL.RawQuery)
	if badQuery != nil && !onlyAbsent(badQuery) {
		return caller, a, badQuery
	}
	req.Query = query
	req.turn = &turn{work: f.work, polls: f.polls, order: rt.Shed, gone: r.Context()}
	if rt.Person && r.Method != http.MethodGet && r.Method != http.MethodHead {
		if err := crossOrigin.Check(r); err != nil {
			return caller, a, domain.Errorf(domain.Forbidden, "another site sent this form; open the page here and send it again")
		}
	}
	if rt.Public && rt.Person { // who is signed in already is greeted so
		if known, err := f.authenticate(w, r, req); err == nil {
			caller, x.caller = known, known
		}
	}
	if rt.Guess {
		giveBack, tooMany := f.rates.guess(addressKey(clientAddress(r, f.Proxies)))
		if tooMany != nil {
			return caller, a, tooMany
		}
		defer func() {
			if !wrongGuess(a, err) {
				giveBack()
			}
		}()
	}
	if !rt.Public {
		if caller, err = f.authenticate(w, r, req); err != nil {
			return caller, a, err
		}
		x.caller = caller
		if !rt.allows(caller.Role) {
			return caller, a, rt.forbidden(caller.Role)
		}
	}
	if badQuery != nil { // what is absent is told only to who may ask at all
		return caller, a, badQuery
	}
	if err = checkPath(req.Path); err != nil {
		return caller, a, err
	}
	memory := &bodyMemory{of: f.bodies, sender: req.turn.sender}
	defer memory.free()
	if rt.Streams {
		a, err = f.stream(w, r, rt, req, caller, memory, x)
		return caller, a, err
	}
	if req.Body, err = f.body(w, r, rt, memory); err != nil {
		return caller, a, err
	}
	x.whole = true
	req.ReceivedAt = f.Now()

	// The answer has WriteTime after the handler's own limit.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(rt.Timeout + f.Limits.QueueWait + f.Limits.WriteTime))
	if !rt.Alone {
		if err = req.turn.take(r.Context()); err != nil {
			return caller, a, err
		}
		defer req.turn.release()
	}
	ctx, cancel := context.WithTimeout(working(r.Context(), rt.Shed), rt.Timeout)
	defer cancel()
	a, err = rt.Handle(ctx, caller, req)
	if err != nil && ctx.Err() == context.DeadlineExceeded && domain.CodeOf(err) == domain.Internal {
		err = domain.Errorf(domain.TimeLimit, "the time limit of %g s has passed", rt.Timeout.Seconds())
	}
	return caller, a, err
}

// working is the context of work that has begun. What is short goes on when its
// client has gone: to break it off would end the connection to the database, and
// the next one costs more than what is left to do. Under overload, when clients
// give up, that brought all work to a stand. What may take long is broken off.
func working(client context.Context, order shed) context.Context {
	if order <= ShedStatistics {
		return client
	}
	return context.WithoutCancel(client)
}

// authenticate asks the look-up only for a token whose check holds, with room
// and a time limit as for all work. Tokens that are not known to be good are
// counted by address first. All refusals of a token read the same.
//
// Who is signed in may also read with the browser what a program reads with a
// token: other sites' scripts are not shown the answer, and reading changes
// nothing.
func (f *frame) authenticate(w http.ResponseWriter, r *http.Request, req *Request) (domain.Caller, error) {
	t := req.turn
	refused := domain.Errorf(domain.Unauthorized, "a valid token is needed, as Authorization: Bearer dl_…")
	person := f.People != nil && (strings.HasPrefix(r.URL.Path, staffPath) || r.Header.Get("Authorization") == "" && req.reads())
	program, digest, ok := ParseToken(bearer(r.Header.Get("Authorization")))
	look := f.Auth.Authenticate
	if person {
		program, digest, ok = ParseSecret(SessionPrefix, f.People.SessionText(r.Header, req.Secure))
		look = f.People.AuthenticateSession
	}
	if !ok {
		return domain.Caller{}, refused
	}
	var err error
	giveBack := func() {}
	caller, known := f.known.look(digest)
	if known {
		t.sender = sender{caller.Program, caller.Token}
		err = f.rates.take(w.Header(), caller)
	} else {
		giveBack, err = f.rates.unknown(addressKey(clientAddress(r, f.Proxies)))
	}
	if err != nil {
		return domain.Caller{}, err
	}
	caller, err = f.lookUp(r.Context(), t, look, digest, program)
	if err != nil {
		switch domain.CodeOf(err) {
		case domain.Unauthorized:
			f.known.forget(digest)
			return domain.Caller{}, refused
		case domain.DeviceRevoked:
			f.known.forget(digest)
		default: // it tells nothing of the token
			giveBack()
		}
		return domain.Caller{}, err
	}
	giveBack()
	if caller.Program != program {
		return domain.Caller{}, fmt.Errorf("the look-up gave a caller of another program")
	}
	f.known.keep(digest, caller)
	t.sender = sender{caller.Program, caller.Token}
	if !known {
		err = f.rates.take(w.Header(), caller)
	}
	return caller, err
}

// lookUp asks who holds a token, as soon as there is room for it.
func (f *frame) lookUp(ctx context.Context, t *turn, look func(context.Context, [32]byte, domain.UUID) (domain.Caller, error), digest [32]byte, program domain.UUID) (domain.Caller, error) {
	ctx, cancel := context.WithTimeout(ctx, f.Limits.LookupTime)
	defer cancel()
	tooLate := overloaded("lookup_time", "the token could not be looked up in time")
	if err := t.take(ctx); err != nil {
		if errors.Is(err, context.DeadlineExceeded) {
			err = tooLate
		}
		return domain.Caller{}, err
	}
	defer t.release()
	ctx, cancel = context.WithTimeout(working(ctx, ShedPushes), f.Limits.LookupTime-t.waited)
	defer cancel()
	caller, err := look(ctx, digest, program)
	if err != nil && ctx.Err() == context.DeadlineExceeded {
		err = tooLate
	}
	return caller, err
}

// body reads the body where the contract knows one. Where it knows none, bytes
// are refused rather than ignored: whoever sent them meant something by them.
func (f *frame) body(w http.ResponseWriter, r *http.Request, rt *Route, memory *bodyMemory) ([]byte, error) {
	if rt.Person && r.Method == http.MethodPost {
		return readBody(w, r, rt, f.Limits, memory, f.Stopping)
	}
	in := f.in[rt.Operation]
	empty := r.ContentLength == 0
	switch {
	case !in.body:
		if !empty && r.Method != http.MethodGet && r.Method != http.MethodHead {
			return nil, domain.Errorf(domain.BadJSON, "this address takes no body")
		}
		_ = http.NewResponseController(w).SetReadDeadline(time.Time{})
		return nil, nil
	case empty && !in.mustBe:
		_ = http.NewResponseController(w).SetReadDeadline(time.Time{})
		return nil, nil
	}
	return readBody(w, r, rt, f.Limits, memory, f.Stopping)
}

// stream lets the handler read the body by itself.
func (f *frame) stream(w http.ResponseWriter, r *http.Request, rt *Route, req *Request, caller domain.Caller, memory *bodyMemory, x *exchange) (a Answer, err error) {
	body, free, err := openBody(w, r, rt, f.Limits, memory, f.Stopping)
	if err != nil {
		return a, err
	}
	defer free()
	req.Stream, req.ReceivedAt = body, f.Now()
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(f.Limits.BodyTimeMost + rt.Timeout + f.Limits.WriteTime))
	ctx, cancel := context.WithTimeout(r.Context(), f.Limits.BodyTimeMost+rt.Timeout)
	defer cancel()
	a, err = rt.Handle(ctx, caller, req)
	if x.whole = body.ended; !x.whole {
		w.Header().Set("Connection", "close") // the rest is not worth reading
	}
	return a, err
}

// fail writes the problem, and to the log what the client is not told.
func (f *frame) fail(w http.ResponseWriter, r *http.Request, x *exchange, rt *Route, err error) {
	if f.note(r, x, rt, err) {
		WriteProblem(w, r, x.trace, err)
	}
}

// note writes to the log what is not told, and says whether somebody is there
// to be told the rest.
func (f *frame) note(r *http.Request, x *exchange, rt *Route, err error) bool {
	if r.Context().Err() != nil && domain.CodeOf(err) == domain.Internal {
		x.gone = true // nobody is there to read
		return false
	}
	var told *domain.Error
	var refused *refusal
	cause := ""
	if errors.As(err, &refused) {
		cause = refused.cause
	} else if domain.CodeOf(err) == domain.Overloaded {
		cause = "database"
	}
	if cause != "" {
		f.Refused(rt.Shed.String(), cause)
		x.refused, x.counted = true, !f.refusals.show(rt.Shed.String(), cause)
	}
	if domain.CodeOf(err) == domain.Internal {
		f.Log.Error("internal error", "trace_id", x.trace, "method", r.Method, "route", rt.Pattern, "error", MaskSecrets(err.Error()))
	} else if refused == nil && !x.counted && errors.As(err, &told) && error(told) != err { // there is a cause behind it
		f.Log.Warn("refused", "trace_id", x.trace, "method", r.Method, "route", rt.Pattern, "error", MaskSecrets(err.Error()))
	}
	return true
}

// staffPath is where the pages for people begin.
const staffPath = "/staff"

// crossOrigin refuses what another site's page makes a browser send.
var crossOrigin = http.NewCrossOriginProtection()

// reads tells a request that changes nothing.
func (r *Request) reads() bool { return r.Method == http.MethodGet || r.Method == http.MethodHead }

// wrongGuess tells an answer that a guesser gets.
func wrongGuess(a Answer, err error) bool {
	switch domain.CodeOf(err) {
	case domain.Unauthorized, domain.NotFound:
		return true
	}
	return err == nil && a.Status == http.StatusUnauthorized
}

// query reads the query. A page reads what it knows of it, and each value once.
func (f *frame) query(rt *Route, raw string) (url.Values, error) {
	if !rt.Person && !rt.AnyQuery {
		return checkQuery(f.in[rt.Operation].query, raw)
	}
	query, err := url.ParseQuery(raw)
	if err != nil {
		return nil, domain.Errorf(domain.BadQuery, "the address cannot be read")
	}
	for name, values := range query {
		detail, _ := strict.UnfitText(values[0])
		if len(values) > 1 || detail != "" {
			return nil, domain.Errorf(domain.BadQuery, "%s in the address stands twice, or holds what is no text", Logged(name))
		}
	}
	return query, nil
}

// failPerson answers a person with a page, and tells the log the rest.
func (f *frame) failPerson(w http.ResponseWriter, r *http.Request, x *exchange, rt *Route, req *Request, caller domain.Caller, err error) {
	if !f.note(r, x, rt, err) {
		return
	}
	a := f.People.Failed(context.WithoutCancel(r.Context()), caller, req, err)
	if wait := retryAfter(Shown(err), kindOf(Shown(err).Code)); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(wait))
	}
	if _, err := WriteAnswer(w, r, a, f.Limits); err != nil {
		WriteProblem(w, r, x.trace, err)
	}
}

// methodsOf lists what the table knows at a pattern, for Allow.
func (f *frame) methodsOf(pattern string) string {
	var methods []string
	for _, rt := range f.Routes {
		if rt.Pattern == pattern {
			methods = append(methods, rt.Method)
			if rt.Method == http.MethodGet && !f.has(http.MethodHead, pattern) {
				methods = append(methods, http.MethodHead)
			}
		}
	}
	return strings.Join(methods, ", ")
}

func (f *frame) has(method, pattern string) bool {
	for _, rt := range f.Routes {
		if rt.Method == method && rt.Pattern == pattern {
			return true
		}
	}
	return false
}
