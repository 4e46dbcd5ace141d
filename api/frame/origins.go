package frame

import (
	"net/http"
	"slices"
)

// Scripts of other origins may ask only where the operator listed their origin
// (the Fetch standard's CORS protocol). Cookies never go along: such a script
// brings a token of its own.
const (
	originMethods = "GET, HEAD, POST, PUT, PATCH, DELETE"
	originHeaders = "Authorization, Content-Type, Content-Encoding, Content-Range, If-Match, If-None-Match, Request-Id, Traceparent, Upload-Complete, Upload-Offset"
	OriginAnswers = "Content-Range, ETag, Idempotent-Replay, Location, RateLimit, RateLimit-Policy, Request-Id, Retry-After, Upload-Complete, Upload-Offset"
	originSeconds = "600" // how long a browser keeps the answer to its question
)

// allowOrigin lets a listed origin read the answer. It says whether the request
// was a browser's question before the real one, which is answered by then.
func (f *frame) allowOrigin(w http.ResponseWriter, r *http.Request) (answered bool) {
	if len(f.Origins) == 0 {
		return false
	}
	h := w.Header()
	h.Add("Vary", "Origin")
	origin := r.Header.Get("Origin")
	if !slices.Contains(f.Origins, origin) {
		return false
	}
	h.Set("Access-Control-Allow-Origin", origin)
	h.Set("Access-Control-Expose-Headers", OriginAnswers)
	if r.Method != http.MethodOptions || r.Header.Get("Access-Control-Request-Method") == "" {
		return false
	}
	h.Set("Access-Control-Allow-Methods", originMethods)
	h.Set("Access-Control-Allow-Headers", originHeaders)
	h.Set("Access-Control-Max-Age", originSeconds)
	w.WriteHeader(http.StatusNoContent)
	return true
}
