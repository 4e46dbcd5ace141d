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

// smallContract has one of everything that the frame treats differently.
const smallContract = `
openapi: 3.1.0
info: {title: small, version: "1", description: "two\nlines", x-more: "and\ntwo"}
servers: [{url: /}]
paths:
  /v1/ducts:
    get:
      operationId: listDucts
      parameters:
        - {name: limit, in: query, schema: {type: integer, minimum: 1, maximum: 500}}
        - {name: state, in: query, schema: {type: string, enum: [open, sealed]}}
        - {name: validate_only, in: query, schema: {type: boolean}}
        - {$ref: '#/components/parameters/home'}
      responses:
        "200": {description: a page, content: {application/json: {schema: {type: object, required: [limit], properties: {limit: {type: integer}, note: {type: string}}}}}}
        default: {$ref: '#/components/responses/problem'}
    post:
      operationId: postDuct
      requestBody: {required: true, content: {application/json: {schema: {$ref: '#/components/schemas/duct'}}}}
      responses:
        "201": {description: made, content: {application/json: {schema: {type: object}}}}
        default: {$ref: '#/components/responses/problem'}
  /v1/ducts/{id}:
    parameters:
      - {name: id, in: path, required: true, schema: {type: string, format: uuid}}
    get:
      operationId: getDuct
      responses:
        "200": {description: one, content: {application/json: {schema: {type: object}}}}
        "304": {description: known}
        default: {$ref: '#/components/responses/problem'}
    delete:
      operationId: panicDuct
      responses:
        default: {$ref: '#/components/responses/problem'}
  /v1/batches:
    post:
      operationId: push
      requestBody:
        required: true
        content: {application/json: {schema: {type: object, required: [items], additionalProperties: false, properties: {items: {type: array, maxItems: 3, items: {$ref: '#/components/schemas/item'}}}}}}
      responses:
        "207": {description: judged, content: {application/json: {schema: {type: object}}}}
        default: {$ref: '#/components/responses/problem'}
  /v1/slow:
    get:
      operationId: slow
      responses:
        default: {$ref: '#/components/responses/problem'}
components:
  parameters:
    home: {name: home_id, in: query, schema: {type: string, format: uuid}}
  responses:
    problem:
      description: a problem
      content:
        application/problem+json:
          schema:
            type: object
            required: [type, title, status, detail, code, trace_id]
            properties:
              status: {type: integer}
              errors: {type: array, items: {type: object, required: [pointer, code, detail], additionalProperties: false, properties: {pointer: {type: string}, code: {type: string}, detail: {type: string, minLength: 1}, fix: {type: string}}}}
  schemas:
    duct:
      type: object
      additionalProperties: false
      required: [pressure_pa, flow_cfm, made_on]
      properties:
        pressure_pa: {type: number, format: double, exclusiveMinimum: 0, maximum: 100}
        flow_cfm: {type: number, format: double, minimum: 5}
        widths_in: {type: array, minItems: 1, uniqueItems: true, items: {type: number, maximum: 60}}
        made_on: {type: string, format: date}
        taken_at: {type: string, format: date-time}
        shape: {type: string, enum: [round, rectangular]}
        note: {type: [string, "null"], maxLength: 10}
        tag: {type: string, pattern: '^[a-z]+$', minLength: 2}
        count: {type: integer}
    pan: {type: object, additionalProperties: false, required: [kind, reading_pa], properties: {kind: {type: string, const: pan}, reading_pa: {type: number, minimum: 0}}}
    wrap: {type: object, additionalProperties: false, required: [kind], properties: {kind: {type: string, const: wrap}, layers_count: {type: integer, minimum: 1}, 'a/b~c': {type: integer}}}
    item:
      oneOf: [{$ref: '#/components/schemas/pan'}, {$ref: '#/components/schemas/wrap'}]
      discriminator: {propertyName: kind}
    either:
      oneOf: [{type: "null"}, {$ref: '#/components/schemas/pan'}]
`

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

// testFrame is a frame over smallContract with handlers that answer plainly.
type testFrame struct {
	http.Handler
	contract *Contract
	auth     *tokens
	log      *lockedBuffer
	staff    string // tokens
	field    string
	other    string        // staff of program B
	entered  chan struct{} // slow has begun
	release  chan struct{} // lets slow go on
	clock    *testClock
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
	c, err := LoadContract([]byte(smallContract))
	if err != nil {
		t.Fatal(err)
	}
	f := &testFrame{
		contract: c, auth: &tokens{callers: map[[32]byte]domain.Caller{}}, log: &lockedBuffer{},
		entered: make(chan struct{}, 100), release: make(chan struct{}),
		clock: &testClock{now: time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC)},
	}
	f.staff = f.auth.add(t, programA, domain.Staff, 1)
	f.field = f.auth.add(t, programA, domain.Field, 2)
	f.other = f.auth.add(t, programB, domain.Staff, 3)
	if lim.Monotonic == nil {
		lim.Monotonic = f.clock.Now
	}
	f.Handler, err = New(Config{
		Routes: f.routes(), Contract: c, Auth: f.auth, Now: f.clock.Now,
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
			Timeout: time.Second, Shed: ShedLists,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				return Answer{Body: map[string]any{"limit": r.Limit(), "note": strings.Repeat("n", 2000)}}, nil
			}},
		{Method: "POST", Pattern: "/v1/ducts", Operation: "postDuct", Roles: staff, Timeout: time.Second, Shed: ShedPushes,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				var duct struct {
					PressurePa float64   `json:"pressure_pa"`
					FlowCFM    float64   `json:"flow_cfm"`
					MadeOn     string    `json:"made_on"`
					Note       *string   `json:"note"`
					WidthsIn   []float64 `json:"widths_in"`
				}
				if err := f.contract.decode("postDuct", r.Body, &duct); err != nil {
					return Answer{}, err
				}
				return Answer{Status: 201, Body: map[string]any{"flow_cfm": duct.FlowCFM}}, nil
			}},
		{Method: "GET", Pattern: "/v1/ducts/{id}", Operation: "getDuct", Roles: staff, Timeout: time.Second, Shed: ShedLists,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				return Answer{Header: http.Header{"ETag": {`"7"`}}, Body: map[string]any{"id": r.Path["id"]}}, nil
			}},
		{Method: "DELETE", Pattern: "/v1/ducts/{id}", Operation: "panicDuct", Roles: staff, Timeout: time.Second, Shed: ShedLists,
			Handle: func(context.Context, domain.Caller, *Request) (Answer, error) {
				panic("connect postgres://app:hunter2@db/x password=hunter2 dl_abcdefghijkl")
			}},
		{Method: "POST", Pattern: "/v1/batches", Operation: "push", Roles: []domain.Role{domain.Field}, Timeout: time.Second,
			Shed: ShedPushes, Gzip: true,
			Handle: func(_ context.Context, _ domain.Caller, r *Request) (Answer, error) {
				var batch struct {
					Items []map[string]any `json:"items"`
				}
				if err := f.contract.decode("push", r.Body, &batch); err != nil {
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
		{Method: "GET", Pattern: "/docs/{file...}", Public: true, Timeout: time.Second, Shed: ShedPages,
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
