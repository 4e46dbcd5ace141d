package frame

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"ductledger/api/strict"
	"ductledger/domain"
)

// An exchange is one request and its answer as the log sees them. It wraps the
// writer, so that everything written is counted wherever it is written.
type exchange struct {
	http.ResponseWriter
	trace   string        // 32 hexadecimal digits
	pattern string        // of the route; empty while none is found
	caller  domain.Caller // zero while unknown
	status  int           // zero while nothing is written
	bytes   int64
	whole   bool // the body was read to its end
	gone    bool // no whole answer was written: the client left, or it broke off
	refused bool // it found no room, which is no failure
	counted bool // it is told of by its number alone
}

func (x *exchange) WriteHeader(status int) {
	if x.status == 0 || x.status < 200 {
		x.status = status
	}
	x.ResponseWriter.WriteHeader(status)
}

func (x *exchange) Write(b []byte) (int, error) {
	if x.status == 0 {
		x.status = http.StatusOK
	}
	n, err := x.ResponseWriter.Write(b)
	x.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach the connection's deadlines.
func (x *exchange) Unwrap() http.ResponseWriter { return x.ResponseWriter }

// exchangeOf finds the exchange below a writer; a fresh one when the request
// did not come through the middleware.
func exchangeOf(w http.ResponseWriter) *exchange {
	if x, ok := w.(*exchange); ok {
		return x
	}
	return &exchange{ResponseWriter: w}
}

// around is what every request passes, also those for no address of ours.
func (f *frame) around(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := f.Limits.Monotonic()
		requestID := f.requestID(r)
		x := &exchange{ResponseWriter: w, trace: f.traceID(r)}
		securityHeaders(x.Header())
		if f.secure(r) {
			x.Header().Set("Strict-Transport-Security", transportPolicy)
		}
		x.Header().Set("Request-Id", requestID)
		f.rates.announce(x.Header())
		defer func() {
			panicked := recover()
			if panicked != nil && panicked != http.ErrAbortHandler {
				f.afterPanic(x, r, panicked)
			}
			x.gone = x.gone || panicked == http.ErrAbortHandler
			f.logAccess(x, r, requestID, f.Limits.Monotonic().Sub(began))
			if x.whole || r.ContentLength == 0 {
				bodyRead(r)
			}
			if x.gone { // the server cuts the connection of an unfinished answer
				panic(http.ErrAbortHandler)
			}
		}()
		if err := f.passable(x, r); err != nil {
			WriteProblem(x, r, x.trace, err)
			return
		}
		if f.allowOrigin(x, r) {
			return
		}
		next.ServeHTTP(x, r)
	})
}

// securityHeaders are right for data; a page sets its own policy over them.
// Without a list of origins there is no Access-Control header anywhere: no other
// origin's script may read.
func securityHeaders(h http.Header) {
	h.Set("Cache-Control", "no-store")
	h.Set("Vary", "Accept-Encoding, Authorization, Cookie")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
}

// transportPolicy keeps browsers from asking without TLS for a year (RFC 6797).
const transportPolicy = "max-age=31536000"

// secure tells whether the request came over TLS, to us or to a proxy that the
// operator named. RFC 6797 §7.2 forbids the policy on any other answer.
func (f *frame) secure(r *http.Request) bool {
	return f.Secure || fromProxy(r, f.Proxies) && r.Header.Get("X-Forwarded-Proto") == "https"
}

// passable refuses what no route should ever see.
func (f *frame) passable(x *exchange, r *http.Request) error {
	if !slices.Contains(otherMethods(), r.Method) {
		x.Header().Set("Allow", strings.Join(otherMethods(), ", "))
		return domain.Errorf(domain.MethodNotAllowed, "this method is not known anywhere here")
	}
	size := 0
	for name, values := range r.Header {
		for _, v := range values {
			size += len(name) + len(v) + len(": \r\n")
		}
	}
	if size += len(r.RequestURI); size > f.Limits.HeaderBytes {
		x.Header().Set("Connection", "close")
		return domain.Errorf(domain.HeaderTooLarge, "address and header fields have more than %d bytes", f.Limits.HeaderBytes)
	}
	if err := checkFraming(r); err != nil {
		x.Header().Set("Connection", "close")
		return err
	}
	// No path of ours needs a percent sign that would not be written otherwise:
	// an encoded slash must not reach a router or a file.
	detail, _ := strict.UnfitText(r.URL.Path)
	if r.URL.RawPath != "" || detail != "" {
		return NotHere()
	}
	return nil
}

// afterPanic tells the client nothing but where to look, and the log the rest.
func (f *frame) afterPanic(x *exchange, r *http.Request, panicked any) {
	f.Log.Error("panic", "trace_id", x.trace, "method", r.Method, "route", x.pattern,
		"panic", MaskSecrets(fmt.Sprint(panicked)), "stack", MaskSecrets(string(debug.Stack())))
	if x.status != 0 { // too late for a problem
		x.gone = true
		return
	}
	WriteProblem(x, r, x.trace, domain.Errorf(domain.Internal, ""))
}

// requestID echoes a valid UUID and makes a random one (version 4) otherwise.
func (f *frame) requestID(r *http.Request) string {
	sent := r.Header.Get("Request-Id")
	if _, err := domain.ParseUUID(strings.ToLower(sent)); err == nil {
		return sent
	}
	var id domain.UUID
	_, _ = io.ReadFull(f.Random, id[:]) // an id with fewer random bytes still serves
	id[6] = id[6]&0x0f | 0x40
	id[8] = id[8]&0x3f | 0x80
	return id.String()
}

// traceID is that of traceparent (W3C Trace Context §3.2: version, trace id,
// parent id, flags), or a random one.
func (f *frame) traceID(r *http.Request) string {
	parts := strings.Split(r.Header.Get("Traceparent"), "-")
	if len(parts) >= 4 && len(parts[0]) == 2 && parts[0] != "ff" && len(parts[1]) == 32 && len(parts[2]) == 16 && len(parts[3]) == 2 {
		id, err := hex.DecodeString(parts[1])
		if err == nil && parts[1] == strings.ToLower(parts[1]) && len(bytes.Trim(id, "\x00")) > 0 {
			return parts[1]
		}
	}
	var id [16]byte
	_, _ = io.ReadFull(f.Random, id[:]) // an id with fewer random bytes still serves
	return hex.EncodeToString(id[:])
}

// logText bounds one field of the access log, in bytes.
const logText = 200

// logAccess writes one line per request, of refused ones the first only: the address without what somebody may
// have typed into it, never the query, no header but the client's name, ids of the
// caller and never the token.
func (f *frame) logAccess(x *exchange, r *http.Request, requestID string, took time.Duration) {
	if f.Observe != nil {
		f.Observe(r.Method, x.pattern, x.status, took)
	}
	level := slog.LevelInfo
	switch {
	case x.counted:
		return
	case x.refused:
		level = slog.LevelWarn
	case x.status >= 500:
		level = slog.LevelError
	}
	attrs := []slog.Attr{
		slog.String("method", Logged(r.Method)),
		slog.String("path", loggedPath(x.pattern, r.URL.Path)),
		slog.String("route", x.pattern),
		slog.Int("status", x.status),
		slog.Int64("bytes", x.bytes),
		slog.Float64("seconds", took.Seconds()),
		slog.String("request_id", requestID),
		slog.String("trace_id", x.trace),
		slog.String("agent", Logged(r.UserAgent())),
	}
	if !x.caller.Token.IsZero() {
		attrs = append(attrs, slog.String("program_id", x.caller.Program.String()),
			slog.String("token_id", x.caller.Token.String()), slog.String("role", string(x.caller.Role)))
	}
	if x.gone {
		attrs = append(attrs, slog.Bool("cut", true))
	}
	f.Log.LogAttrs(r.Context(), level, "request", attrs...)
}

// numberPattern is a revision, a month or a day, and no telephone's number.
var numberPattern = regexp.MustCompile(`^([0-9]{1,4}|[0-9]{4}-[0-9]{2}(-[0-9]{2})?)$`)

// loggedPath is a route's pattern with the ids and numbers in their places. A
// name that was put into an address by mistake stays out of the log, and of an
// address that is none of ours nothing is shown.
func loggedPath(pattern, path string) string {
	if pattern == "" {
		return ""
	}
	shown, given := strings.Split(pattern, "/"), strings.Split(path, "/")
	for i := range shown {
		if i >= len(given) || !strings.HasPrefix(shown[i], "{") {
			continue
		}
		_, err := domain.ParseUUID(given[i])
		if err == nil || numberPattern.MatchString(given[i]) {
			shown[i] = given[i]
		}
	}
	return strings.Join(shown, "/")
}

func Logged(s string) string {
	s = MaskSecrets(s)
	if len(s) > logText {
		s = s[:logText] + "…"
	}
	return strings.ToValidUTF8(s, "?")
}

// secretPattern finds what must not stand in a log wherever it was put by
// mistake: our tokens, also cut short; passwords in addresses of databases,
// and in the key=value form of the same.
var secretPattern = regexp.MustCompile(`(?i)dl[sl]?_[a-z2-7]{8,}|([a-z][a-z0-9+.]*://)[^\s/@]+@|(password=)('[^']*'|\S+)`)

// MaskSecrets takes them out.
func MaskSecrets(s string) string {
	if !strings.ContainsAny(s, "_@=") { // each of them holds one
		return s
	}
	return secretPattern.ReplaceAllString(s, "${1}${2}***")
}
