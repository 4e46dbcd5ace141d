package device_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"ductledger/api/device"
	"ductledger/domain"
)

// script answers as a service would that is in a state which a real one
// reaches only after an accident.
type script func(method, path string, body map[string]any) (status int, answer string, err error)

func (s script) RoundTrip(r *http.Request) (*http.Response, error) {
	body := map[string]any{}
	if r.Body != nil {
		if text, err := io.ReadAll(r.Body); err == nil && len(text) > 0 {
			if err := json.Unmarshal(text, &body); err != nil {
				return nil, err
			}
		}
	}
	status, answer, err := s(r.Method, r.URL.Path, body)
	if err != nil {
		return nil, err
	}
	return &http.Response{StatusCode: status, Header: http.Header{}, Body: io.NopCloser(bytes.NewReader([]byte(answer))), Request: r}, nil
}

type slow struct{}

func (slow) Error() string   { return "too slow" }
func (slow) Timeout() bool   { return true }
func (slow) Temporary() bool { return true }

const epochOne, epochTwo = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0e01", "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0e02"

func scripted(t *testing.T, s script, waited *[]time.Duration) *device.Device {
	t.Helper()
	d, err := device.Open(device.Options{URL: "http://service.invalid", Token: "t", Link: s, Rand: rand.New(rand.NewPCG(1, 1)),
		Now: func() time.Time { return time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC) },
		Wait: func(_ context.Context, pause time.Duration) error {
			*waited = append(*waited, pause)
			return nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func idOf(n int) domain.UUID { return domain.UUID{0: 1, 6: 0x70, 8: 0x80, 15: byte(n)} }

func created(body map[string]any, epoch string) string {
	var items []string
	for i := range body["items"].([]any) {
		items = append(items, fmt.Sprintf(`{"index":%d,"status":"created","version":1,"position":%d}`, i, i+1))
	}
	return fmt.Sprintf(`{"epoch":%q,"receipt":"r","received_at":"x","held_open_count":0,"items":[%s],"jobs":[]}`, epoch, strings.Join(items, ","))
}

// A batch that times out is halved until it gets through.
func TestBatchesAreHalvedOnATimeout(t *testing.T) {
	var sizes []int
	var waited []time.Duration
	d := scripted(t, func(_, _ string, body map[string]any) (int, string, error) {
		n := len(body["items"].([]any))
		sizes = append(sizes, n)
		if n > 3 {
			return 0, "", slow{}
		}
		return 207, created(body, epochOne), nil
	}, &waited)
	for i := range 12 {
		if err := d.Put(idOf(i), &domain.Contractor{Name: "Invented"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Push(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got, want := fmt.Sprint(sizes), "[12 6 3 3 3 3]"; got != want {
		t.Errorf("sizes %s, want %s", got, want)
	}
	if len(waited) != 2 || waited[0] > 2*time.Second || waited[1] > 4*time.Second {
		t.Errorf("pauses %v", waited)
	}
}

// The service says when to come again, and takes a part.
func TestOnlyRetryIsSentAgain(t *testing.T) {
	var waited []time.Duration
	tries := 0
	d := scripted(t, func(_, _ string, body map[string]any) (int, string, error) {
		tries++
		switch tries {
		case 1:
			return 503, `{"status":503,"code":"overloaded","detail":"busy","retry_after_s":7}`, nil
		case 2:
			return 207, fmt.Sprintf(`{"epoch":%q,"received_at":"x","held_open_count":0,"jobs":[],"items":[{"index":0,"status":"created","version":1,"position":1},{"index":1,"status":"retry"}]}`, epochOne), nil
		}
		if n := len(body["items"].([]any)); n != 1 {
			t.Errorf("%d items are sent again", n)
		}
		return 207, created(body, epochOne), nil
	}, &waited)
	for i := range 2 {
		if err := d.Put(idOf(i), &domain.Contractor{Name: "Invented"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Push(context.Background()); err != nil || d.Pending() != 0 || tries != 3 {
		t.Errorf("%v, %d pending, %d tries", err, d.Pending(), tries)
	}
	if waited[0] < 7*time.Second {
		t.Errorf("came again after %s, asked 7 s", waited[0])
	}
}

// A restored service holds version 1 of what was at 2, and nothing of another
// record: the phone brings back both, on the version that there is.
func TestALostHistoryIsBroughtBack(t *testing.T) {
	var waited []time.Duration
	lost := false
	var bases []string
	d := scripted(t, func(_, path string, body map[string]any) (int, string, error) {
		if lost && body["epoch"] == epochOne || lost && path == "/v1/changes" && len(bases) == 0 {
			if body["epoch"] == epochOne {
				return 409, fmt.Sprintf(`{"status":409,"code":"epoch_changed","detail":"restored","epoch":%q,"retry_after_s":1}`, epochTwo), nil
			}
			return 200, fmt.Sprintf(`{"epoch":%q,"items":[{"op":"put","kind":"contractor","id":%q,"version":1,"position":1,"record":{"name":"Old"}}],"next_after":"c","more":false}`, epochTwo, idOf(1)), nil
		}
		if path == "/v1/changes" {
			return 200, fmt.Sprintf(`{"epoch":%q,"items":[],"next_after":"c","more":false}`, epochTwo), nil
		}
		var items []string
		for i, item := range body["items"].([]any) {
			m := item.(map[string]any)
			base := 0.0
			if b, ok := m["base_version"].(float64); ok {
				base = b
			}
			if !lost {
				items = append(items, fmt.Sprintf(`{"index":%d,"status":"updated","version":%d,"position":%d}`, i, int(base)+1, 10+i))
				continue
			}
			bases = append(bases, fmt.Sprintf("%s:%d", m["id"].(string)[34:], int(base)))
			stands := map[string]int{idOf(1).String(): 1}[m["id"].(string)]
			switch {
			case int(base) == stands:
				items = append(items, fmt.Sprintf(`{"index":%d,"status":"updated","version":%d,"position":%d}`, i, stands+1, 10+i))
			case stands > 0:
				items = append(items, fmt.Sprintf(`{"index":%d,"status":"conflict","held_id":%q,"current":{"kind":"contractor","id":%q,"version":1,"record":{"name":"Old"}}}`, i, idOf(9), idOf(1)))
			default:
				items = append(items, fmt.Sprintf(`{"index":%d,"status":"conflict","held_id":%q}`, i, idOf(9)))
			}
		}
		epoch := epochOne
		if lost {
			epoch = epochTwo
		}
		return 207, fmt.Sprintf(`{"epoch":%q,"receipt":"r","received_at":"x","held_open_count":0,"jobs":[],"items":[%s]}`, epoch, strings.Join(items, ",")), nil
	}, &waited)
	write := func(n int, name string) {
		t.Helper()
		if err := d.Put(idOf(n), &domain.Contractor{Name: name}); err != nil {
			t.Fatal(err)
		}
		if err := d.Push(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
	write(1, "Old")
	write(1, "Middle")
	write(1, "New")    // version 3
	write(2, "First")  // version 1
	write(2, "Second") // version 2
	lost = true
	write(3, "Later")
	if d.Pending() != 0 || len(d.Troubles()) > 0 {
		t.Errorf("%d pending, troubles %v", d.Pending(), d.Troubles())
	}
	// Record 1 was sent on 2, then on the 1 that there is; record 2 on 1, then on 0.
	if got, want := fmt.Sprint(bases), "[01:2 02:1 03:0 01:1 02:0]"; got != want {
		t.Errorf("bases %s, want %s", got, want)
	}
}

// A lost phone deletes what was acknowledged and keeps what was not.
func TestALostPhoneKeepsUnsentWorkAlone(t *testing.T) {
	var waited []time.Duration
	lost := false
	d := scripted(t, func(_, _ string, body map[string]any) (int, string, error) {
		if lost {
			return 401, `{"status":401,"code":"device_revoked","detail":"reported lost"}`, nil
		}
		return 207, created(body, epochOne), nil
	}, &waited)
	if err := d.Put(idOf(1), &domain.Contractor{Name: "Sent"}); err != nil {
		t.Fatal(err)
	}
	if err := d.Push(context.Background()); err != nil {
		t.Fatal(err)
	}
	if err := d.Put(idOf(2), &domain.Contractor{Name: "Unsent"}); err != nil {
		t.Fatal(err)
	}
	lost = true
	if err := d.Sync(context.Background()); err == nil {
		t.Error("no error")
	}
	if _, _, there := d.Record(domain.ContractorKind, idOf(1)); there || d.Pending() != 1 {
		t.Errorf("acknowledged: %v, %d pending", there, d.Pending())
	}
}
