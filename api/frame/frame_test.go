package frame

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

// Shapes with one of everything that the frame treats differently.
type (
	ductQuery struct {
		Limit        int         `json:"limit,omitzero" validate:"omitempty,gte=1"`
		State        string      `json:"state,omitzero" validate:"omitempty,oneof=open sealed"`
		ValidateOnly bool        `json:"validate_only,omitzero"`
		HomeID       domain.UUID `json:"home_id,omitzero"`
	}
	ductBody struct {
		PressurePa float64     `json:"pressure_pa" validate:"gt=0,lte=100"`
		FlowCFM    float64     `json:"flow_cfm" validate:"gte=5"`
		MadeOn     domain.Date `json:"made_on"`
		Note       *string     `json:"note,omitzero"`
		WidthsIn   []float64   `json:"widths_in,omitzero" validate:"omitempty,min=1,unique,dive,lte=60"`
	}
	batchItem struct {
		Kind      string   `json:"kind" validate:"oneof=pan wrap"`
		ReadingPa *float64 `json:"reading_pa,omitzero"`
	}
	batchBody struct {
		Items []batchItem `json:"items" validate:"max=3,dive"`
	}
)

func smallOperations() map[string]Operation {
	return map[string]Operation{"listDucts": {Query: ductQuery{}}, "postDuct": {Takes: ductBody{}}, "getDuct": {}, "panicDuct": {}, "push": {Takes: batchBody{}}, "slow": {}}
}

var (
	programA = domain.UUID{0xa, 1}
	programB = domain.UUID{0xb, 1}
)

// tokens is an authenticator of a few tokens that counts its look-ups.
type tokens struct {
	mu      sync.Mutex
	callers map[[32]byte]domain.Caller
	lookups int
}

func (a *tokens) Authenticate(_ context.Context, digest [32]byte, _ domain.UUID) (domain.Caller, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.lookups++
	caller, ok := a.callers[digest]
	if !ok {
		return caller, domain.Errorf(domain.Unauthorized, "no such row")
	}
	return caller, nil
}

func (a *tokens) add(t testing.TB, program domain.UUID, role domain.Role, seed byte) string {
	t.Helper()
	text, digest, err := NewToken(program, bytes.NewReader(bytes.Repeat([]byte{seed}, 20)))
	if err != nil {
		t.Fatal(err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.callers[digest] = domain.Caller{Program: program, Token: domain.UUID{seed}, Role: role}
	return text
}

// testFrame is a frame over smallOperations with handlers that answer plainly.
type testFrame struct {
	http.Handler
	auth    *tokens
	log     *lockedBuffer
	staff   string // tokens
	field   string
	other   string        // staff of program B
	entered chan struct{} // slow has begun
	release chan struct{} // lets slow go on
	clock   *testClock
}

type testClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *testClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *testClock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

func newTestFrame(t testing.TB, lim Limits, origins ...string) *testFrame {
	t.Helper()
	f := &testFrame{
		auth: &tokens{callers: map[[32]byte]domain.Caller{}}, log: &lockedBuffer{},
		entered: make(chan struct{}, 100), release: make(chan struct{}),
		clock: &testClock{now: time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC)},
	}
	f.staff = f.auth.add(t, programA, domain.Staff, 1)
	f.field = f.auth.add(t, programA, domain.Field, 2)
	f.other = f.auth.add(t, programB, domain.Staff, 3)
	if lim.Monotonic == nil {
		lim.Monotonic = f.clock.Now
	}
	var err error
	f.Handler, err = New(Config{
		Routes: f.routes(), Operations: smallOperations(), Auth: f.auth, Now: f.clock.Now,
		Log: slog.New(slog.NewJSONHandler(f.log, nil)), Limits: lim, Origins: origins,
	})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func (f *testFrame) routes() []Route {
	staff := []domain.Role{domain.Staff}
	return []Route{
		{Method: "GET", Pattern: "/v1/ducts", Operation: "listDucts", Roles: []domain.Role{domain.Staff, domain.Field},
			Timeout: time.Minute, Shed: ShedLists,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				return Answer{Body: map[string]any{"limit": r.Limit(), "note": strings.Repeat("n", 2000)}}, nil
			}},
		{Method: "POST", Pattern: "/v1/ducts", Operation: "postDuct", Roles: staff, Timeout: time.Minute, Shed: ShedPushes,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				var duct ductBody
				if err := r.Decode(&duct); err != nil {
					return Answer{}, err
				}
				return Answer{Status: 201, Body: map[string]any{"flow_cfm": duct.FlowCFM}}, nil
			}},
		{Method: "GET", Pattern: "/v1/ducts/{id}", Operation: "getDuct", Roles: staff, Timeout: time.Minute, Shed: ShedLists,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				return Answer{Header: http.Header{"ETag": {`"7"`}}, Body: map[string]any{"id": r.Path["id"]}}, nil
			}},
		{Method: "DELETE", Pattern: "/v1/ducts/{id}", Operation: "panicDuct", Roles: staff, Timeout: time.Minute, Shed: ShedLists,
			Handle: func(context.Context, domain.Caller, *Request) (Answer, error) {
				panic("connect postgres://app:hunter2@db/x password=hunter2 dl_abcdefghijkl")
			}},
		{Method: "POST", Pattern: "/v1/batches", Operation: "push", Roles: []domain.Role{domain.Field}, Timeout: time.Minute,
			Shed: ShedPushes, Gzip: true,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				var batch batchBody
				if err := r.Decode(&batch); err != nil {
					return Answer{}, err
				}
				return Answer{Status: 207, Body: map[string]any{}}, nil
			}},
		{Method: "GET", Pattern: "/v1/slow", Operation: "slow", Roles: staff, Timeout: time.Minute, Shed: ShedPackages,
			Handle: func(ctx context.Context, _ domain.Caller, _ *Request) (Answer, error) {
				f.entered <- struct{}{}
				select {
				case <-f.release:
					return Answer{}, domain.Errorf(domain.StorageFull, "full")
				case <-ctx.Done():
					return Answer{}, ctx.Err()
				}
			}},
		{Method: "GET", Pattern: "/docs/{file...}", Public: true, Timeout: time.Minute, Shed: ShedPages,
			Handle: func(context.Context, domain.Caller, *Request) (Answer, error) {
				return Answer{Body: []byte("page"), Header: http.Header{"Content-Security-Policy": {"default-src 'self'"}}}, nil
			}},
	}
}

// call is one request: header lines as "Name: value".
func (f *testFrame) call(t testing.TB, method, target, token, body string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	if body == "" {
		r = httptest.NewRequest(method, target, nil)
	} else {
		r.Header.Set("Content-Type", "application/json")
	}
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	for _, line := range header {
		name, value, _ := strings.Cut(line, ": ")
		r.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	f.ServeHTTP(w, r)
	return w
}

type problemSeen struct {
	Type     string         `json:"type"`
	Title    string         `json:"title"`
	Status   int            `json:"status"`
	Detail   string         `json:"detail"`
	Code     string         `json:"code"`
	TraceID  string         `json:"trace_id"`
	Errors   []domain.Fault `json:"errors"`
	Policies []string       `json:"violated-policies"`
}

// wantProblem demands a whole problem of one status and code.
func wantProblem(t testing.TB, w *httptest.ResponseRecorder, status int, code domain.Code) problemSeen {
	t.Helper()
	var p problemSeen
	if err := json.Unmarshal(w.Body.Bytes(), &p, json.RejectUnknownMembers(true)); err != nil {
		t.Fatalf("%d %s: %v", w.Code, w.Body, err)
	}
	if w.Code != status || p.Status != status || p.Code != string(code) {
		t.Fatalf("got %d with code %s, want %d %s: %s", w.Code, p.Code, status, code, w.Body)
	}
	if got := w.Header().Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("Content-Type %q", got)
	}
	if p.Type == "" || p.Title == "" || len(p.TraceID) != 32 || w.Header().Get("Request-Id") == "" {
		t.Errorf("incomplete problem: %s", w.Body)
	}
	return p
}
