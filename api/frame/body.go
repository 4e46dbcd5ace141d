package frame

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"ductledger/domain"
)

// readBody reads a body whole, with every bound of the route. It is called
// before any transaction: a slow client must not hold one.
func readBody(w http.ResponseWriter, r *http.Request, rt *Route, lim Limits, memory *bodyMemory, stopping context.Context) ([]byte, error) {
	if err := checkContentType(r, rt); err != nil {
		return nil, err
	}
	zipped, err := zipped(r, rt)
	if err != nil {
		return nil, err
	}
	limit := rt.BodyLimit
	if limit == 0 {
		limit = lim.BodyBytes
	}
	tooLarge := domain.Errorf(domain.TooLarge, "the body is larger than %d bytes", limit)
	if zipped {
		tooLarge.Detail += " after inflating"
	}
	if r.ContentLength > limit {
		w.Header().Set("Connection", "close") // the rest is not worth reading
		return nil, tooLarge
	}
	paced := &pacedBody{from: http.MaxBytesReader(w, r.Body, limit), to: http.NewResponseController(w), lim: lim, began: time.Now()}
	defer context.AfterFunc(stopping, paced.hurry)()
	var body io.Reader = paced
	if zipped {
		inflater, err := gzip.NewReader(body)
		if err != nil {
			return nil, bodyError(err, tooLarge)
		}
		// One byte more than allowed tells a full body from one that is too large.
		body = io.LimitReader(inflater, limit+1)
	}
	bytes, err := memory.readAll(body)
	if err == nil && int64(len(bytes)) > limit {
		err = tooLarge
	}
	if err != nil {
		w.Header().Set("Connection", "close")
		return nil, bodyError(err, tooLarge)
	}
	paced.finish()
	if !zipped && len(bytes) > 2 && bytes[0] == 0x1f && bytes[1] == 0x8b { // RFC 1952 §2.3.1
		if rt.Gzip {
			return nil, domain.Errorf(domain.BadJSON, "the body is packed by gzip and no header says so: send Content-Encoding: gzip with it")
		}
		return nil, domain.Errorf(domain.BadJSON, "the body is packed by gzip, which this address does not take: send it as it is")
	}
	return bytes, nil
}

// StreamChunk is what a handler of a stream may hold of its body at once, bytes.
const StreamChunk = 128 << 10

// A streamed body tells apart its end and the ways in which it can break.
type streamed struct {
	*pacedBody
	tooLarge *domain.Error
	ended    bool
}

func (s *streamed) Read(b []byte) (int, error) {
	n, err := s.pacedBody.Read(b)
	if err == io.EOF {
		s.ended = true
		s.finish()
	} else if err != nil {
		err = bodyError(err, s.tooLarge)
	}
	return n, err
}

// openBody is readBody for a route that streams: no more of the body is held
// than one chunk.
func openBody(w http.ResponseWriter, r *http.Request, rt *Route, lim Limits, memory *bodyMemory, stopping context.Context) (*streamed, func(), error) {
	if err := checkContentType(r, rt); err != nil {
		return nil, nil, err
	}
	if _, err := zipped(r, rt); err != nil {
		return nil, nil, err
	}
	tooLarge := domain.Errorf(domain.TooLarge, "the body is larger than %d bytes", rt.BodyLimit)
	if r.ContentLength > rt.BodyLimit {
		w.Header().Set("Connection", "close")
		return nil, nil, tooLarge
	}
	if err := memory.grow(StreamChunk); err != nil {
		return nil, nil, err
	}
	paced := &pacedBody{from: http.MaxBytesReader(w, r.Body, rt.BodyLimit), to: http.NewResponseController(w), lim: lim, began: time.Now()}
	stop := context.AfterFunc(stopping, paced.hurry)
	return &streamed{pacedBody: paced, tooLarge: tooLarge}, func() { stop(); paced.finish() }, nil
}

func checkContentType(r *http.Request, rt *Route) error {
	allowed := rt.ContentTypes
	if allowed == nil {
		allowed = []string{"application/json"}
	}
	media, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	charset := params["charset"]
	if err != nil || !slices.Contains(allowed, media) || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return domain.Errorf(domain.UnsupportedMedia, "Content-Type must be %s", strings.Join(allowed, " or "))
	}
	return nil
}

func zipped(r *http.Request, rt *Route) (bool, error) {
	switch encoding := strings.ToLower(strings.Join(r.Header.Values("Content-Encoding"), ",")); {
	case encoding == "" || encoding == "identity":
		return false, nil
	case encoding == "gzip" && rt.Gzip:
		return true, nil
	case rt.Gzip:
		return false, domain.Errorf(domain.UnsupportedMedia, "Content-Encoding must be gzip or absent")
	}
	return false, domain.Errorf(domain.UnsupportedMedia, "Content-Encoding is not taken at this address")
}

func bodyError(err error, tooLarge *domain.Error) error {
	var over *http.MaxBytesError
	var told *domain.Error
	switch {
	case errors.As(err, &told):
		return told
	case errors.As(err, &over):
		return tooLarge
	case errors.Is(err, os.ErrDeadlineExceeded):
		return domain.Errorf(domain.TooSlow, "the body came too slowly, or the service ends")
	case errors.Is(err, gzip.ErrHeader), errors.Is(err, gzip.ErrChecksum), errors.Is(err, io.ErrUnexpectedEOF):
		return domain.Errorf(domain.BadJSON, "the body ends too early or is not gzip")
	}
	return domain.Errorf(domain.BadJSON, "the body could not be read")
}

// bodyMemory is what one body takes of the memory for all bodies. It grows as
// the body comes, so that a slow one takes little, and is given back when the
// request ends.
type bodyMemory struct {
	of     *limiter
	sender sender
	taken  int64
}

const bodyMemoryFirst = 32 << 10 // bytes

func (m *bodyMemory) readAll(from io.Reader) ([]byte, error) {
	var body []byte
	for {
		if len(body) == cap(body) {
			larger := max(bodyMemoryFirst, 2*cap(body))
			if err := m.grow(int64(larger)); err != nil {
				return nil, err
			}
			body = append(make([]byte, 0, larger), body...)
		}
		n, err := from.Read(body[len(body):cap(body)])
		body = body[:len(body)+n]
		switch {
		case err == io.EOF:
			return body, nil
		case err != nil:
			return body, err
		}
	}
}

func (m *bodyMemory) grow(to int64) error {
	if err := m.of.add(m.sender, to-m.taken); err != nil {
		return err
	}
	m.taken = to
	return nil
}

func (m *bodyMemory) free() {
	if m.taken > 0 {
		m.of.give(m.sender, m.taken)
		m.taken = 0
	}
}

// pacedBody keeps a slow body alive as long as it is worth waiting for: one
// that has brought n bytes may take
//
//	min(BodyTimeMost, max(BodyTime, n / BodyRate))
//
// seconds from its begin.
type pacedBody struct {
	from  io.Reader
	to    *http.ResponseController
	lim   Limits
	began time.Time
	got   int64

	mu       sync.Mutex
	until    time.Duration
	hurried  bool
	finished bool
}

// hurryTime is what is left for a body when the service is to stop.
const hurryTime = time.Second

func (p *pacedBody) Read(b []byte) (int, error) {
	if may := p.allowed(); may != p.until {
		if err := p.extend(may); err != nil {
			return 0, err
		}
	}
	n, err := p.from.Read(b)
	p.got += int64(n)
	return n, err
}

func (p *pacedBody) allowed() time.Duration {
	earned := time.Duration(p.got/p.lim.BodyRate) * time.Second
	return min(p.lim.BodyTimeMost, max(p.lim.BodyTime, earned))
}

func (p *pacedBody) extend(may time.Duration) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.hurried {
		return nil
	}
	p.until = may
	// Not supported by a test's recorder, and then not needed.
	if err := p.to.SetReadDeadline(p.began.Add(may)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("read deadline: %w", err)
	}
	return nil
}

// hurry ends a slow body soon.
func (p *pacedBody) hurry() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.finished {
		p.hurried = true
		_ = p.to.SetReadDeadline(time.Now().Add(hurryTime))
	}
}

// finish says that the body is there. From here on the handler's time limit
// counts. A read deadline that passed meanwhile would end the request's
// context as if the client had gone.
func (p *pacedBody) finish() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.finished = true
	_ = p.to.SetReadDeadline(time.Time{})
}
