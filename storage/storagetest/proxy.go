package storagetest

import (
	"bytes"
	"io"
	"net"
	"net/url"
	"sync"
	"testing"

	"ductledger/storage"
)

// Proxy stands between a service and its Postgres, to break what is between
// them.
type Proxy struct {
	to    string
	gate  sync.RWMutex // held for writing while it hangs
	mu    sync.Mutex
	conns map[net.Conn]struct{}

	// answer is given once in place of the server's to a commit, which has
	// happened; then the connection is cut.
	answer []byte
	armed  bool
}

// Hang stops every byte until Resume. Connections stay open, new ones are
// taken.
func (p *Proxy) Hang() { p.gate.Lock() }

// Resume lets the bytes go on.
func (p *Proxy) Resume() { p.gate.Unlock() }

// AnswerCommit answers the next commit with these bytes, after the server has
// committed.
func (p *Proxy) AnswerCommit(message []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer, p.armed = message, true
}

// ErrorMessage is an error as the server sends it (PostgreSQL 17, 53.8
// ErrorResponse).
func ErrorMessage(severity, code, text string) []byte {
	var fields bytes.Buffer
	for _, f := range [][2]string{{"S", severity}, {"V", severity}, {"C", code}, {"M", text}} {
		fields.WriteString(f[0] + f[1] + "\x00")
	}
	fields.WriteByte(0)
	n := fields.Len() + 4
	return append([]byte{'E', byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)}, fields.Bytes()...)
}

// OpenBehind is Open with a Proxy before the database.
func OpenBehind(t testing.TB, options ...func(*storage.Options)) (*storage.DB, *Clock, *Proxy) {
	t.Helper()
	p := &Proxy{conns: map[net.Conn]struct{}{}}
	direct := URL(t)
	u, err := url.Parse(direct)
	if err != nil {
		t.Fatal(err)
	}
	p.to = u.Host
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	u.Host = ln.Addr().String()
	var running sync.WaitGroup
	running.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			running.Go(func() { p.serve(c) })
		}
	})
	t.Cleanup(func() { // after the database was closed
		_ = ln.Close()
		p.mu.Lock()
		for c := range p.conns {
			_ = c.Close()
		}
		p.mu.Unlock()
		running.Wait()
	})
	db, clock := openAt(t, u.String(), direct, options...)
	return db, clock, p
}

func (p *Proxy) serve(client net.Conn) {
	p.gate.RLock()
	server, err := net.Dial("tcp", p.to)
	p.gate.RUnlock()
	if err != nil {
		_ = client.Close()
		return
	}
	p.mu.Lock()
	p.conns[client], p.conns[server] = struct{}{}, struct{}{}
	p.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { p.pass(server, client, nil) })
	both.Go(func() { p.pass(client, server, p.commitAnswer) })
	both.Wait()
	p.mu.Lock()
	delete(p.conns, client)
	delete(p.conns, server)
	p.mu.Unlock()
}

// commitAnswer tells whether the bytes hold the server's word that it has
// committed, and what to say in its place.
func (p *Proxy) commitAnswer(b []byte) (message []byte, cut bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.armed || !bytes.Contains(b, []byte("COMMIT\x00")) { // a CommandComplete
		return nil, false
	}
	p.armed = false
	return p.answer, true
}

// pass copies until either side ends, and then ends both.
func (p *Proxy) pass(to io.WriteCloser, from io.ReadCloser, instead func([]byte) ([]byte, bool)) {
	defer func() { _, _ = to.Close(), from.Close() }()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		message, cut := buffer[:n], false
		if instead != nil {
			if other, now := instead(message); now {
				message, cut = other, true
			}
		}
		p.gate.RLock()
		_, failed := to.Write(message)
		p.gate.RUnlock()
		if err != nil || failed != nil || cut {
			return
		}
	}
}
