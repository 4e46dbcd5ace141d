package apitest

import (
	"bytes"
	"sync"
)

// Log is what the service wrote; requests may still be writing while a test reads.
type Log struct {
	mu      sync.Mutex
	written bytes.Buffer
}

func (l *Log) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.written.Write(b)
}

func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.written.String()
}
