package api

import (
	"cmp"
	"container/list"
	"context"
	"sync"
	"time"

	"ductledger/domain"
)

// limits are the frame's bounds. Zero values are replaced by defaultLimits.
type limits struct {
	TokenRate, ProgramRate   float64       // requests per second, averaged
	TokenBurst, ProgramBurst int           // requests at once
	Limiters                 int           // callers whose rate is remembered
	Slots                    int           // handlers at work at once
	Queue                    int           // requests waiting for a slot
	QueueWait                time.Duration // longest wait for a slot
	Reading                  int           // bodies being read at once
	Aside                    int           // handlers waiting for news at once
	BodyBytes                int64         // of a body, after inflating
	HeaderBytes              int           // of a request's header fields
	BodyTime, BodyTimeMost   time.Duration // to bring a body; BodyTimeMost at BodyRate or more
	BodyRate                 int64         // bytes per second
	WriteTime                time.Duration // to take an answer, after the route's time limit
	CompressFrom             int           // bytes; smaller answers are not compressed

	Monotonic func() time.Time // for rates and time limits; time.Now when nil
}

// defaultLimits serve an agency with some hundred devices on two cores: a
// device at 60 s between pulls needs 0.02 requests a second, so the rates stop
// loops and not people.
func defaultLimits() limits {
	return limits{
		TokenRate: 50, TokenBurst: 500,
		ProgramRate: 500, ProgramBurst: 2000,
		Limiters: 10_000,
		Slots:    32, Queue: 256, QueueWait: 2 * time.Second,
		Reading: 256, Aside: 2000,
		BodyBytes: 2 << 20, HeaderBytes: 16 << 10,
		BodyTime: 30 * time.Second, BodyTimeMost: 120 * time.Second, BodyRate: 1 << 10,
		WriteTime:    60 * time.Second,
		CompressFrom: 1 << 10,
		Monotonic:    time.Now,
	}
}

// orDefaults fills in what is zero.
func (l limits) orDefaults() limits {
	d := defaultLimits()
	if l.Monotonic == nil {
		l.Monotonic = d.Monotonic
	}
	return limits{
		TokenRate: cmp.Or(l.TokenRate, d.TokenRate), TokenBurst: cmp.Or(l.TokenBurst, d.TokenBurst),
		ProgramRate: cmp.Or(l.ProgramRate, d.ProgramRate), ProgramBurst: cmp.Or(l.ProgramBurst, d.ProgramBurst),
		Limiters: cmp.Or(l.Limiters, d.Limiters),
		Slots:    cmp.Or(l.Slots, d.Slots), Queue: cmp.Or(l.Queue, d.Queue), QueueWait: cmp.Or(l.QueueWait, d.QueueWait),
		Reading: cmp.Or(l.Reading, d.Reading), Aside: cmp.Or(l.Aside, d.Aside),
		BodyBytes: cmp.Or(l.BodyBytes, d.BodyBytes), HeaderBytes: cmp.Or(l.HeaderBytes, d.HeaderBytes),
		BodyTime: cmp.Or(l.BodyTime, d.BodyTime), BodyTimeMost: cmp.Or(l.BodyTimeMost, d.BodyTimeMost),
		BodyRate: cmp.Or(l.BodyRate, d.BodyRate), WriteTime: cmp.Or(l.WriteTime, d.WriteTime),
		CompressFrom: cmp.Or(l.CompressFrom, d.CompressFrom),
		Monotonic:    l.Monotonic,
	}
}

// shed is the order in which work is refused under overload.
type shed int

// From the first refused to the last.
const (
	shedPackages shed = iota + 1
	shedStatistics
	shedPages
	shedLists
	shedPushes
)

// slotsOf is how many of all slots may be taken when a request of this order
// begins: the fuller the service, the fewer kinds of work still enter, and the
// last quarter is kept for pushes. At least one each, so that a small machine
// answers everything when idle.
func (s shed) slotsOf(slots int) int {
	share := map[shed]float64{shedPackages: 0.25, shedStatistics: 0.4, shedPages: 0.55, shedLists: 0.75}
	if part, ok := share[s]; ok {
		return max(1, int(float64(slots)*part))
	}
	return slots
}

// gate bounds how many handlers work at once.
type gate struct {
	lim limits

	mu      sync.Mutex
	busy    int
	aside   int
	waiting *list.List // of *waiter, in order of arrival
}

type waiter struct {
	order shed
	in    chan struct{} // closed when the slot is given
}

// slot is the right to work, for one request.
type slot struct {
	gate  *gate
	order shed
	held  bool
}

func newGate(lim limits) *gate { return &gate{lim: lim, waiting: list.New()} }

func overloaded(what string) error {
	return domain.Errorf(domain.Overloaded, "%s; send the same again later", what)
}

// enter waits for a slot, QueueWait at most.
func (g *gate) enter(ctx context.Context, order shed) (*slot, error) {
	s := &slot{gate: g, order: order}
	return s, s.take(ctx)
}

func (s *slot) take(ctx context.Context) error {
	g := s.gate
	g.mu.Lock()
	if g.busy < s.order.slotsOf(g.lim.Slots) {
		g.busy++
		g.mu.Unlock()
		s.held = true
		return nil
	}
	if g.waiting.Len() >= g.lim.Queue {
		g.mu.Unlock()
		return overloaded("too many requests are waiting")
	}
	w := &waiter{s.order, make(chan struct{})}
	place := g.waiting.PushBack(w)
	g.mu.Unlock()

	patience := time.NewTimer(g.lim.QueueWait)
	defer patience.Stop()
	var err error
	select {
	case <-w.in:
		s.held = true
		return nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-patience.C:
		err = overloaded("the service is busy with other requests")
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	select {
	case <-w.in: // given in the same moment
		s.held = true
		return nil
	default:
		g.waiting.Remove(place)
		return err
	}
}

// leave gives the slot back, to the waiter that is shed last and came first.
func (s *slot) leave() {
	if !s.held {
		return
	}
	s.held = false
	g := s.gate
	g.mu.Lock()
	defer g.mu.Unlock()
	g.busy--
	var best *list.Element
	for e := g.waiting.Front(); e != nil; e = e.Next() {
		w := e.Value.(*waiter)
		fits := g.busy < w.order.slotsOf(g.lim.Slots)
		if fits && (best == nil || w.order > best.Value.(*waiter).order) {
			best = e
		}
	}
	if best != nil {
		g.waiting.Remove(best)
		g.busy++
		close(best.Value.(*waiter).in)
	}
}

func (s *slot) aside(ctx context.Context, wait func(context.Context) error) error {
	g := s.gate
	g.mu.Lock()
	if g.aside >= g.lim.Aside {
		g.mu.Unlock()
		return overloaded("too many requests wait for news")
	}
	g.aside++
	g.mu.Unlock()
	defer func() {
		g.mu.Lock()
		g.aside--
		g.mu.Unlock()
	}()
	s.leave()
	if err := wait(ctx); err != nil {
		return err
	}
	return s.take(ctx)
}
