package frame

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// served runs the frame on a real connection until stop is called.
func (f *testFrame) served(t *testing.T, lim Limits, drain time.Duration) (address string, stop func() error) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- serveUntil(ctx, newHTTPServer(f, lim, slog.New(slog.DiscardHandler)), ln, drain)
	}()
	return ln.Addr().String(), func() error { cancel(); return <-ended }
}

// raw sends bytes and reads one answer.
func raw(t *testing.T, address, text string) (*http.Response, string) {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	go func() { _, _ = io.WriteString(c, text) }() // a refusal may come before all is sent
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, _ := io.ReadAll(res.Body)
	return res, string(body)
}

func TestServer(t *testing.T) {
	f := newTestFrame(t, Limits{Monotonic: time.Now})
	address, stop := f.served(t, Limits{Monotonic: time.Now}, time.Minute)
	short := Limits{BodyTime: 200 * time.Millisecond, BodyTimeMost: 400 * time.Millisecond, Monotonic: time.Now}
	impatient := newTestFrame(t, short)
	impatientAddress, stopImpatient := impatient.served(t, short, time.Minute)
	head := "POST /v1/batches HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nAuthorization: Bearer " + f.field + "\r\n"
	for _, row := range []struct {
		name, text string
		status     int
		want       string
	}{
		{"push", head + "Content-Length: 12\r\n\r\n" + `{"items":[]}`, 207, "{}"},
		{"slow body", head + "Content-Length: 12\r\n\r\n" + `{"items"`, 408, string(domain.TooSlow)},
		{"length over the limit", head + "Content-Length: 2097153\r\n\r\n", 413, string(domain.TooLarge)},
		{"3 MiB chunked", head + "Transfer-Encoding: chunked\r\n\r\n" +
			strings.Repeat("100000\r\n"+strings.Repeat(" ", 1<<20)+"\r\n", 3) + "0\r\n\r\n", 413, string(domain.TooLarge)},
		{"length and chunked", head + "Content-Length: 12\r\nTransfer-Encoding: chunked\r\n\r\nc\r\n" + `{"items":[]}` + "\r\n0\r\n\r\n", 400, "Content-Length and Transfer-Encoding"},
		{"bad chunk", head + "Transfer-Encoding: chunked\r\n\r\nzz\r\n", 400, string(domain.BadJSON)},
		{"long header", head + "X-Long: " + strings.Repeat("x", 17<<10) + "\r\n\r\n", 431, string(domain.HeaderTooLarge)},
		{"endless header", head + "X-Long: " + strings.Repeat("x", 80<<10) + "\r\n\r\n", 431, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			at, text := address, row.text
			if row.status == 408 { // all others have the time that they need
				at, text = impatientAddress, strings.Replace(text, f.field, impatient.field, 1)
			}
			res, body := raw(t, at, text)
			if res.StatusCode != row.status || !strings.Contains(body, row.want) {
				t.Errorf("got %d %s", res.StatusCode, body)
			}
			if row.status != 207 && !res.Close {
				t.Error("the connection stays open")
			}
		})
	}
	if err := errors.Join(stop(), stopImpatient()); err != nil {
		t.Error(err)
	}
}

// A request under way when the end is asked for gets its answer, though its
// read deadline passed long before.
func TestDrain(t *testing.T) {
	lim := Limits{BodyTime: time.Millisecond, Monotonic: time.Now}
	f := newTestFrame(t, lim)
	address, stop := f.served(t, Limits{Monotonic: time.Now}, time.Minute)
	answered := make(chan string, 1)
	go func() {
		res, body := raw(t, address, "GET /v1/slow HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer "+f.staff+"\r\n\r\n")
		answered <- fmt.Sprint(res.StatusCode, " ", body)
	}()
	<-f.entered
	stopped := make(chan error, 1)
	go func() { stopped <- stop() }()
	for { // until no connection is taken any more
		c, err := net.Dial("tcp", address)
		if err != nil {
			break
		}
		c.Close()
	}
	close(f.release)
	if got := <-answered; !strings.HasPrefix(got, "507 ") {
		t.Errorf("got %s", got)
	}
	if err := <-stopped; err != nil {
		t.Error(err)
	}
}

func TestDrainCuts(t *testing.T) {
	f := newTestFrame(t, Limits{Monotonic: time.Now})
	address, stop := f.served(t, Limits{Monotonic: time.Now}, time.Nanosecond)
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET /v1/slow HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\n\r\n", f.staff)
	<-f.entered
	if err := stop(); err == nil || !strings.Contains(err.Error(), "cut") {
		t.Errorf("got %v", err)
	}
	if _, err := http.ReadResponse(bufio.NewReader(c), nil); err == nil {
		t.Error("a cut request was answered")
	}
	for !strings.Contains(f.log.String(), `"cut":true`) { // written by the request's own goroutine
		time.Sleep(time.Millisecond)
	}
}

func TestTimeLimitOfARoute(t *testing.T) {
	f := newTestFrame(t, Limits{})
	routes := f.routes()
	for i := range routes {
		routes[i].Timeout = time.Nanosecond
	}
	h, err := New(Config{Routes: routes, Operations: smallOperations(), Auth: f.auth, Now: f.clock.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	f.Handler = h
	p := wantProblem(t, f.call(t, "GET", "/v1/slow", f.staff, ""), 504, domain.TimeLimit)
	if !strings.Contains(p.Detail, "1e-09 s") {
		t.Errorf("the limit is not named: %s", p.Detail)
	}
}

func TestPacedBody(t *testing.T) {
	for _, row := range []struct {
		got  int64 // bytes
		want time.Duration
	}{
		{0, 30 * time.Second}, {30 << 10, 30 * time.Second}, {31 << 10, 31 * time.Second}, {119 << 10, 119 * time.Second}, {2 << 20, 120 * time.Second},
	} {
		p := pacedBody{lim: Limits{}.OrDefaults(), got: row.got}
		if p.allowed() != row.want {
			t.Errorf("%d bytes may take %s, want %s", row.got, p.allowed(), row.want)
		}
	}
}

func TestMaskSecrets(t *testing.T) {
	for in, want := range map[string]string{
		"plain":                        "plain",
		"a dl_abcdefgh234 b":           "a *** b",
		"DL_ABCDEFGH234":               "***",
		"postgres://u:p@h/d?x=1":       "postgres://***h/d?x=1",
		"host=h password='a b' user=u": "host=h password=*** user=u",
		"host=h password=abc user=u":   "host=h password=*** user=u",
		"https://example.org/dl_a":     "https://example.org/dl_a",
	} {
		if got := MaskSecrets(in); got != want {
			t.Errorf("%q became %q, want %q", in, got, want)
		}
	}
}
