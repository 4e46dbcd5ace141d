package proxy

import (
	"testing"
	"time"
)

// 256 kbit/s are 32,000 bytes a second: what comes waits for what came before,
// over whatever connection, and a link that was idle begins anew.
func TestPace(t *testing.T) {
	var p pace
	began := time.Unix(0, 0)
	if at := p.passed(began, 1<<20); at != began {
		t.Errorf("without a bound a byte waits until %s", at)
	}
	p.set(256_000 / 8)
	for _, step := range []struct {
		come time.Duration
		n    int
		want time.Duration
	}{{0, 32_000, time.Second}, {0, 16_000, 1500 * time.Millisecond}, {time.Second, 0, 1500 * time.Millisecond}, {10 * time.Second, 32_000, 11 * time.Second}} {
		if at := p.passed(began.Add(step.come), step.n).Sub(began); at != step.want {
			t.Errorf("%d bytes after %s have passed after %s, want %s", step.n, step.come, at, step.want)
		}
	}
}
