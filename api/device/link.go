package device

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/go-json-experiment/json"
)

// Problem is an answer of the service that is no success (RFC 9457).
type Problem struct {
	Status int    `json:"status"`
	Code   string `json:"code"`
	Detail string `json:"detail"`
	// What epoch_changed brings.
	Epoch       string  `json:"epoch,omitzero"`
	After       string  `json:"after,omitzero"`
	SharedUpTo  int64   `json:"shared_up_to_position,omitzero"`
	RetryAfterS float64 `json:"retry_after_s,omitzero"`
	// Where the upload of a picture goes on.
	ReceivedCount *int64 `json:"received_count,omitzero"`
}

func (p *Problem) Error() string { return fmt.Sprintf("%d %s: %s", p.Status, p.Code, p.Detail) }

// passing tells the answers after which the same request may succeed.
func (p *Problem) passing() bool {
	return p.Status == http.StatusTooManyRequests || p.Status >= 500 || p.Code == "in_progress"
}

// The pauses between tries: at most one second at first, doubled each time.
const (
	firstPause = time.Second
	mostPause  = 2 * time.Minute
)

// call sends one request once. An error that is no *Problem says that nothing
// is known about what became of it.
func (d *Device) call(ctx context.Context, method, path string, body []byte) ([]byte, error) {
	var header http.Header
	if body != nil {
		header = http.Header{"Content-Type": {"application/json"}}
	}
	answer, _, err := d.exchange(ctx, method, path, body, header)
	return answer, err
}

// exchange is one request with what it is answered.
func (d *Device) exchange(ctx context.Context, method, path string, body []byte, header http.Header) ([]byte, http.Header, error) {
	request, err := http.NewRequestWithContext(ctx, method, d.o.URL+path, bytes.NewReader(body))
	if err != nil {
		return nil, nil, err
	}
	for name, values := range header {
		request.Header[name] = values
	}
	request.Header.Set("Authorization", "Bearer "+d.o.Token)
	response, err := d.http.Do(request)
	if err != nil {
		return nil, nil, err
	}
	defer func() { _ = response.Body.Close() }()
	answer, err := io.ReadAll(response.Body)
	if err != nil {
		return nil, nil, err
	}
	if response.StatusCode < 300 {
		return answer, response.Header, nil
	}
	p := &Problem{}
	if json.Unmarshal(answer, p) != nil || p.Code == "" {
		p.Detail = "an answer that is no problem of the service"
	}
	p.Status = response.StatusCode
	if s, err := strconv.ParseFloat(response.Header.Get("Retry-After"), 64); err == nil {
		p.RetryAfterS = s
	}
	if p.Code == "device_revoked" {
		d.wipe()
	}
	return nil, response.Header, p
}

// pause waits before try number n: what the service asks for, and then up to
// twice as long as before, drawn evenly, so that a crowd spreads out.
func (d *Device) pause(ctx context.Context, n int, err error) error {
	most := min(firstPause<<min(n, 20), mostPause)
	pause := time.Duration(d.o.Rand.Int64N(int64(most)))
	var p *Problem
	if errors.As(err, &p) {
		pause += time.Duration(p.RetryAfterS * float64(time.Second))
	}
	return d.o.Wait(ctx, pause)
}

// get reads an address, trying again while that may help.
func (d *Device) get(ctx context.Context, path string, into any) error {
	for try := 1; ; try++ {
		answer, err := d.call(ctx, http.MethodGet, path, nil)
		if err == nil {
			return json.Unmarshal(answer, into)
		}
		if !d.again(ctx, err) || try == d.o.Tries {
			return err
		}
		if err := d.pause(ctx, try, err); err != nil {
			return err
		}
	}
}

func (d *Device) again(ctx context.Context, err error) bool {
	var p *Problem
	if errors.As(err, &p) {
		return p.passing()
	}
	return ctx.Err() == nil
}

func timedOut(err error) bool {
	var slow net.Error
	var p *Problem
	return errors.As(err, &slow) && slow.Timeout() || errors.As(err, &p) && p.Status == http.StatusGatewayTimeout
}

// wipe is what a lost phone does when it hears that it is lost: contacts and
// all that was acknowledged go, unsent work stays sealed.
func (d *Device) wipe() {
	for k, n := range d.notes {
		if !n.owes() {
			_ = d.forget(k) // the next start hears of it again
			continue
		}
		n.Resident, n.ContactUntil, n.Record = nil, nil, nil
		_ = d.save(n)
	}
}
