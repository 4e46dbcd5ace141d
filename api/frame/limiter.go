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

// part is what each kind of work gets of the time of all places while all kinds
// wait, so that a flood of one starves no other; what a kind does not ask for is
// the others'. They are those of a mixed day, as cmd/faults load measures it.
var part = [...]float64{ShedPackages: 0.01, ShedStatistics: 0.02, ShedPages: 0.22, ShedLists: 0.16, ShedPushes: 0.59}

// own is how many of all places a kind of work takes before it is bounded by of:
// somewhat more than its part, or it would never come to it.
func (s shed) own(size int64) int64 { return share(size, 1.5*part[s]) }

// of is how much of all work may be under way when a request of this order
// begins that has no place of its own left: the fuller the service, the fewer
// kinds of work still enter, and the last quarter is kept for pushes. At least
// one, so that a small machine answers everything when idle.
func (s shed) of(size int64) int64 {
	part := [...]float64{ShedPackages: 0.25, ShedStatistics: 0.4, ShedPages: 0.55, ShedLists: 0.75, ShedPushes: 1}[s]
	return max(1, int64(float64(size)*part))
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

	mu    sync.Mutex
	used  usage
	lined [2]usage              // of those that come for the first time, and of those that go on
	at    [ShedPushes + 1]int64 // of used, by order of shedding
	// Who comes next is decided by weighted fair queueing: a kind's service is the
	// time of places that it had, by its part.
	service [ShedPushes + 1]float64
	typical [ShedPushes + 1]float64 // seconds of one place, lately
	clock   float64                 // the service of the kind that was let in last
	inLine  [2][ShedPushes + 1]int64
	since   [ShedPushes + 1]time.Time // when the line of those that come for the first time was empty last
	waiting *list.List                // of *waiter, in order of arrival
}

type waiter struct {
	*turn
	came time.Time
	in   chan struct{} // closed when its turn has come
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
	l := &limiter{name: name, lim: lim, size: size, queue: queue, used: usage{}, lined: [2]usage{{}, {}}, waiting: list.New()}
	for order := range l.typical {
		l.typical[order] = firstTypical
	}
	return l
}

// firstTypical is what one place is taken for, in seconds, while nothing is
// known; each that ends moves it by typicalStep.
const firstTypical, typicalStep = 0.02, 0.1

// share is a part of size, at least one.
func share(size int64, part float64) int64 { return max(1, int64(math.Ceil(float64(size)*part))) }

// A bound is what there is no room within.
type bound int

const (
	free bound = iota
	ofToken
	ofProgram
	ofAll
)

// full tells within what n more do not fit.
func (l *limiter) full(u usage, size, most int64, s sender, n int64) bound {
	switch {
	case !s.token.IsZero() && u[s.token]+n > share(size, l.lim.TokenShare):
		return ofToken
	case !s.program.IsZero() && u[s.program]+n > share(size, l.lim.ProgramShare):
		return ofProgram
	case u[domain.UUID{}]+n > most:
		return ofAll
	}
	return free
}

// refuse is what a sender is told for whom there is no room.
func (l *limiter) refuse(b bound) error {
	switch b {
	case ofToken:
		return overShare("token", l.name)
	case ofProgram:
		return overShare("program", l.name)
	}
	return overloaded(l.name+"_full", "the service has too many "+whatIs[l.name])
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

// fits tells whether one more work of an order fits.
func (l *limiter) fits(s sender, order shed) bool {
	most := order.of(l.size)
	if l.at[order] < order.own(l.size) {
		most = l.size
	}
	return l.full(l.used, l.size, most, s, 1) == free
}

// begin counts work, at what such work typically takes.
func (l *limiter) begin(t *turn) {
	l.used.add(t.sender, 1)
	l.at[t.order]++
	l.clock = max(l.clock, l.service[t.order])
	t.began, t.charged = l.lim.Monotonic(), l.typical[t.order]
	l.service[t.order] += t.charged / part[t.order]
}

// end sets right what it took.
func (l *limiter) end(t *turn) {
	l.mu.Lock()
	l.at[t.order]--
	took := l.lim.Monotonic().Sub(t.began).Seconds()
	l.service[t.order] += (took - t.charged) / part[t.order]
	l.typical[t.order] += typicalStep * (took - l.typical[t.order])
	l.mu.Unlock()
	l.give(t.sender, 1)
}

// arrive sees to it that a kind of which nobody waits, since it had all it asked
// for, is owed nothing from before.
func (l *limiter) arrive(order shed) {
	if l.inLine[0][order]+l.inLine[1][order] == 0 {
		l.service[order] = max(l.service[order], l.clock)
	}
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
	if b := l.full(l.used, l.size, l.size, s, n); b != free {
		return l.refuse(b)
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

// admitNext lets in a waiter of the kind that had the least of its part; of
// equals the one that is shed last; of one kind one that goes on, since what it
// has cost would be lost; then that of the program, then of the token, with the
// least under way; then who came first.
func (l *limiter) admitNext() bool {
	if l.used[domain.UUID{}] >= l.size {
		return false
	}
	var best *list.Element
	for e := l.waiting.Front(); e != nil; e = e.Next() {
		w := e.Value.(*waiter)
		if l.fits(w.sender, w.order) && (best == nil || l.before(w, best.Value.(*waiter))) {
			best = e
		}
	}
	if best == nil {
		return false
	}
	w := best.Value.(*waiter)
	l.leaveLine(best)
	l.begin(w.turn)
	close(w.in)
	return true
}

func (l *limiter) before(a, b *waiter) bool {
	if had, other := l.service[a.order], l.service[b.order]; had != other {
		return had < other
	}
	if a.order != b.order {
		return a.order > b.order
	}
	if a.again != b.again {
		return a.again > b.again
	}
	if pa, pb := l.used[a.sender.program], l.used[b.sender.program]; pa != pb {
		return pa < pb
	}
	return l.used[a.sender.token] < l.used[b.sender.token]
}

// enterLine puts a waiter at the end, if the line has room, of which each kind
// has its part.
func (l *limiter) enterLine(w *waiter) (*list.Element, error) {
	count := &l.inLine[w.again][w.order]
	b := l.full(l.lined[w.again], l.queue, l.queue, w.sender, 1)
	if b == free && *count >= share(l.queue, part[w.order]) {
		b = ofAll
	}
	if b != free {
		return nil, l.refuse(b)
	}
	if *count == 0 && w.again == 0 {
		l.since[w.order] = w.came
	}
	*count++
	l.lined[w.again].add(w.sender, 1)
	return l.waiting.PushBack(w), nil
}

func (l *limiter) leaveLine(place *list.Element) {
	w := place.Value.(*waiter)
	l.waiting.Remove(place)
	l.lined[w.again].add(w.sender, -1)
	l.inLine[w.again][w.order]--
}

// patience is how long a new waiter waits. A line that was never empty for so
// long does not pass: to wait long in it only makes everybody late.
func (l *limiter) patience(w *waiter) time.Duration {
	if most := l.lim.QueueWait / 2; w.came.Sub(l.since[w.order]) < most {
		return most
	}
	return l.lim.QueueWait / 10
}

// A turn is one request's right to work. It is taken and released as often as
// the request works: for the look-up of its token, then, its body read, for the
// work itself. All its waits together last QueueWait at most, the first half of
// that or less, so that who waited long is not let in only to be refused. Those that go
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

	began   time.Time // when it was taken
	charged float64   // to its kind, in seconds
}

// take waits for room.
func (t *turn) take(ctx context.Context) error {
	l := t.work
	l.mu.Lock()
	l.arrive(t.order)
	if l.fits(t.sender, t.order) {
		l.begin(t)
		l.mu.Unlock()
		t.held, t.again = true, 1
		return nil
	}
	w := &waiter{t, time.Now(), make(chan struct{})}
	place, err := l.enterLine(w)
	most := l.patience(w)
	l.mu.Unlock()
	if err != nil {
		return err
	}
	if t.again > 0 {
		most = l.lim.QueueWait - t.waited
	}
	patience := time.NewTimer(most)
	defer patience.Stop()
	select {
	case <-w.in:
		t.waited += time.Since(w.came)
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
		t.work.end(t)
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
