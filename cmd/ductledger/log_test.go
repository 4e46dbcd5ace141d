package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
)

// stuck is a pipe that nobody reads until it is opened.
type stuck struct {
	entered, open chan struct{}
	bytes.Buffer
}

func (s *stuck) Write(b []byte) (int, error) {
	select {
	case s.entered <- struct{}{}:
	default:
	}
	<-s.open
	return s.Buffer.Write(b)
}

// A log that nobody reads stops nobody: what does not fit is dropped, counted,
// and told once somebody reads again.
func TestALogThatNobodyReads(t *testing.T) {
	to := &stuck{entered: make(chan struct{}, 1), open: make(chan struct{})}
	q := newLogQueue(to, len("line 0\n")*10)
	fmt.Fprintln(q, "line 0")
	<-to.entered // it is being written and waits no more in the queue
	for i := 1; i < 16; i++ {
		if n, err := fmt.Fprintf(q, "line %d\n", i%10); n != len("line 0\n") || err != nil {
			t.Fatal(n, err)
		}
	}
	if q.lost() != 5 {
		t.Errorf("%d lines are lost, want 5", q.lost())
	}
	close(to.open)
	q.end()
	q.end()
	fmt.Fprintln(q, "too late")
	got := to.String()
	if n := strings.Count(got, "line "); n != 11 || !strings.Contains(got, `"level":"WARN","msg":"log lines were dropped, since they were not read in time","count":5}`) {
		t.Errorf("%d lines: %s", n, got)
	}
	if q.lost() != 6 {
		t.Errorf("%d lines are lost in the end, want 6", q.lost())
	}
}

// A reader that has gone is no reason to end.
func TestALogWhoseReaderHasGone(t *testing.T) {
	from, to := io.Pipe()
	_ = from.Close()
	q := newLogQueue(to, logMost)
	fmt.Fprintln(q, "line")
	q.end()
	if q.lost() != 1 {
		t.Errorf("%d lines are lost, want 1", q.lost())
	}
}
