package apitest

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"ductledger/api"
	"ductledger/api/contract"
	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/photos"
	"ductledger/storage/pictures"
	"ductledger/storage/storagetest"
)

// Contract is openapi.yaml, compiled once: it takes half a second. Its answers are
// closed.
var Contract = compiled("")

// contractors is what a contractor is told: less than others.
var contractors = compiled(domain.ContractorRole)

func compiled(role domain.Role) func() (*contract.Compiled, error) {
	return sync.OnceValues(func() (*contract.Compiled, error) {
		text, err := api.Contract()
		if err != nil {
			return nil, err
		}
		return contract.Load(text, role)
	})
}

// API is a served API with one program and a token for each role.
type API struct {
	*storagetest.World
	T      testing.TB
	DB     *storage.DB
	Clock  *storagetest.Clock
	URL    string
	Log    *Log
	Tokens map[domain.Role]string

	mu    sync.Mutex
	roles map[string]domain.Role // of the tokens that were made here
}

// Serve starts one; it ends with the test.
func Serve(t testing.TB, options ...func(*storage.Options)) *API {
	t.Helper()
	db, clock := storagetest.Open(t, options...)
	a := Over(t, db, clock)
	a.World, a.Tokens = a.Program(t)
	return a
}

// ServeFrom is Serve with a place of the test's own for pictures.
func ServeFrom(t testing.TB, place photos.Store) *API {
	t.Helper()
	db, clock := storagetest.Open(t)
	a := over(t, db, clock, place)
	a.World, a.Tokens = a.Program(t)
	return a
}

// Over serves a database that the test fills by itself: it has no program yet.
func Over(t testing.TB, db *storage.DB, clock *storagetest.Clock) *API {
	t.Helper()
	place, err := photos.OpenFolder(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = place.Close() })
	return over(t, db, clock, place)
}

func over(t testing.TB, db *storage.DB, clock *storagetest.Clock, place photos.Store) *API {
	t.Helper()
	log := &Log{}
	handler, err := api.New(api.Config{DB: db, Now: clock.Now, Log: slog.New(slog.NewJSONHandler(log, nil)), Pictures: pictures.New(db, place, nil), Unlimited: true})
	if err != nil {
		t.Fatal(err)
	}
	building, stop := context.WithCancel(context.Background())
	var builder sync.WaitGroup
	builder.Go(func() { monthdb.BuildAsked(building, db, monthdb.Options{BuildID: "test", Summary: sheet.Write}) })
	t.Cleanup(func() { stop(); builder.Wait() })
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	t.Cleanup(http.DefaultClient.CloseIdleConnections)
	return &API{T: t, DB: db, Clock: clock, URL: server.URL, Log: log, roles: map[string]domain.Role{}}
}

// Bare serves the same database without a place for pictures.
func (a *API) Bare(t testing.TB) (url string) {
	t.Helper()
	handler, err := api.New(api.Config{DB: a.DB, Now: a.Clock.Now, Log: slog.New(slog.DiscardHandler), Unlimited: true})
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return server.URL
}

// Program makes one more program in the same database, with its tokens.
func (a *API) Program(t testing.TB) (*storagetest.World, map[domain.Role]string) {
	t.Helper()
	w := storagetest.Program(t, a.DB)
	tokens := map[domain.Role]string{}
	for _, role := range domain.Roles {
		token := storage.Token{Role: role, Name: "Invented " + string(role)}
		if role == domain.Field || role == domain.ContractorRole {
			token.ContractorID = w.Contractor
		}
		if role == domain.Field {
			token.DeviceID = w.Device
		}
		tokens[role] = a.Token(t, w.Program, token)
	}
	return w, tokens
}

// Token makes a token and gives its text.
func (a *API) Token(t testing.TB, program domain.UUID, token storage.Token) string {
	t.Helper()
	text, digest, err := frame.NewToken(program, rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := a.DB.CreateToken(context.Background(), program, digest, token); err != nil {
		t.Fatal(err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.roles[text] = token.Role
	return text
}

// checker is the contract as the holder of a token meets it.
func (a *API) checker(token string) *contract.Compiled {
	a.T.Helper()
	a.mu.Lock()
	role := a.roles[token]
	a.mu.Unlock()
	load := Contract
	if role == domain.ContractorRole {
		load = contractors
	}
	c, err := load()
	if err != nil {
		a.T.Fatal(err)
	}
	return c
}

// Answer is what came back, held to the contract.
type Answer struct {
	t      testing.TB
	Status int
	Header http.Header
	Body   []byte
}

// Do sends a request as the role and checks the answer against the contract.
// body is JSON text, bytes, or a value to be written as JSON; nil for none.
func (a *API) Do(role domain.Role, method, path string, body any, header ...string) Answer {
	a.T.Helper()
	return a.Send(a.Tokens[role], method, path, body, header...)
}

// Send is Do with a token.
func (a *API) Send(token, method, path string, body any, header ...string) Answer {
	a.T.Helper()
	var content []byte
	switch b := body.(type) {
	case nil:
	case string:
		content = []byte(b)
	case []byte:
		content = b
	default:
		var err error
		if content, err = json.Marshal(b); err != nil {
			a.T.Fatal(err)
		}
	}
	request, err := http.NewRequest(method, a.URL+path, bytes.NewReader(content))
	if err != nil {
		a.T.Fatal(err)
	}
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	if content != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		request.Header.Set(header[i], header[i+1])
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		a.T.Fatal(err)
	}
	defer response.Body.Close()
	out, err := io.ReadAll(response.Body)
	if err != nil {
		a.T.Fatal(err)
	}
	refusedHead := method == http.MethodHead && response.StatusCode >= 400 // a problem without its body
	checker := a.checker(token)
	if operation := checker.Operation(method, request.URL.Path); operation != "" && !refusedHead {
		if err := checker.Response(operation, response, out); err != nil {
			a.T.Errorf("%s %s: the answer is not in the contract: %v\n%s", method, path, err, out)
		}
		if response.StatusCode < 300 && request.Header.Get("Content-Encoding") == "" && request.Header.Get("Content-Type") == "application/json" {
			if err := checker.Request(operation, taken(content, response.StatusCode, out)); err != nil {
				a.T.Errorf("%s %s: taken, though not in the contract: %v", method, path, err)
			}
		}
	}
	return Answer{a.T, response.StatusCode, response.Header, out}
}

// taken is what was sent without the items that were refused: each is judged alone.
func taken(sent []byte, status int, answer []byte) []byte {
	if status != http.StatusMultiStatus {
		return sent
	}
	var batch map[string]any
	var told struct{ Items []struct{ Status string } }
	if json.Unmarshal(sent, &batch) != nil || json.Unmarshal(answer, &told) != nil {
		return sent
	}
	items, _ := batch["items"].([]any)
	kept := []any{}
	for i, item := range items {
		if i < len(told.Items) && told.Items[i].Status != "rejected" && told.Items[i].Status != "retry" {
			kept = append(kept, item)
		}
	}
	batch["items"] = kept
	rest, err := json.Marshal(batch)
	if err != nil {
		return sent
	}
	return rest
}

// Want fails the test when the status is another.
func (r Answer) Want(status int) Answer {
	r.t.Helper()
	if r.Status != status {
		r.t.Fatalf("status %d, want %d: %s", r.Status, status, r.Body)
	}
	return r
}

// Into reads the body.
func (r Answer) Into(value any) {
	r.t.Helper()
	if err := json.Unmarshal(r.Body, value); err != nil {
		r.t.Fatalf("%v: %s", err, r.Body)
	}
}

// Problem is an answer that is no success.
type Problem struct {
	Type, Title, Detail, Code string
	Status                    int
	TraceID                   string `json:"trace_id"`
	HeldID                    string `json:"held_id"`
	Current                   json.RawMessage
	Errors                    []domain.Fault
	ErrorsMoreCount           int `json:"errors_more_count"`
}

// Problem reads the body of one.
func (r Answer) Problem() (p Problem) {
	r.t.Helper()
	r.Into(&p)
	return p
}

// Pointers are the places that a problem names.
func (p Problem) Pointers() []string {
	list := make([]string, len(p.Errors))
	for i, f := range p.Errors {
		list[i] = f.Pointer
	}
	return list
}
