package frame

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"
)

// Time limits of the connection, and the reserve for header fields beyond
// which the standard server refuses by itself, in plain text. Up to it the
// frame answers 431 with a problem.
const (
	readHeaderTime = 5 * time.Second
	idleTime       = 120 * time.Second
	headerReserve  = 4 // times Limits.HeaderBytes
	// newGrace is what a connection has to bring its first request when the end
	// was asked for.
	newGrace = time.Second
)

// newHTTPServer is the server with every time limit set. ReadTimeout and
// WriteTimeout are what a request gets before its route is known.
func newHTTPServer(h http.Handler, lim Limits, log *slog.Logger) *http.Server {
	lim = lim.OrDefaults()
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: readHeaderTime,
		ReadTimeout:       lim.BodyTime,
		WriteTimeout:      lim.WriteTime,
		IdleTimeout:       idleTime,
		MaxHeaderBytes:    headerReserve * lim.HeaderBytes,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// fresh are the connections that have not brought a whole head yet.
type fresh struct {
	mu    sync.Mutex
	conns map[net.Conn]struct{}
}

func (f *fresh) note(c net.Conn, state http.ConnState) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if state == http.StateNew {
		f.conns[c] = struct{}{}
	} else {
		delete(f.conns, c)
	}
}

func (f *fresh) close() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for c := range f.conns {
		_ = c.Close() // nothing was begun on it
	}
}

// serveUntil serves until ctx ends, then takes no new connections and lets
// requests under way finish, drain at most. What is cut then is an error, so
// that the program's exit says so.
func serveUntil(ctx context.Context, srv *http.Server, ln net.Listener, drain time.Duration) error {
	// Requests get a context that outlives ctx and ends when they are cut.
	requests, cut := context.WithCancel(context.WithoutCancel(ctx))
	defer cut()
	srv.BaseContext = func(net.Listener) context.Context { return requests }
	begun := &fresh{conns: map[net.Conn]struct{}{}}
	srv.ConnContext = withHead
	srv.ConnState = func(c net.Conn, state http.ConnState) {
		begun.note(c, state)
		nextHead(c, state)
	}
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(headListener{ln, srv.MaxHeaderBytes}) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve: %w", err)
	case <-ctx.Done():
	}
	patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
	defer cancel()
	defer time.AfterFunc(newGrace, begun.close).Stop()
	err := srv.Shutdown(patience)
	if errors.Is(err, context.DeadlineExceeded) {
		cut()
		srv.Close()
		err = fmt.Errorf("requests were still under way after %s and were cut", drain)
	}
	<-failed //nolint:errcheck // the goroutine of Serve has ended; all it says is that the server was closed
	return err
}
