package frame

import (
	"bytes"
	"compress/gzip"
	"net/http"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

const someID = "0192a000-0000-7000-8000-000000000001"
const goodDuct = `{"pressure_pa":25,"flow_cfm":263,"made_on":"2026-10-14"}`

func TestTokenIsNeeded(t *testing.T) {
	f := newTestFrame(t, Limits{})
	unknown, _, err := NewToken(programA, bytes.NewReader(bytes.Repeat([]byte{9}, 20)))
	if err != nil {
		t.Fatal(err)
	}
	mistyped := []byte(f.staff)
	mistyped[20] = 'a' + (mistyped[20]-'a'+1)%26
	for _, row := range []struct {
		name, authorization, challenge string
		lookups                        int
	}{
		{"none", "", `Bearer realm="ductledger"`, 0},
		{"another scheme", "Basic Zm9vOmJhcg==", `Bearer realm="ductledger", error="invalid_token"`, 0},
		{"malformed", "Bearer dl_short", `Bearer realm="ductledger", error="invalid_token"`, 0},
		{"bad checksum", "Bearer " + string(mistyped), `Bearer realm="ductledger", error="invalid_token"`, 0},
		{"unknown", "Bearer " + unknown, `Bearer realm="ductledger", error="invalid_token"`, 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			f.auth.lookups = 0
			w := f.call(t, "GET", "/v1/ducts", "", "", "Authorization: "+row.authorization)
			p := wantProblem(t, w, 401, domain.Unauthorized)
			if got := w.Header().Get("WWW-Authenticate"); got != row.challenge {
				t.Errorf("WWW-Authenticate %q", got)
			}
			if f.auth.lookups != row.lookups {
				t.Errorf("%d look-ups, want %d", f.auth.lookups, row.lookups)
			}
			if !strings.Contains(p.Detail, "Authorization: Bearer") {
				t.Errorf("detail %q tells refusals apart", p.Detail)
			}
		})
	}
	if w := f.call(t, "GET", "/v1/ducts", f.staff, ""); w.Code != 200 {
		t.Errorf("a good token got %d", w.Code)
	}
}

func TestSecretInQueryIsRefusedAndNotLogged(t *testing.T) {
	f := newTestFrame(t, Limits{})
	w := f.call(t, "GET", "/v1/ducts?access_token="+f.staff, "", "")
	p := wantProblem(t, w, 400, domain.BadQuery)
	if !strings.Contains(p.Detail, "home_id, limit, state, validate_only") {
		t.Errorf("the known parameters are not named: %s", p.Detail)
	}
	w = f.call(t, "GET", "/v1/ducts?"+f.staff+"=1", f.staff, "", "User-Agent: x\x1b[31m "+f.staff)
	wantProblem(t, w, 400, domain.BadQuery)
	f.call(t, "GET", "/v1/"+f.staff, "", "")
	everything := f.log.String() + w.Body.String()
	if strings.Contains(everything, f.staff) || strings.Contains(everything, f.staff[:20]) {
		t.Errorf("the token shows: %s", everything)
	}
	lines := strings.Split(strings.TrimSpace(f.log.String()), "\n")
	if len(lines) != 3 || strings.Contains(f.log.String(), "\x1b") {
		t.Errorf("one escaped line per request is expected: %q", lines)
	}
}

func TestBodyLimits(t *testing.T) {
	f := newTestFrame(t, Limits{})
	zipped := func(s string) string {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		z.Write([]byte(s))
		z.Close()
		return b.String()
	}
	full := 2 << 20
	pad := func(n int) string { return `{"items":[]}` + strings.Repeat(" ", n-len(`{"items":[]}`)) }
	for _, row := range []struct {
		name, target, body string
		header             []string
		status             int
		code               domain.Code
	}{
		{"2 MiB", "/v1/batches", pad(full), nil, 207, ""},
		{"2 MiB and a byte", "/v1/batches", pad(full + 1), nil, 413, domain.TooLarge},
		{"too many items", "/v1/batches", `{"items":[{"kind":"wrap"},{"kind":"wrap"},{"kind":"wrap"},{"kind":"wrap"}]}`, nil, 422, domain.Invalid},
		{"gzip", "/v1/batches", zipped(`{"items":[]}`), []string{"Content-Encoding: gzip"}, 207, ""},
		{"gzip of 2 MiB", "/v1/batches", zipped(pad(full)), []string{"Content-Encoding: gzip"}, 207, ""},
		{"gzip bomb", "/v1/batches", zipped(strings.Repeat(" ", 64<<20)), []string{"Content-Encoding: gzip"}, 413, domain.TooLarge},
		{"not gzip", "/v1/batches", "{}", []string{"Content-Encoding: gzip"}, 400, domain.BadJSON},
		{"gzip cut short", "/v1/batches", zipped(`{"items":[]}`)[:20], []string{"Content-Encoding: gzip"}, 400, domain.BadJSON},
		{"deflate", "/v1/batches", "x", []string{"Content-Encoding: deflate"}, 415, domain.UnsupportedMedia},
		{"gzip twice", "/v1/batches", "x", []string{"Content-Encoding: gzip, gzip"}, 415, domain.UnsupportedMedia},
		{"xml", "/v1/batches", "<a/>", []string{"Content-Type: application/xml"}, 415, domain.UnsupportedMedia},
		{"no type", "/v1/batches", "{}", []string{"Content-Type: "}, 415, domain.UnsupportedMedia},
		{"latin-1", "/v1/batches", "{}", []string{"Content-Type: application/json; charset=iso-8859-1"}, 415, domain.UnsupportedMedia},
		{"utf-8", "/v1/batches", `{"items":[]}`, []string{"Content-Type: application/json; charset=UTF-8"}, 207, ""},
		{"blank", "/v1/batches", " \n", nil, 400, domain.BadJSON},
	} {
		t.Run(row.name, func(t *testing.T) {
			w := f.call(t, "POST", row.target, f.field, row.body, row.header...)
			if row.code == "" {
				if w.Code != row.status {
					t.Fatalf("got %d: %s", w.Code, w.Body)
				}
				return
			}
			wantProblem(t, w, row.status, row.code)
		})
	}
	t.Run("gzip elsewhere", func(t *testing.T) {
		w := f.call(t, "POST", "/v1/ducts", f.staff, zipped(goodDuct), "Content-Encoding: gzip")
		wantProblem(t, w, 415, domain.UnsupportedMedia)
	})
	t.Run("empty", func(t *testing.T) {
		w := f.call(t, "POST", "/v1/batches", f.field, "", "Content-Type: application/json")
		wantProblem(t, w, 400, domain.BadJSON)
	})
	t.Run("body where none is known", func(t *testing.T) {
		w := f.call(t, "DELETE", "/v1/ducts/"+someID, f.staff, "{}")
		wantProblem(t, w, 400, domain.BadJSON)
	})
}

func TestQueryAndPath(t *testing.T) {
	f := newTestFrame(t, Limits{})
	for _, row := range []struct {
		target string
		status int
		code   domain.Code
		detail string
	}{
		{"/v1/ducts?limit=1000000", 200, "", `"limit":500`},
		{"/v1/ducts?limit=99999999999999999999999", 200, "", `"limit":500`},
		{"/v1/ducts?limit=500", 200, "", `"limit":500`},
		{"/v1/ducts?limit=7", 200, "", `"limit":7`},
		{"/v1/ducts", 200, "", `"limit":50`},
		{"/v1/ducts?limit=0", 400, domain.BadQuery, "must be 1 or more; 0 was sent"},
		{"/v1/ducts?limit=-3", 400, domain.BadQuery, "must be 1 or more"},
		{"/v1/ducts?limit=1&limit=500", 400, domain.BadQuery, "may stand once"},
		{"/v1/ducts?limit=1e2", 400, domain.BadQuery, "must be an integer; a string was sent"},
		{"/v1/ducts?limit=", 400, domain.BadQuery, "must be an integer"},
		{"/v1/ducts?state=broken", 400, domain.BadQuery, "must be one of open, sealed"},
		{"/v1/ducts?validate_only=yes", 400, domain.BadQuery, "must be a boolean"},
		{"/v1/ducts?validate_only=true&state=open", 200, "", ""},
		{"/v1/ducts?State=open", 400, domain.BadQuery, "known are"},
		{"/v1/ducts?sort=id;select%20pg_sleep(5)", 400, domain.BadQuery, ""},
		{"/v1/ducts?a=1;b=2", 400, domain.BadQuery, "cannot be read"},
		{"/v1/ducts?state=%zz", 400, domain.BadQuery, "cannot be read"},
		{"/v1/ducts?state=%00", 400, domain.BadQuery, "control characters"},
		{"/v1/ducts?state=%ff", 400, domain.BadQuery, "not UTF-8"},
		{"/v1/ducts?home_id=%27%20OR%201=1--", 400, domain.BadQuery, "must be a UUID"},
		{"/v1/ducts/" + someID, 200, "", someID},
		{"/v1/ducts/" + someID + "?x=1", 400, domain.BadQuery, "known are none"},
		{"/v1/ducts/%27%20OR%201=1--", 404, domain.NotFound, "id in the path: must be a UUID"},
		{"/v1/ducts/%00", 404, domain.NotFound, "no such address"},
		{"/v1/ducts/a%2fb", 404, domain.NotFound, "no such address"},
		{"/v1/ducts/" + strings.ToUpper("0192a000-0000-7000-8000-00000000000f"), 404, domain.NotFound, "lower-case"},
		{"/v1/ducts/", 404, domain.NotFound, "no such address"},
		{"/v1/Ducts", 404, domain.NotFound, "no such address"},
		{"/v0", 404, domain.NotFound, ""},
		{"/api", 404, domain.NotFound, ""},
		{"/metrics", 404, domain.NotFound, ""},
		{"/debug/pprof/", 404, domain.NotFound, ""},
		{"/", 404, domain.NotFound, ""},
	} {
		t.Run(row.target, func(t *testing.T) {
			w := f.call(t, "GET", row.target, f.staff, "")
			if row.code != "" {
				wantProblem(t, w, row.status, row.code)
			}
			if w.Code != row.status || !strings.Contains(w.Body.String(), row.detail) {
				t.Fatalf("got %d %s", w.Code, w.Body)
			}
		})
	}
}

func TestMethods(t *testing.T) {
	f := newTestFrame(t, Limits{})
	w := f.call(t, "PATCH", "/v1/ducts", f.staff, "{}")
	wantProblem(t, w, 405, domain.MethodNotAllowed)
	if got := w.Header().Get("Allow"); got != "GET, HEAD, POST" {
		t.Errorf("Allow %q", got)
	}
	for _, method := range []string{"TRACE", "CONNECT", "BREW"} {
		w = f.call(t, method, "/v1/ducts", f.staff, "")
		wantProblem(t, w, 405, domain.MethodNotAllowed)
		if w.Header().Get("Allow") == "" {
			t.Error("405 without Allow")
		}
	}
	for _, method := range []string{"POST", "OPTIONS", "DELETE"} {
		wantProblem(t, f.call(t, method, "/nowhere", f.staff, ""), 404, domain.NotFound)
	}
	if w = f.call(t, "HEAD", "/v1/ducts/"+someID, f.staff, ""); w.Code != 200 || w.Body.Len() != 0 || w.Header().Get("ETag") != `"7"` {
		t.Errorf("HEAD: %d %v %s", w.Code, w.Header(), w.Body)
	}
	if w = f.call(t, "HEAD", "/nowhere", f.staff, ""); w.Code != 404 || w.Body.Len() != 0 {
		t.Errorf("HEAD of nothing: %d %s", w.Code, w.Body)
	}
	// The override is ignored: the GET is answered, DELETE would panic.
	if w = f.call(t, "GET", "/v1/ducts/"+someID, f.staff, "", "X-HTTP-Method-Override: DELETE"); w.Code != 200 {
		t.Errorf("override: %d", w.Code)
	}
	wantProblem(t, f.call(t, "POST", "/v1/ducts", f.field, goodDuct), 403, domain.Forbidden)
}

func TestPanicShowsNothing(t *testing.T) {
	f := newTestFrame(t, Limits{})
	w := f.call(t, "DELETE", "/v1/ducts/"+someID, f.staff, "",
		"Traceparent: 00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01")
	p := wantProblem(t, w, 500, domain.Internal)
	if p.TraceID != "4bf92f3577b34da6a3ce929d0e0e4736" {
		t.Errorf("trace id %s", p.TraceID)
	}
	for _, secret := range []string{"hunter2", "panic", "postgres:", "goroutine", ".go"} {
		if strings.Contains(w.Body.String(), secret) {
			t.Errorf("%q shows in %s", secret, w.Body)
		}
	}
	log := f.log.String()
	if strings.Contains(log, "hunter2") || strings.Contains(log, "abcdefghijkl") {
		t.Errorf("a secret stands in the log: %s", log)
	}
	if !strings.Contains(log, "goroutine") || !strings.Contains(log, p.TraceID) || !strings.Contains(log, "postgres://***") {
		t.Errorf("the log lacks the stack, the trace id or the reason: %s", log)
	}
	if w = f.call(t, "GET", "/v1/ducts", f.staff, ""); w.Code != 200 {
		t.Errorf("after the panic: %d", w.Code)
	}
}

func TestHeaders(t *testing.T) {
	f := newTestFrame(t, Limits{})
	id := "0192A000-0000-7000-8000-00000000000F"
	w := f.call(t, "GET", "/v1/ducts", f.staff, "", "Origin: https://evil.example", "Request-Id: "+id, "Accept-Encoding: br, gzip;q=0.5")
	h := w.Header()
	for name, want := range map[string]string{
		"Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Request-Id": id, "Content-Type": "application/json",
		"Content-Encoding": "gzip", "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
		"RateLimit-Policy": `"token";q=500;w=10, "program";q=2000;w=4`,
		"RateLimit":        `"token";r=499;t=1, "program";r=1999;t=1`,
	} {
		if h.Get(name) != want {
			t.Errorf("%s: %q, want %q", name, h.Get(name), want)
		}
	}
	for name := range h {
		if strings.HasPrefix(name, "Access-Control-") {
			t.Errorf("%s is set", name)
		}
	}
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	var body struct {
		Limit int    `json:"limit"`
		Note  string `json:"note"`
	}
	if err := json.UnmarshalRead(z, &body); err != nil || body.Limit != 50 {
		t.Errorf("%v %v", body, err)
	}
	w = f.call(t, "GET", "/v1/ducts", f.staff, "", "Request-Id: <script>", "Accept-Encoding: gzip;q=0")
	if got := w.Header().Get("Request-Id"); len(got) != 36 || w.Header().Get("Content-Encoding") != "" {
		t.Errorf("Request-Id %q, %v", got, w.Header())
	}
	w = f.call(t, "GET", "/docs/a/b.css", "", "")
	if w.Code != 200 || w.Header().Get("Content-Security-Policy") != "default-src 'self'" {
		t.Errorf("page: %d %v", w.Code, w.Header())
	}
	w = f.call(t, "GET", "/v1/ducts", f.staff, "", "X-Long: "+strings.Repeat("x", 17<<10))
	wantProblem(t, w, 431, domain.HeaderTooLarge)
}

func TestConditionalGetIsFree(t *testing.T) {
	f := newTestFrame(t, Limits{TokenBurst: 2, TokenRate: 0.001})
	for range 10 {
		w := f.call(t, "GET", "/v1/ducts/"+someID, f.staff, "", `If-None-Match: "6", W/"7"`)
		if w.Code != http.StatusNotModified || w.Body.Len() != 0 {
			t.Fatalf("got %d %s", w.Code, w.Body)
		}
	}
	if w := f.call(t, "GET", "/v1/ducts/"+someID, f.staff, "", `If-None-Match: "6"`); w.Code != 200 {
		t.Errorf("another version: %d", w.Code)
	}
}

func TestFaultsOfABatch(t *testing.T) {
	f := newTestFrame(t, Limits{})
	w := f.call(t, "POST", "/v1/batches", f.field,
		`{"items":[{"kind":"wrap"},{"kind":"pan","reading_pa":"\u0000"},{"kind":"x"}],"Items":[]}`)
	p := wantProblem(t, w, 422, domain.Invalid)
	var got []string
	for _, e := range p.Errors {
		got = append(got, e.Pointer+" "+e.Code)
	}
	want := "/Items unknown_field, /items/1/reading_pa bad_characters, /items/1/reading_pa wrong_type, /items/2/kind not_in_list"
	if strings.Join(got, ", ") != want {
		t.Errorf("got %v", got)
	}
}

// Only a listed origin's script may read, and without cookies; the question that
// a browser asks first needs no token.
func TestOrigins(t *testing.T) {
	f := newTestFrame(t, Limits{}, "https://app.agency.example")
	ask := []string{"Origin: https://app.agency.example", "Access-Control-Request-Method: PUT", "Access-Control-Request-Headers: authorization, if-match"}
	w := f.call(t, "OPTIONS", "/v1/ducts", "", "", ask...)
	if w.Code != 204 || w.Header().Get("Access-Control-Allow-Origin") != "https://app.agency.example" ||
		!strings.Contains(w.Header().Get("Access-Control-Allow-Headers"), "If-Match") || !strings.Contains(w.Header().Get("Access-Control-Allow-Methods"), "PUT") {
		t.Errorf("the question is answered %d %v", w.Code, w.Header())
	}
	w = f.call(t, "GET", "/v1/ducts", f.staff, "", ask[0])
	if w.Code != 200 || w.Header().Get("Access-Control-Allow-Origin") != "https://app.agency.example" ||
		!strings.Contains(w.Header().Get("Access-Control-Expose-Headers"), "ETag") || w.Header().Get("Access-Control-Allow-Credentials") != "" {
		t.Errorf("a listed origin: %d %v", w.Code, w.Header())
	}
	for _, origin := range []string{"https://evil.example", "https://app.agency.example.evil.example", "null", "https://APP.agency.example"} {
		for _, method := range []string{"GET", "OPTIONS"} {
			w = f.call(t, method, "/v1/ducts", f.staff, "", "Origin: "+origin, ask[1])
			if w.Header().Get("Access-Control-Allow-Origin") != "" || w.Code == 204 {
				t.Errorf("%s %s: %d %v", method, origin, w.Code, w.Header())
			}
		}
	}
	if !slices.Contains(w.Header().Values("Vary"), "Origin") {
		t.Errorf("a cache would mix origins: Vary %q", w.Header().Values("Vary"))
	}
}

// What somebody typed into an address is in no line of the log.
func TestThePathInTheLog(t *testing.T) {
	const id = "0192a000-0000-7000-8000-00000000000f"
	for _, c := range []struct{ pattern, path, want string }{
		{"/v1/jobs/{id}/findings", "/v1/jobs/" + id + "/findings", "/v1/jobs/" + id + "/findings"},
		{"/v1/jobs/{id}", "/v1/jobs/Maria Quintero", "/v1/jobs/{id}"},
		{"/v1/months/{month}/packages/{revision}", "/v1/months/2026-10/packages/3", "/v1/months/2026-10/packages/3"},
		{"/v1/homes/{id}", "/v1/homes/555-0100", "/v1/homes/{id}"},
		{"", "/12 Invented Lane", ""},
	} {
		if got := loggedPath(c.pattern, c.path); got != c.want {
			t.Errorf("%s: %q, want %q", c.path, got, c.want)
		}
	}
}
