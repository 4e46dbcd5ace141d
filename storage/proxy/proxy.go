// Package proxy stands between a client and its server and breaks what is
// between them: bytes stop, are late, are cut off in the middle, or come twice.
// Tests and the fault program hang, cut and heal it; what happens by chance is
// decided by functions that they hand in.
package proxy

import (
	"bytes"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Proxy passes TCP connections on to another address.
type Proxy struct {
	ln      net.Listener
	to      atomic.Pointer[string]
	trouble atomic.Pointer[Trouble]
	gate    sync.RWMutex // held for writing while it hangs
	running sync.WaitGroup
	waiting atomic.Int64 // connections whose client waits for an answer
	there   pace         // of all bytes to the server
	back    pace         // of those from it

	mu    sync.Mutex
	conns map[net.Conn]struct{}

	// answer is given once in place of the server's to a commit, which has
	// happened; then the connection is cut.
	answer []byte
	armed  bool
}

// Trouble is what happens by itself.
type Trouble struct {
	// Chunk tells what becomes of the bytes of one read, on their way to the
	// server or back.
	Chunk func(toServer bool) Fate
	// Copies tells how what a client sends over a new connection is delivered.
	Copies func() Copies
}

// Fate is what becomes of some bytes: they are late, or half of them pass and
// then the connection is cut.
type Fate struct {
	Delay time.Duration
	Cut   bool
}

// Copies is how often the server gets what a client sends.
type Copies int

// The ways.
const (
	Once         Copies = iota
	TwiceAtOnce         // over two connections at a time
	TwiceOneLate        // again after the client's connection has ended
)

// Listen begins to pass connections on to an address, from a free port of this
// machine.
func Listen(to string) (*Proxy, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &Proxy{ln: ln, conns: map[net.Conn]struct{}{}}
	p.Point(to)
	p.Heal()
	p.running.Go(func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			p.running.Go(func() { p.serve(c) })
		}
	})
	return p, nil
}

// Address is where it listens.
func (p *Proxy) Address() string { return p.ln.Addr().String() }

// Point has new connections go to another address.
func (p *Proxy) Point(to string) { p.to.Store(&to) }

// Break lets trouble happen by itself until Heal.
func (p *Proxy) Break(t Trouble) { p.trouble.Store(&t) }

// Heal ends what Break began.
func (p *Proxy) Heal() {
	p.trouble.Store(&Trouble{Chunk: func(bool) Fate { return Fate{} }, Copies: func() Copies { return Once }})
}

// Slow lets so many bytes a second pass, each way, over all connections together.
func (p *Proxy) Slow(bytesPerSecond int64) {
	p.there.set(bytesPerSecond)
	p.back.set(bytesPerSecond)
}

// pace is how fast bytes pass one way; zero lets them pass at once.
type pace struct {
	mu        sync.Mutex
	perSecond int64
	free      time.Time // when all that came before has passed
}

func (p *pace) set(perSecond int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.perSecond = perSecond
}

// passed is when n bytes that come now have passed, one after the other.
func (p *pace) passed(now time.Time, n int) time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.perSecond == 0 {
		return now
	}
	if p.free.Before(now) {
		p.free = now
	}
	p.free = p.free.Add(time.Duration(int64(n) * int64(time.Second) / p.perSecond))
	return p.free
}

// Hang stops every byte until Resume. Connections stay open, new ones are
// taken.
func (p *Proxy) Hang() { p.gate.Lock() }

// Resume lets the bytes go on.
func (p *Proxy) Resume() { p.gate.Unlock() }

// Waiting counts the connections whose client has sent something and has got
// nothing since.
func (p *Proxy) Waiting() int64 { return p.waiting.Load() }

// Cut ends every connection.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		_ = c.Close()
	}
}

// Close ends it; it must not hang.
func (p *Proxy) Close() {
	_ = p.ln.Close()
	p.Cut()
	p.running.Wait()
}

// AnswerCommit answers the next commit with these bytes, after the server has
// committed.
func (p *Proxy) AnswerCommit(message []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answer, p.armed = message, true
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

// PostgresError is an error as the server sends it (PostgreSQL 17, 53.8
// ErrorResponse).
func PostgresError(severity, code, text string) []byte {
	var fields bytes.Buffer
	for _, f := range [][2]string{{"S", severity}, {"V", severity}, {"C", code}, {"M", text}} {
		fields.WriteString(f[0] + f[1] + "\x00")
	}
	fields.WriteByte(0)
	n := fields.Len() + 4
	return append([]byte{'E', byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)}, fields.Bytes()...)
}

// dial connects to the server and keeps the connection where Cut finds it.
func (p *Proxy) dial() (net.Conn, error) {
	p.gate.RLock()
	c, err := net.Dial("tcp", *p.to.Load())
	p.gate.RUnlock()
	if err == nil {
		p.keep(c)
	}
	return c, err
}

func (p *Proxy) keep(c net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.conns[c] = struct{}{}
}

func (p *Proxy) end(c net.Conn) {
	_ = c.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.conns, c)
}

// link is one client's connection.
type link struct {
	*Proxy
	client, server, second net.Conn
	sent                   *bytes.Buffer // what is delivered again; nil: nothing
	waits                  atomic.Bool
}

// mostAgain is how much of a connection is delivered again, in bytes; one that
// sent more is not.
const mostAgain = 1 << 20

// againTime is how long the connection stays on which it is delivered again.
const againTime = 2 * time.Second

func (p *Proxy) serve(client net.Conn) {
	p.keep(client)
	defer p.end(client)
	server, err := p.dial()
	if err != nil {
		return
	}
	defer p.end(server)
	l := &link{Proxy: p, client: client, server: server}
	var all sync.WaitGroup
	switch p.trouble.Load().Copies() {
	case TwiceAtOnce:
		if l.second, err = p.dial(); err == nil {
			defer p.end(l.second)
			all.Go(func() { _, _ = io.Copy(io.Discard, l.second) })
		}
	case TwiceOneLate:
		l.sent = &bytes.Buffer{}
	}
	all.Go(func() { l.pass(true) })
	all.Go(func() { l.pass(false) })
	all.Wait()
	if l.waits.Swap(false) {
		p.waiting.Add(-1)
	}
	if l.sent != nil && l.sent.Len() <= mostAgain {
		l.again()
	}
}

// again delivers what the client sent once more; nobody waits for the answer.
func (l *link) again() {
	c, err := l.dial()
	if err != nil {
		return
	}
	defer l.end(c)
	_ = c.SetDeadline(time.Now().Add(againTime)) //nolint:forbidigo // a network's deadline is of the real clock
	if _, err := c.Write(l.sent.Bytes()); err != nil {
		return
	}
	_, _ = io.Copy(io.Discard, c)
}

// pass copies one way until either side ends, and then ends both.
func (l *link) pass(toServer bool) {
	from, to, pace := l.server, l.client, &l.back
	if toServer {
		from, to, pace = l.client, l.server, &l.there
	}
	defer func() {
		_, _ = l.client.Close(), l.server.Close()
		if l.second != nil && toServer {
			_ = l.second.Close()
		}
	}()
	buffer := make([]byte, 32<<10)
	for {
		n, err := from.Read(buffer)
		message, fate := buffer[:n], Fate{}
		if n > 0 {
			fate = l.trouble.Load().Chunk(toServer)
		}
		if toServer {
			l.noteSent(message)
		} else if l.waits.Swap(false) {
			l.waiting.Add(-1)
		}
		if fate.Cut {
			message = message[:n/2]
		}
		if !toServer {
			if other, now := l.commitAnswer(message); now {
				message, fate = other, Fate{Cut: true}
			}
		}
		time.Sleep(fate.Delay)
		now := time.Now() //nolint:forbidigo // a network's time is the real clock's
		time.Sleep(pace.passed(now, len(message)).Sub(now))
		l.gate.RLock()
		_, failed := to.Write(message)
		if l.second != nil && toServer {
			_, _ = l.second.Write(message)
		}
		l.gate.RUnlock()
		if err != nil || failed != nil || fate.Cut {
			return
		}
	}
}

// noteSent keeps what the client sent, for a second delivery.
func (l *link) noteSent(message []byte) {
	if len(message) == 0 {
		return
	}
	if !l.waits.Swap(true) {
		l.waiting.Add(1)
	}
	if l.sent != nil && l.sent.Len() <= mostAgain {
		l.sent.Write(message)
	}
}
