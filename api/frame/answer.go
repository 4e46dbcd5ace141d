package frame

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/klauspost/compress/gzip"
)

// ETag is how a version stands in a header.
func ETag(version int64) string { return `"` + strconv.FormatInt(version, 10) + `"` }

// WriteAnswer is the only writer of what handlers decided. It returns the
// status written, or an error while nothing is written yet.
func WriteAnswer(w http.ResponseWriter, r *http.Request, a Answer, lim Limits) (int, error) {
	status := a.Status
	if status == 0 {
		status = http.StatusOK
	}
	body, err := BodyBytes(a.Body)
	if err != nil {
		return 0, err
	}
	h := w.Header()
	for name, values := range a.Header {
		h[http.CanonicalHeaderKey(name)] = values
	}
	if unchanged(r, status, h.Get("ETag")) {
		h.Del("Content-Type")
		w.WriteHeader(http.StatusNotModified)
		return http.StatusNotModified, nil
	}
	if a.Stream != nil {
		w.WriteHeader(status)
		if r.Method == http.MethodHead {
			return status, nil
		}
		if err := a.Stream(w); err != nil {
			// Too late for a problem: a cut connection tells the client that
			// the file is not whole.
			panic(http.ErrAbortHandler)
		}
		return status, nil
	}
	if status == http.StatusNoContent || status == http.StatusNotModified {
		w.WriteHeader(status)
		return status, nil
	}
	if h.Get("Content-Type") == "" && len(body) > 0 {
		h.Set("Content-Type", "application/json")
	}
	if compressible(h) && len(body) > lim.CompressFrom && wantsGzip(r) {
		body = zip(body)
		h.Set("Content-Encoding", "gzip")
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body) // who is gone reads no error either
	}
	return status, nil
}

func BodyBytes(body any) ([]byte, error) {
	switch b := body.(type) {
	case nil:
		return nil, nil
	case jsontext.Value:
		return b, nil
	case []byte:
		return b, nil
	}
	out, err := json.Marshal(body, json.Deterministic(true))
	if err != nil {
		return nil, fmt.Errorf("answer: %w", err)
	}
	return out, nil
}

// unchanged tells that the client has this version already (RFC 9110 §13.1.2,
// weak comparison).
func unchanged(r *http.Request, status int, tag string) bool {
	read := r.Method == http.MethodGet || r.Method == http.MethodHead
	if !read || status != http.StatusOK || tag == "" {
		return false
	}
	for _, known := range strings.Split(strings.Join(r.Header.Values("If-None-Match"), ","), ",") {
		known = strings.TrimSpace(known)
		if known == "*" || strings.TrimPrefix(known, "W/") == strings.TrimPrefix(tag, "W/") {
			return true
		}
	}
	return false
}

func compressible(h http.Header) bool {
	media, _, _ := strings.Cut(h.Get("Content-Type"), ";")
	return media == "application/json" && h.Get("Content-Encoding") == ""
}

// wantsGzip reads Accept-Encoding (RFC 9110 §12.5.3); q=0 is a refusal.
func wantsGzip(r *http.Request) bool {
	for _, part := range strings.Split(strings.Join(r.Header.Values("Accept-Encoding"), ","), ",") {
		coding, weight, _ := strings.Cut(part, ";")
		if strings.TrimSpace(coding) != "gzip" {
			continue
		}
		_, q, found := strings.Cut(weight, "=")
		value, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
		return !found || err == nil && value > 0
	}
	return false
}

// zippers are used again: the tables of a new one take 800 kB.
var zippers = sync.Pool{New: func() any { return gzip.NewWriter(io.Discard) }}

func zip(body []byte) []byte {
	var out bytes.Buffer
	z := zippers.Get().(*gzip.Writer)
	defer zippers.Put(z)
	z.Reset(&out)
	_, _ = z.Write(body) // a bytes.Buffer takes everything
	_ = z.Close()
	return out.Bytes()
}
