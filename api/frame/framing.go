package frame

import (
	"bytes"
	"context"
	"net"
	"net/http"
	"sync"

	"ductledger/domain"
)

// headListener keeps the bytes of each request's head until the request is
// served. The standard server drops a Content-Length that stands beside a
// Transfer-Encoding; a proxy before it may believe the other one, and see
// another request in the same bytes (RFC 9112 §6.1, §11.2).
type headListener struct {
	net.Listener
	most int // bytes kept
}

func (l headListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &headConn{Conn: c, most: l.most}, nil
}

type headConn struct {
	net.Conn
	most int

	mu    sync.Mutex
	head  []byte
	done  bool // the head is whole, or too long to be kept
	ready bool // for the next head, since the request's body was read whole
}

func (c *headConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.done && n > 0 {
		before := max(0, len(c.head)-3)
		c.head = append(c.head, b[:n]...)
		if end := bytes.Index(c.head[before:], []byte("\r\n\r\n")); end >= 0 {
			c.head, c.done = c.head[:before+end+2], true
		} else if len(c.head) > c.most {
			c.head, c.done = nil, true
		}
	}
	return n, err
}

// next waits for the head of the next request. It is told at the end of a
// request whose body was read whole, before its answer is out: then the next
// byte belongs to the next request. After other requests it is told when the
// server has read the rest.
func (c *headConn) next(whole bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.ready {
		c.head, c.done = nil, false
	}
	c.ready = whole
}

type headConnKey struct{}

// withHead lets a request find the head that came on its connection.
func withHead(ctx context.Context, c net.Conn) context.Context {
	return context.WithValue(ctx, headConnKey{}, c)
}

// nextHead is told of every change of a connection's state.
func nextHead(c net.Conn, state http.ConnState) {
	if head, ok := c.(*headConn); ok && state == http.StateIdle {
		head.next(false)
	}
}

// checkFraming refuses a body whose length is told in two ways. A head that is
// not known, because it came before the answer to the request before it, may
// have been such a one.
func checkFraming(r *http.Request) error {
	c, ok := r.Context().Value(headConnKey{}).(*headConn)
	if !ok || len(r.TransferEncoding) == 0 {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if !bytes.HasPrefix(c.head, []byte(r.Method+" "+r.RequestURI+" ")) {
		return domain.Errorf(domain.BadJSON, "a body in chunks is sent only after the answer to the request before it")
	}
	for line := range bytes.SplitSeq(c.head, []byte("\n")) {
		name, _, _ := bytes.Cut(line, []byte(":"))
		if bytes.EqualFold(bytes.TrimSpace(name), []byte("Content-Length")) {
			return domain.Errorf(domain.BadJSON, "Content-Length and Transfer-Encoding tell the length of the body in two ways")
		}
	}
	return nil
}

// bodyRead tells the connection that a request's body was read whole.
func bodyRead(r *http.Request) {
	if c, ok := r.Context().Value(headConnKey{}).(*headConn); ok {
		c.next(true)
	}
}
