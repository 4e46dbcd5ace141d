package api

import (
	"context"
	"errors"
	"net/http"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
)

func TestRates(t *testing.T) {
	f := newTestFrame(t, limits{TokenRate: 2, TokenBurst: 4, ProgramRate: 3, ProgramBurst: 6})
	get := func(token string) (int, http.Header) {
		w := f.call(t, "GET", "/v1/ducts", token, "")
		if w.Code == 429 {
			wantProblem(t, w, 429, domain.QuotaExceeded)
		}
		return w.Code, w.Header()
	}
	for i := range 4 {
		if code, h := get(f.staff); code != 200 || h.Get("RateLimit-Policy") != `"token";q=4;w=2, "program";q=6;w=2` {
			t.Fatalf("request %d: %d %v", i, code, h)
		}
	}
	w := f.call(t, "GET", "/v1/ducts", f.staff, "")
	p := wantProblem(t, w, 429, domain.QuotaExceeded)
	if w.Header().Get("Retry-After") != "1" || w.Header().Get("RateLimit") != `"token";r=0;t=2, "program";r=2;t=2` ||
		p.Type != "https://iana.org/assignments/http-problem-types#quota-exceeded" ||
		len(p.Policies) != 1 || p.Policies[0] != "token" {
		t.Errorf("%v %+v", w.Header(), p)
	}
	// The program's other token has two requests left, another program all.
	for range 2 {
		if code, _ := get(f.field); code != 200 {
			t.Errorf("the program's share: %d", code)
		}
	}
	w = f.call(t, "GET", "/v1/ducts", f.field, "")
	if p = wantProblem(t, w, 429, domain.QuotaExceeded); len(p.Policies) != 1 || p.Policies[0] != "program" {
		t.Errorf("%+v", p)
	}
	if code, _ := get(f.other); code != 200 {
		t.Errorf("another program: %d", code)
	}
	f.clock.advance(time.Second) // brings 2 for the token and 3 for the program
	for _, want := range []int{200, 200, 429} {
		if code, _ := get(f.staff); code != want {
			t.Errorf("after a second: %d, want %d", code, want)
		}
	}
	// What the program refused cost the token nothing: 2 of 4 were taken, then
	// a second brought 2 more, and the program has one left.
	if code, h := get(f.field); code != 200 || h.Get("RateLimit") != `"token";r=3;t=1, "program";r=0;t=2` {
		t.Errorf("%d %v", code, h.Get("RateLimit"))
	}
}

func TestLimitersAreBounded(t *testing.T) {
	lim := limits{Limiters: 4, TokenBurst: 1}.orDefaults()
	r := newRates(lim)
	for i := range 100 {
		r.take(http.Header{}, domain.Caller{Token: domain.UUID{byte(i)}, Program: programA})
	}
	if len(r.byKey) != 4 || r.recent.Len() != 4 {
		t.Errorf("%d limiters", len(r.byKey))
	}
	// The program's was used by all and so is still there.
	if _, ok := r.byKey[rateKey{"program", programA}]; !ok {
		t.Error("the most recent was forgotten")
	}
}

// The service is filled step by step: each kind of work stops entering where
// its share ends, pushes at the very last slot.
func TestSheddingOrder(t *testing.T) {
	g := newGate(limits{Slots: 20, QueueWait: time.Nanosecond, Queue: 1}.orDefaults())
	ctx := context.Background()
	enters := func(s shed) bool {
		slot, err := g.enter(ctx, s)
		if err == nil {
			slot.leave()
		} else if domain.CodeOf(err) != domain.Overloaded {
			t.Fatal(err)
		}
		return err == nil
	}
	last := map[shed]int{}
	for busy := range 21 {
		for s := shedPackages; s <= shedPushes; s++ {
			if enters(s) {
				last[s] = busy + 1
			}
		}
		if busy < 20 {
			if _, err := g.enter(ctx, shedPushes); err != nil {
				t.Fatal(err)
			}
		}
	}
	want := map[shed]int{shedPackages: 5, shedStatistics: 8, shedPages: 11, shedLists: 15, shedPushes: 20}
	for s, n := range want {
		if last[s] != n {
			t.Errorf("order %d entered up to %d slots, want %d", s, last[s], n)
		}
	}
	for s := shedPackages; s <= shedPushes; s++ {
		if s.slotsOf(1) != 1 {
			t.Errorf("order %d never enters a service with one slot", s)
		}
	}
}

func TestGateServesPushesFirst(t *testing.T) {
	g := newGate(limits{Slots: 1, QueueWait: time.Minute}.orDefaults())
	held, err := g.enter(context.Background(), shedLists)
	if err != nil {
		t.Fatal(err)
	}
	order := make(chan shed, 2)
	var wg sync.WaitGroup
	for i, s := range []shed{shedLists, shedPushes} {
		wg.Go(func() {
			slot, err := g.enter(context.Background(), s)
			if err != nil {
				t.Error(err)
				return
			}
			order <- s
			slot.leave()
		})
		for waiting := 0; waiting <= i; { // until it stands in the queue
			g.mu.Lock()
			waiting = g.waiting.Len()
			g.mu.Unlock()
		}
	}
	held.leave()
	wg.Wait()
	if first := <-order; first != shedPushes {
		t.Errorf("order %d came first", first)
	}
	if g.busy != 0 || g.waiting.Len() != 0 {
		t.Errorf("%d busy, %d waiting", g.busy, g.waiting.Len())
	}
}

func TestGateGivesUp(t *testing.T) {
	g := newGate(limits{Slots: 1, QueueWait: time.Minute, Queue: 1}.orDefaults())
	held, err := g.enter(context.Background(), shedPushes)
	if err != nil {
		t.Fatal(err)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := g.enter(gone, shedPushes); !errors.Is(err, context.Canceled) {
		t.Errorf("client gone: %v", err)
	}
	// While it waits aside, another may work; then it waits for its slot again.
	err = held.aside(context.Background(), func(context.Context) error {
		other, err := g.enter(context.Background(), shedPushes)
		if err == nil {
			other.leave()
		}
		return err
	})
	if err != nil || g.busy != 1 || g.aside != 0 {
		t.Errorf("aside: %v, %d busy", err, g.busy)
	}
	held.leave()
	held.leave() // once only
	if g.busy != 0 {
		t.Errorf("%d busy", g.busy)
	}
	full := newGate(limits{Aside: 1, Slots: 2}.orDefaults())
	a, _ := full.enter(context.Background(), shedLists)
	b, _ := full.enter(context.Background(), shedPushes)
	err = a.aside(context.Background(), func(ctx context.Context) error {
		return b.aside(ctx, func(context.Context) error { return nil })
	})
	if domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("one too many aside: %v", err)
	}
}

func TestOverloadIsAnsweredEarly(t *testing.T) {
	f := newTestFrame(t, limits{Slots: 4, QueueWait: time.Nanosecond})
	done := make(chan struct{})
	go func() {
		defer close(done)
		f.call(t, "GET", "/v1/slow", f.staff, "")
	}()
	<-f.entered
	w := f.call(t, "GET", "/v1/slow", f.staff, "") // a package: one slot of four
	wantProblem(t, w, 503, domain.Overloaded)
	if w.Header().Get("Retry-After") == "" {
		t.Error("503 without Retry-After")
	}
	if w := f.call(t, "POST", "/v1/batches", f.field, `{"items":[]}`); w.Code != 207 {
		t.Errorf("a push got %d", w.Code)
	}
	close(f.release)
	<-done
}
