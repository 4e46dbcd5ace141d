package apitest

import (
	"io"
	"sync"
)

// locked lets many requests write one log.
type locked struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *locked) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}
