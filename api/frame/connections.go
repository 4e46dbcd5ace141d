package frame

import (
	"net"
	"net/netip"
	"sync"

	"ductledger/domain"
)

// boundedListener closes at once what comes beyond the connections that may be
// open, in all and from one address.
type boundedListener struct {
	net.Listener
	most, ofAddress int

	mu   sync.Mutex
	open map[domain.UUID]int // by address
	all  int
}

func newBoundedListener(ln net.Listener, lim Limits) *boundedListener {
	return &boundedListener{Listener: ln, most: lim.Connections, ofAddress: int(share(int64(lim.Connections), lim.AddressShare)), open: map[domain.UUID]int{}}
}

// Accept gives the next connection for which there is room.
func (l *boundedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		address, _ := netip.ParseAddrPort(c.RemoteAddr().String())
		key := addressKey(address.Addr().Unmap())
		if l.enter(key) {
			return &boundedConn{Conn: c, leave: sync.OnceFunc(func() { l.leave(key) })}, nil
		}
		_ = c.Close() // nothing was read from it
	}
}

func (l *boundedListener) enter(key domain.UUID) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all >= l.most || l.open[key] >= l.ofAddress {
		return false
	}
	l.all++
	l.open[key]++
	return true
}

func (l *boundedListener) leave(key domain.UUID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.open[key]--; l.open[key] == 0 {
		delete(l.open, key)
	}
}

type boundedConn struct {
	net.Conn
	leave func()
}

// Close gives the room back.
func (c *boundedConn) Close() error {
	c.leave()
	return c.Conn.Close()
}
