package frame

import (
	"bufio"
	"bytes"
	"crypto/rand"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

// X-Forwarded-For is believed from right to left, and only as far as named
// proxies wrote it.
func TestClientAddress(t *testing.T) {
	proxies := []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("::1/128")}
	for _, row := range []struct {
		remote, forwarded string
		trusted           []netip.Prefix
		want              string
	}{
		{"192.0.2.1:5", "", nil, "192.0.2.1"},
		{"192.0.2.1:5", "203.0.113.9", nil, "192.0.2.1"},
		{"192.0.2.1:5", "203.0.113.9", proxies, "192.0.2.1"},
		{"10.1.1.1:5", "203.0.113.9", proxies, "203.0.113.9"},
		{"10.1.1.1:5", "6.6.6.6, 203.0.113.9", proxies, "203.0.113.9"},
		{"10.1.1.1:5", "6.6.6.6, 203.0.113.9, 10.2.2.2", proxies, "203.0.113.9"},
		{"10.1.1.1:5", "6.6.6.6, nonsense", proxies, "10.1.1.1"},
		{"10.1.1.1:5", "", proxies, "10.1.1.1"},
		{"[::1]:5", "2001:db8::7", proxies, "2001:db8::7"},
		{"[::ffff:10.1.1.1]:5", "203.0.113.9", proxies, "203.0.113.9"},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = row.remote
		if row.forwarded != "" {
			r.Header.Set("X-Forwarded-For", row.forwarded)
		}
		if got := clientAddress(r, row.trusted).String(); got != row.want {
			t.Errorf("%+v: got %s", row, got)
		}
	}
	a, b, c := netip.MustParseAddr("2001:db8::1"), netip.MustParseAddr("2001:db8::ffff"), netip.MustParseAddr("2001:db8:0:1::1")
	if addressKey(a) != addressKey(b) || addressKey(a) == addressKey(c) {
		t.Error("addresses of IPv6 are not taken by the 2^64 of one network")
	}
}

// Tokens that nobody knows are looked up a few times for one address, whatever
// it says of itself; a token that was good before is served all the time.
func TestUnknownTokensAreSlowedByAddress(t *testing.T) {
	f := newTestFrame(t, Limits{UnknownRate: 1, UnknownBurst: 5})
	get := func(token, address, forwarded string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("GET", "/v1/ducts", nil)
		r.RemoteAddr = address
		r.Header.Set("Authorization", "Bearer "+token)
		r.Header.Set("X-Forwarded-For", forwarded)
		w := httptest.NewRecorder()
		f.ServeHTTP(w, r)
		return w
	}
	unknown := func() string {
		token, _, err := NewToken(programA, rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	for range 20 { // good ones cost the address nothing
		if w := get(f.staff, "192.0.2.1:1", ""); w.Code != 200 {
			t.Fatal(w.Code)
		}
	}
	f.auth.lookups = 0
	for i := range 1000 {
		w := get(unknown(), fmt.Sprintf("192.0.2.1:%d", i), fmt.Sprintf("203.0.113.%d", i%250))
		if i < 5 {
			wantProblem(t, w, 401, domain.Unauthorized)
			continue
		}
		wantProblem(t, w, 429, domain.QuotaExceeded)
		if w.Header().Get("Retry-After") == "" {
			t.Fatal("429 without Retry-After")
		}
	}
	if f.auth.lookups != 5 {
		t.Errorf("%d look-ups of 1000 unknown tokens", f.auth.lookups)
	}
	if w := get(f.staff, "192.0.2.1:1", ""); w.Code != 200 {
		t.Errorf("a known token of the same address got %d", w.Code)
	}
	if w := get(f.other, "192.0.2.2:1", ""); w.Code != 200 {
		t.Errorf("another address got %d", w.Code)
	}
	f.clock.advance(time.Second)
	wantProblem(t, get(unknown(), "192.0.2.1:1", ""), 401, domain.Unauthorized)
}

// Bodies whose length is told in two ways are refused wherever they stand on a
// connection; bodies in chunks go on as before.
func TestFraming(t *testing.T) {
	f := newTestFrame(t, Limits{Monotonic: time.Now})
	address, stop := f.served(t, Limits{Monotonic: time.Now}, time.Minute)
	defer func() {
		if err := stop(); err != nil {
			t.Error(err)
		}
	}()
	head := "POST /v1/batches HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nAuthorization: Bearer " + f.field + "\r\n"
	const chunked = "Transfer-Encoding: chunked\r\n\r\nc\r\n" + `{"items":[]}` + "\r\n0\r\n\r\n"
	whole := head + "Content-Length: 12\r\n\r\n" + `{"items":[]}`
	both := head + "Content-Length: 12\r\n" + chunked
	for _, row := range []struct {
		name  string
		sends []string // each after the answer to the one before
		want  []int
	}{
		{"chunks again and again", []string{head + chunked, head + chunked, whole, head + chunked}, []int{207, 207, 207, 207}},
		{"both", []string{both}, []int{400}},
		{"both, later", []string{whole, head + chunked, both}, []int{207, 207, 400}},
		{"both, the other way round", []string{head + strings.Replace(chunked, "chunked\r\n", "chunked\r\nContent-Length: 12\r\n", 1)}, []int{400}},
		{"both, in other letters", []string{head + "content-LENGTH: 12\r\n" + chunked}, []int{400}},
		{"both, with bare line ends", []string{strings.ReplaceAll(head+"Content-Length: 12\r\n", "\r\n", "\n") + strings.Replace(chunked, "\r\n\r\n", "\n\n", 1)}, []int{400}},
		{"both, with a long head", []string{head + "X-Long: " + strings.Repeat("x", 9<<10) + "\r\nContent-Length: 12\r\n" + chunked}, []int{400}},
		{"both, before the answer", []string{whole + both}, []int{207, 400}},
	} {
		t.Run(row.name, func(t *testing.T) {
			c, err := net.Dial("tcp", address)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			answers := bufio.NewReader(c)
			for i, want := range row.want {
				if i < len(row.sends) {
					if _, err := io.WriteString(c, row.sends[i]); err != nil {
						t.Fatal(err)
					}
				}
				got, err := http.ReadResponse(answers, nil)
				if err != nil {
					t.Fatal(err)
				}
				body, _ := io.ReadAll(got.Body)
				got.Body.Close()
				if got.StatusCode != want || want == 400 && (!got.Close || !bytes.Contains(body, []byte("bad_json"))) {
					t.Errorf("answer %d is %d, want %d: %s", i, got.StatusCode, want, body)
				}
			}
		})
	}
}

// Beyond its share an address finds no room, until it closes a connection.
func TestConnectionsAreBounded(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := newBoundedListener(inner, Limits{Connections: 6}.OrDefaults())
	taken := make(chan net.Conn, 10)
	go func() {
		defer close(taken)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			taken <- c
		}
	}()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	for range 3 {
		dial()
	}
	first := <-taken
	if _, err := dial().Read(make([]byte, 1)); err == nil {
		t.Error("a fourth of six was not closed")
	}
	first.Close()
	first.Close() // once only
	dial()
	for range 3 {
		<-taken
	}
	if l.all != 3 || len(l.open) != 1 {
		t.Errorf("%d are counted as open", l.all)
	}
	inner.Close()
	if _, more := <-taken; more {
		t.Error("another was taken")
	}
}

// Browsers are told to keep to TLS only over TLS: our own, or that of a proxy
// that the operator named.
func TestTransportPolicy(t *testing.T) {
	for _, row := range []struct {
		secure        bool
		remote, proto string
		want          bool
	}{
		{false, "192.0.2.1:5", "", false},
		{false, "192.0.2.1:5", "https", false},
		{false, "10.1.1.1:5", "http", false},
		{false, "10.1.1.1:5", "https", true},
		{true, "192.0.2.1:5", "", true},
	} {
		f := &frame{Config: Config{Secure: row.secure, Proxies: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}}}
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = row.remote
		r.Header.Set("X-Forwarded-Proto", row.proto)
		if f.secure(r) != row.want {
			t.Errorf("%+v", row)
		}
	}
}
