package frame

import (
	"log/slog"
	"sync"
	"time"
)

// refusals are told to the log one by one while they are few, and else by their
// number: a service that is flooded has no time for a line each, and nobody would
// read them.
type refusals struct {
	log *slog.Logger

	mu     sync.Mutex
	shown  int
	counts map[[2]string]int // by order of shedding and cause
	timer  *time.Timer       // set while some may have to be told
}

// Of refusals refusalsShown have a line of their own in each refusalsInterval.
const (
	refusalsShown    = 5
	refusalsInterval = 10 * time.Second
)

// show says whether a refusal gets a line of its own, and counts it where not.
func (r *refusals) show(class, cause string) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.timer == nil {
		r.shown, r.counts = 0, map[[2]string]int{}
		r.timer = time.AfterFunc(refusalsInterval, r.tell)
	}
	if r.shown < refusalsShown {
		r.shown++
		return true
	}
	r.counts[[2]string{class, cause}]++
	return false
}

// tell writes the numbers.
func (r *refusals) tell() {
	r.mu.Lock()
	if r.timer != nil {
		r.timer.Stop()
	}
	counts := r.counts
	r.timer, r.counts = nil, nil
	r.mu.Unlock()
	for what, n := range counts {
		r.log.Warn("more requests were refused", "class", what[0], "cause", what[1], "count", n)
	}
}
