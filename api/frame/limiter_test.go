package frame

import (
	"container/list"
	"context"
	"errors"
	"math"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/domain"
)

func TestRates(t *testing.T) {
	f := newTestFrame(t, Limits{TokenRate: 2, TokenBurst: 4, ProgramRate: 3, ProgramBurst: 6})
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

// Only so many callers are remembered, those last seen.
func TestRatesAreBounded(t *testing.T) {
	r := newRates(Limits{Remembered: 4, TokenBurst: 1}.OrDefaults())
	for i := range 100 {
		r.take(http.Header{}, domain.Caller{Token: domain.UUID{byte(i), 1}, Program: programA})
	}
	if n := r.callers.order.Len(); n != 4 || len(r.callers.byKey) != 4 {
		t.Errorf("%d buckets", n)
	}
	// The program's was used by all and so is still there.
	if _, ok := r.callers.look(rateKey{"program", programA}); !ok {
		t.Error("the most recent was forgotten")
	}
}

// newTurn is a request of a token of its own.
func newTurn(l *limiter, order shed) *turn {
	tokenCount.Add(1)
	n := tokenCount.Load()
	return &turn{work: l, polls: l, gone: context.Background(), order: order, sender: sender{domain.UUID{1, byte(n), byte(n >> 8)}, domain.UUID{2, byte(n), byte(n >> 8)}}}
}

var tokenCount atomic.Int64

func workLimiter(lim Limits) *limiter {
	lim = lim.OrDefaults()
	return newLimiter("requests under way", lim, int64(lim.Work), int64(lim.Queue))
}

// The service is filled step by step: each kind of work that has all its own
// places stops entering where its share ends, pushes at the very last place.
func TestSheddingOrder(t *testing.T) {
	l := workLimiter(Limits{Work: 20, QueueWait: time.Nanosecond, Queue: 4})
	ctx := context.Background()
	for s := range l.at {
		l.at[s] = l.size
	}
	enters := func(s shed) bool {
		tn := newTurn(l, s)
		err := tn.take(ctx)
		tn.release()
		if err != nil && domain.CodeOf(err) != domain.Overloaded {
			t.Fatal(err)
		}
		return err == nil
	}
	last := map[shed]int{}
	for busy := range 21 {
		for s := ShedPackages; s <= ShedPushes; s++ {
			if enters(s) {
				last[s] = busy + 1
			}
		}
		if busy < 20 {
			if err := newTurn(l, ShedPushes).take(ctx); err != nil {
				t.Fatal(err)
			}
		}
	}
	want := map[shed]int{ShedPackages: 5, ShedStatistics: 8, ShedPages: 11, ShedLists: 15, ShedPushes: 20}
	for s, n := range want {
		if last[s] != n {
			t.Errorf("%s entered up to %d places, want %d", s, last[s], n)
		}
	}
	for s := ShedPackages; s <= ShedPushes; s++ {
		if s.of(1) != 1 {
			t.Errorf("%s never enter a service with one place", s)
		}
	}
}

// One token takes its share of places and of the line, and another program
// finds room at once.
func TestShares(t *testing.T) {
	l := workLimiter(Limits{Work: 16, Queue: 16, QueueWait: time.Minute})
	busy := sender{domain.UUID{1}, domain.UUID{2}}
	ctx, cancel := context.WithCancel(context.Background())
	var refused atomic.Int64
	var all sync.WaitGroup
	for range 100 {
		all.Go(func() {
			tn := &turn{work: l, order: ShedPushes, sender: busy}
			if err := tn.take(ctx); domain.CodeOf(err) == domain.QuotaExceeded && err != nil {
				refused.Add(1)
			}
		})
	}
	for refused.Load() < 92 { // 4 at work, 4 in line
		runtime.Gosched()
	}
	l.mu.Lock()
	if l.used[busy.token] != 4 || l.lined[0][busy.token] != 4 {
		t.Errorf("one token has %d places and %d in line, want 4 and 4", l.used[busy.token], l.lined[0][busy.token])
	}
	l.mu.Unlock()
	other := newTurn(l, ShedLists)
	if err := other.take(context.Background()); err != nil {
		t.Errorf("another program: %v", err)
	}
	for i := range 8 { // the program's other tokens, up to its 12 of 16
		tn := &turn{work: l, order: ShedPushes, sender: sender{busy.program, domain.UUID{3, byte(i)}}}
		if err := tn.take(context.Background()); err != nil {
			t.Errorf("token %d of the program: %v", i, err)
		}
	}
	late := &turn{work: l, order: ShedPushes, sender: sender{busy.program, domain.UUID{4}}, again: 1, waited: time.Minute}
	if err := late.take(context.Background()); domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("beyond the program's share: %v", err)
	}
	cancel()
	all.Wait()
	if n := len(l.lined[0]) + len(l.lined[1]); n != 0 {
		t.Errorf("%d are still counted in line", n)
	}
}

// Of those that wait, pushes come first, then the program with the least under
// way.
func TestTurns(t *testing.T) {
	still := func() time.Time { return time.Time{} }
	l := workLimiter(Limits{Work: 4, QueueWait: time.Minute, ProgramShare: 1, TokenShare: 1, Monotonic: still})
	a, b := domain.UUID{1}, domain.UUID{2}
	var held []*turn
	for i, order := range []shed{ShedPushes, ShedPushes, ShedPushes, ShedLists} { // the list has the one place of its own
		tn := &turn{work: l, order: order, sender: sender{a, domain.UUID{3, byte(i)}}}
		if err := tn.take(context.Background()); err != nil {
			t.Fatal(err)
		}
		held = append(held, tn)
	}
	order := make(chan string, 3)
	var wg sync.WaitGroup
	for i, w := range []struct {
		name    string
		program domain.UUID
		order   shed
	}{{"list", b, ShedLists}, {"push of a", a, ShedPushes}, {"push of b", b, ShedPushes}} {
		wg.Go(func() {
			tn := &turn{work: l, order: w.order, sender: sender{w.program, domain.UUID{4, byte(i)}}}
			if err := tn.take(context.Background()); err != nil {
				t.Error(err)
			}
			order <- w.name
		})
		for waiting := 0; waiting <= i; { // until it stands in line
			l.mu.Lock()
			waiting = l.waiting.Len()
			l.mu.Unlock()
		}
	}
	for _, want := range []string{"push of b", "push of a"} {
		held[0].release()
		held = held[1:]
		if got := <-order; got != want {
			t.Errorf("%s came before %s", got, want)
		}
	}
	held[0].release()
	held[1].release() // a list enters three quarters only
	wg.Wait()
}

// While more of every kind waits than can be done, each gets its part of the
// time of all places, whatever one of it takes; and pushes alone get all.
func TestAFloodStarvesNobody(t *testing.T) {
	seconds := map[shed]float64{ShedPackages: 0.1, ShedStatistics: 0.08, ShedPages: 0.05, ShedLists: 0.02, ShedPushes: 0.03}
	for _, asking := range [][]shed{{ShedPackages, ShedStatistics, ShedPages, ShedLists, ShedPushes}, {ShedPages, ShedPushes}, {ShedPushes}} {
		now := time.Unix(0, 0)
		l := workLimiter(Limits{Work: 14, Queue: 4000, Monotonic: func() time.Time { return now }})
		var all float64 // parts of those that ask
		for _, order := range asking {
			all += part[order]
		}
		in := map[shed][]*waiter{}
		wait := func(order shed) {
			w := &waiter{newTurn(l, order), now, make(chan struct{})}
			l.arrive(order)
			if _, err := l.enterLine(w); err != nil {
				t.Fatal(err)
			}
			in[order] = append(in[order], w)
		}
		for _, order := range asking {
			for range 14 {
				wait(order)
			}
		}
		for l.admitNext() {
		}
		had := map[shed]float64{}
		const steps, step = 4_000, 5 * time.Millisecond
		for range steps {
			now = now.Add(step)
			for _, order := range asking {
				var still []*waiter
				for _, w := range in[order] {
					select {
					case <-w.in:
						if took := now.Sub(w.began).Seconds(); took >= seconds[order] {
							had[order] += took
							l.end(w.turn)
							continue
						}
					default:
					}
					still = append(still, w)
				}
				in[order] = still
				for l.inLine[0][order] < 14 { // more come than go
					wait(order)
					for l.admitNext() {
					}
				}
			}
		}
		places := steps * step.Seconds() * 14
		for _, order := range asking {
			if got, want := had[order]/places, part[order]/all; math.Abs(got-want) > want/10 {
				t.Errorf("of %v, %s had %.3f of the time of all places, want %.3f", asking, order, got, want)
			}
		}
	}
}

// A kind that had all it asked for is owed nothing when more comes than can be
// done: pages that had the rest of an idle service do not stand back for that.
func TestWhatWasFreeIsNotOwed(t *testing.T) {
	now := time.Unix(0, 0)
	l := workLimiter(Limits{Work: 4, TokenShare: 1, ProgramShare: 1, Monotonic: func() time.Time { return now }})
	push := newTurn(l, ShedPushes)
	if err := push.take(context.Background()); err != nil { // one is always under way
		t.Fatal(err)
	}
	for range 100 {
		page, next := newTurn(l, ShedPages), newTurn(l, ShedPushes)
		if err := errors.Join(page.take(context.Background()), next.take(context.Background())); err != nil {
			t.Fatal(err)
		}
		now = now.Add(time.Second)
		page.release()
		push.release()
		push = next
	}
	if ahead := (l.service[ShedPages] - l.service[ShedPushes]) * part[ShedPages]; ahead > 2 {
		t.Errorf("pages stand back for %.0f s", ahead)
	}
}

// Who comes to a line that has not been empty for a whole wait waits little, so that what is let in is not late.
func TestALineThatDoesNotPassIsShort(t *testing.T) {
	l := workLimiter(Limits{Work: 1, Queue: 100, QueueWait: 2 * time.Second})
	began := time.Unix(0, 0)
	come := func(after time.Duration) (*list.Element, time.Duration) {
		w := &waiter{newTurn(l, ShedPushes), began.Add(after), nil}
		place, err := l.enterLine(w)
		if err != nil {
			t.Fatal(err)
		}
		return place, l.patience(w)
	}
	first, _ := come(0)
	second, early := come(900 * time.Millisecond)
	third, late := come(time.Second)
	for _, place := range []*list.Element{first, second, third} {
		l.leaveLine(place)
	}
	if _, anew := come(3 * time.Second); early != time.Second || late != 200*time.Millisecond || anew != time.Second {
		t.Errorf("they wait %s, %s and, after the line was empty, %s", early, late, anew)
	}
}

func TestTurnGivesUp(t *testing.T) {
	l := workLimiter(Limits{Work: 1, QueueWait: time.Minute, Queue: 1})
	held := newTurn(l, ShedPushes)
	if err := held.take(context.Background()); err != nil {
		t.Fatal(err)
	}
	gone, cancel := context.WithCancel(context.Background())
	cancel()
	if err := newTurn(l, ShedPushes).take(gone); !errors.Is(err, context.Canceled) {
		t.Errorf("client gone: %v", err)
	}
	// While it waits aside, another may work; then it waits for its turn again.
	held.polls = newLimiter("polls", l.lim, 1, 0)
	err := held.aside(context.Background(), func(context.Context) error {
		other := newTurn(l, ShedPushes)
		if err := other.take(context.Background()); err != nil {
			return err
		}
		defer other.release()
		second := newTurn(l, ShedPushes)
		second.polls = held.polls
		if err := second.aside(context.Background(), nil); domain.CodeOf(err) != domain.Overloaded {
			t.Errorf("one too many aside: %v", err)
		}
		return nil
	})
	if err != nil || l.used[domain.UUID{}] != 1 {
		t.Errorf("aside: %v, %v", err, l.used)
	}
	held.release()
	held.release() // once only
	if len(l.used)+len(l.lined[0])+len(l.lined[1]) != 0 {
		t.Errorf("still counted: %v %v", l.used, l.lined)
	}
}

// Every limit has a name of its own, a default and a reason, and can be set.
func TestLimitTable(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range LimitTable() {
		if row.Name == "" || seen[row.Name] || !(row.Default > 0) || !strings.HasSuffix(row.Reason, ".") {
			t.Errorf("%+v", row)
		}
		seen[row.Name] = true
		set := row.Default / 2
		if got, err := LimitsOf(map[string]float64{row.Name: set}); err != nil || row.Of(got) != math.Floor(row.Of(got)) && row.Of(got) != set {
			t.Errorf("%s: %g, %v", row.Name, row.Of(got), err)
		}
		if got := row.Of(Limits{}.OrDefaults()); got != row.Default {
			t.Errorf("%s: %g by default, want %g", row.Name, got, row.Default)
		}
	}
	for name, value := range map[string]float64{"works": 1, "work_count": 0, "queue_count": 0.5, "token_share": 1.5, "body_bytes": math.Inf(1), "poll_count": math.NaN()} {
		if _, err := LimitsOf(map[string]float64{name: value}); err == nil {
			t.Errorf("%s = %g was taken", name, value)
		}
	}
}

func TestOverloadIsAnsweredEarly(t *testing.T) {
	f := newTestFrame(t, Limits{Work: 4, QueueWait: time.Nanosecond})
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

// Who was looked up goes on before who comes new, also where the line is full of
// those, and who comes new waits half as long: what a look-up cost would be lost.
func TestWhoGoesOnIsNotCrowdedOut(t *testing.T) {
	l := workLimiter(Limits{Work: 1, Queue: 1, QueueWait: time.Minute, ProgramShare: 1, TokenShare: 1})
	held, looked := newTurn(l, ShedPushes), newTurn(l, ShedPushes)
	if err := looked.take(context.Background()); err != nil {
		t.Fatal(err)
	}
	looked.release()
	if err := held.take(context.Background()); err != nil {
		t.Fatal(err)
	}
	order := make(chan string, 2)
	var all sync.WaitGroup
	for i, who := range []struct {
		name string
		turn *turn
	}{{"new", newTurn(l, ShedPushes)}, {"looked up", looked}} {
		all.Go(func() {
			if err := who.turn.take(context.Background()); err != nil {
				t.Errorf("%s: %v", who.name, err)
			}
			order <- who.name
			who.turn.release()
		})
		for waiting := 0; waiting <= i; runtime.Gosched() { // until it stands in line
			l.mu.Lock()
			waiting = l.waiting.Len()
			l.mu.Unlock()
		}
	}
	if err := newTurn(l, ShedPushes).take(context.Background()); domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("beyond the line: %v", err)
	}
	held.release()
	if first := <-order; first != "looked up" {
		t.Errorf("%s came first", first)
	}
	all.Wait()
}

// A look-up that found no place in its time is refused like any other work: it is
// no failure of the service.
func TestALookUpThatComesTooLate(t *testing.T) {
	f := newTestFrame(t, Limits{Work: 1, QueueWait: time.Hour, LookupTime: time.Millisecond})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for { // it needs its own look-up in time
			f.call(t, "GET", "/v1/slow", f.staff, "")
			select {
			case <-f.release:
				return
			default:
			}
		}
	}()
	<-f.entered
	wantProblem(t, f.call(t, "GET", "/v1/ducts", f.other, ""), 503, domain.Overloaded)
	close(f.release)
	<-done
}
