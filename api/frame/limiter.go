package frame

import (
	"container/list"
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"ductledger/domain"
)

// shed is the order in which work is refused under overload.
type shed int

// From the first refused to the last.
const (
	ShedPackages shed = iota + 1
	ShedStatistics
	ShedPages
	ShedLists
	ShedPushes
)

// String is the class's name in metrics.
func (s shed) String() string {
	return [...]string{"", "packages", "statistics", "pages", "lists", "pushes"}[s]
}

// of is how much of all work may be under way when a request of this order
// begins: the fuller the service, the fewer kinds of work still enter, and the
// last quarter is kept for pushes. At least one, so that a small machine
// answers everything when idle.
func (s shed) of(size int64) int64 {
	share := map[shed]float64{ShedPackages: 0.25, ShedStatistics: 0.4, ShedPages: 0.55, ShedLists: 0.75}
	if part, ok := share[s]; ok {
		return max(1, int64(float64(size)*part))
	}
	return size
}

// A sender is who uses a part of what is bounded. Before the token is known to
// be good it is the token's digest, or the address.
type sender struct{ program, token domain.UUID }

// A limiter bounds what is under way at once: in all, of one program and of
// one token. What finds no room waits, in a line with the same shares.
type limiter struct {
	name  string // work, polls or body_memory
	lim   Limits
	size  int64
	queue int64 // 0: nothing waits

	mu      sync.Mutex
	used    usage
	lined   [2]usage   // of those that come for the first time, and of those that go on
	waiting *list.List // of *waiter, in order of arrival
}

type waiter struct {
	sender
	order shed
	again int           // 1: it has worked before and goes on
	in    chan struct{} // closed when its turn has come
}

// usage counts by program and token, and all under the zero id.
type usage map[domain.UUID]int64

func (u usage) add(s sender, n int64) {
	u.count(domain.UUID{}, n)
	if !s.program.IsZero() {
		u.count(s.program, n)
	}
	if !s.token.IsZero() {
		u.count(s.token, n)
	}
}

func (u usage) count(id domain.UUID, n int64) {
	if u[id] += n; u[id] == 0 {
		delete(u, id)
	}
}

// whatIs tells people what a limiter bounds.
var whatIs = map[string]string{"work": "requests under way", "polls": "requests that wait for news", "body_memory": "bodies under way"}

func newLimiter(name string, lim Limits, size, queue int64) *limiter {
	return &limiter{name: name, lim: lim, size: size, queue: queue, used: usage{}, lined: [2]usage{{}, {}}, waiting: list.New()}
}

// share is a part of size, at least one.
func share(size int64, part float64) int64 { return max(1, int64(math.Ceil(float64(size)*part))) }

// full tells why n more do not fit, or nothing.
func (l *limiter) full(u usage, size, most int64, s sender, n int64) error {
	switch {
	case !s.token.IsZero() && u[s.token]+n > share(size, l.lim.TokenShare):
		return overShare("token", l.name)
	case !s.program.IsZero() && u[s.program]+n > share(size, l.lim.ProgramShare):
		return overShare("program", l.name)
	case u[domain.UUID{}]+n > most:
		return overloaded(l.name+"_full", "the service has too many "+whatIs[l.name])
	}
	return nil
}

// A refusal is an error with the cause that metrics count.
type refusal struct {
	told  *domain.Error
	cause string
}

func (r *refusal) Error() string { return r.told.Error() }

func (r *refusal) Unwrap() error { return r.told }

func overloaded(cause, detail string) error {
	return &refusal{domain.Errorf(domain.Overloaded, "%s; send the same again later", detail), cause}
}

func overShare(policy, name string) error {
	return &refusal{&domain.Error{Code: domain.QuotaExceeded, RetryAfter: time.Second,
		Detail: fmt.Sprintf("this %s has too many %s; wait for an answer before the next", policy, whatIs[name]),
		Also:   map[string]any{"violated-policies": []string{policy}}}, name + "_share_of_" + policy}
}

// load is what is under way, and what waits.
func (l *limiter) load() (used, lined int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.used[domain.UUID{}], l.lined[0][domain.UUID{}] + l.lined[1][domain.UUID{}]
}

// add takes n without waiting.
func (l *limiter) add(s sender, n int64) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if err := l.full(l.used, l.size, l.size, s, n); err != nil {
		return err
	}
	l.used.add(s, n)
	return nil
}

// give gives n back; who waits moves up.
func (l *limiter) give(s sender, n int64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.used.add(s, -n)
	for l.admitNext() { //nolint:revive // until nobody fits
	}
}

// admitNext lets in the waiter that is shed last; of equals one that goes on,
// since what it has cost would be lost; then that of the program, then of the
// token, with the least under way; then who came first.
func (l *limiter) admitNext() bool {
	var best *list.Element
	for e := l.waiting.Front(); e != nil; e = e.Next() {
		w := e.Value.(*waiter)
		if l.full(l.used, l.size, w.order.of(l.size), w.sender, 1) == nil && (best == nil || l.before(w, best.Value.(*waiter))) {
			best = e
		}
	}
	if best == nil {
		return false
	}
	w := best.Value.(*waiter)
	l.leaveLine(best)
	l.used.add(w.sender, 1)
	close(w.in)
	return true
}

func (l *limiter) before(a, b *waiter) bool {
	if a.order != b.order {
		return a.order > b.order
	}
	if a.again != b.again {
		return a.again > b.again
	}
	if pa, pb := l.used[a.program], l.used[b.program]; pa != pb {
		return pa < pb
	}
	return l.used[a.token] < l.used[b.token]
}

func (l *limiter) leaveLine(place *list.Element) {
	w := place.Value.(*waiter)
	l.waiting.Remove(place)
	l.lined[w.again].add(w.sender, -1)
}

// A turn is one request's right to work. It is taken and released as often as
// the request works: for the look-up of its token, then, its body read, for the
// work itself. All its waits together last QueueWait at most, the first half of
// that, so that who waited long is not let in only to be refused. Those that go
// on have a line of their own: who comes new neither fills it nor goes before.
type turn struct {
	work   *limiter
	polls  *limiter
	gone   context.Context // ends when the client has gone
	sender sender
	order  shed
	held   bool
	again  int // 1: it was held before
	waited time.Duration
}

// take waits for room.
func (t *turn) take(ctx context.Context) error {
	l := t.work
	l.mu.Lock()
	if l.full(l.used, l.size, t.order.of(l.size), t.sender, 1) == nil {
		l.used.add(t.sender, 1)
		l.mu.Unlock()
		t.held, t.again = true, 1
		return nil
	}
	lined := l.lined[t.again]
	if err := l.full(lined, l.queue, l.queue, t.sender, 1); err != nil {
		l.mu.Unlock()
		return err
	}
	w := &waiter{t.sender, t.order, t.again, make(chan struct{})}
	place := l.waiting.PushBack(w)
	lined.add(t.sender, 1)
	l.mu.Unlock()

	began := time.Now()
	most := l.lim.QueueWait / 2
	if t.again > 0 {
		most = l.lim.QueueWait - t.waited
	}
	patience := time.NewTimer(most)
	defer patience.Stop()
	var err error
	select {
	case <-w.in:
		t.waited += time.Since(began)
		t.held, t.again = true, 1
		return nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-patience.C:
		err = overloaded("work_wait", "the service is busy with other requests")
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case <-w.in: // its turn came in the same moment
		t.held, t.again = true, 1
		return nil
	default:
		l.leaveLine(place)
		return err
	}
}

// release ends the work, for now or for good.
func (t *turn) release() {
	if t.held {
		t.held = false
		t.work.give(t.sender, 1)
	}
}

// aside runs wait without keeping others from working.
func (t *turn) aside(ctx context.Context, wait func(context.Context) error) error {
	if err := t.polls.add(t.sender, 1); err != nil {
		return err
	}
	defer t.polls.give(t.sender, 1)
	t.release()
	waits, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(t.gone, cancel)()
	if err := wait(waits); err != nil {
		return err
	}
	t.waited = 0 // it was not the service that let it wait
	return t.take(ctx)
}
