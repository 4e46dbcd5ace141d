package main

import (
	"bytes"
	"io"
	"log/slog"
	"sync"
	"time"
)

// newLog writes one JSON object a line.
func newLog(w io.Writer, level slog.Level) *slog.Logger {
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
}

// logQueue stands between a service and who reads its log. Whoever reads slowly,
// or not at all, loses lines, which are counted, and does not stop the service: a
// pipe that is full lets each write wait.
type logQueue struct {
	to   io.Writer
	most int // bytes that wait

	mu      sync.Mutex
	more    sync.Cond // something waits, or it is to end
	lines   [][]byte
	size    int
	dropped int // since the start
	told    int // of them, by a line
	ending  bool
	ended   chan struct{}
}

const (
	logMost    = 4 << 20         // some 7,000 lines
	logEndTime = 2 * time.Second // for the last lines when the service ends
)

func newLogQueue(to io.Writer, most int) *logQueue {
	q := &logQueue{to: to, most: most, ended: make(chan struct{})}
	q.more.L = &q.mu
	go q.pass()
	return q
}

// Write takes a line, or drops it.
func (q *logQueue) Write(line []byte) (int, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.ending || q.size+len(line) > q.most {
		q.dropped++
		return len(line), nil
	}
	q.lines, q.size = append(q.lines, bytes.Clone(line)), q.size+len(line)
	q.more.Signal()
	return len(line), nil
}

// lost is how many lines were dropped.
func (q *logQueue) lost() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.dropped
}

// next waits for a line, and says how many were dropped before the reader was
// there again.
func (q *logQueue) next() (line []byte, dropped int, more bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for len(q.lines) == 0 && q.dropped == q.told {
		if q.ending {
			return nil, 0, false
		}
		q.more.Wait()
	}
	dropped = q.dropped - q.told
	q.told = q.dropped
	if len(q.lines) > 0 {
		line, q.lines = q.lines[0], q.lines[1:]
		q.size -= len(line)
	}
	return line, dropped, true
}

func (q *logQueue) pass() {
	defer close(q.ended)
	own := newLog(q.to, slog.LevelInfo)
	for {
		line, dropped, more := q.next()
		if !more {
			return
		}
		if dropped > 0 {
			own.Warn("log lines were dropped, since they were not read in time", "count", dropped)
		}
		if _, err := q.to.Write(line); err != nil {
			q.mu.Lock()
			q.dropped++ // whom to tell?
			q.told++
			q.mu.Unlock()
		}
	}
}

// end passes on what waits, if it is read in time.
func (q *logQueue) end() {
	q.mu.Lock()
	q.ending = true
	q.more.Signal()
	q.mu.Unlock()
	select {
	case <-q.ended:
	case <-time.After(logEndTime):
	}
}
