package device

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"net/http"
	"sync"
)

// BadLink is a link as it is under a home at the end of a road: replies are
// lost after the service has acted, requests arrive twice, and late ones
// arrive again after newer ones. It does so by chance, and with one seed
// always alike.
type BadLink struct {
	Link      http.RoundTripper // nil: http.DefaultTransport
	Rand      *rand.Rand
	LoseReply float64 // share of requests whose reply is lost
	Repeat    float64 // share that is delivered twice at once
	Late      float64 // share that is delivered once more after a later one

	mu   sync.Mutex
	late *http.Request // to be delivered again
}

// ErrLost says that no reply came.
var ErrLost = errors.New("the link broke before the reply came")

// RoundTrip delivers a request badly.
func (b *BadLink) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := readAll(r)
	if err != nil {
		return nil, err
	}
	again := func() *http.Request {
		c := r.Clone(r.Context())
		c.Body = io.NopCloser(bytes.NewReader(body))
		return c
	}
	b.mu.Lock()
	lose, repeat, keep := b.Rand.Float64() < b.LoseReply, b.Rand.Float64() < b.Repeat, b.Rand.Float64() < b.Late
	late := b.late
	b.late = nil
	if keep {
		b.late = again()
	}
	b.mu.Unlock()
	if repeat {
		b.discard(again())
	}
	response, err := b.link().RoundTrip(again())
	if late != nil {
		b.discard(late.WithContext(r.Context()))
	}
	if err != nil || !lose {
		return response, err
	}
	_, _ = io.Copy(io.Discard, response.Body) // it is lost in any case
	_ = response.Body.Close()
	return nil, ErrLost
}

func (b *BadLink) link() http.RoundTripper {
	if b.Link == nil {
		return http.DefaultTransport
	}
	return b.Link
}

// discard delivers a request whose reply nobody waits for.
func (b *BadLink) discard(r *http.Request) {
	response, err := b.link().RoundTrip(r)
	if err != nil {
		return
	}
	_, _ = io.Copy(io.Discard, response.Body)
	_ = response.Body.Close()
}

func readAll(r *http.Request) ([]byte, error) {
	if r.Body == nil {
		return nil, nil
	}
	body, err := io.ReadAll(r.Body)
	return body, errors.Join(err, r.Body.Close())
}
