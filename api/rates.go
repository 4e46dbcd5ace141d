package api

import (
	"container/list"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"ductledger/domain"
)

// rates hold a token bucket per token and per program. The least recently
// seen are forgotten: a forgotten caller starts with a full bucket.
type rates struct {
	lim limits

	mu     sync.Mutex
	byKey  map[rateKey]*list.Element
	recent *list.List // of *bucket, newest first
}

type rateKey struct {
	policy string // "token" or "program"
	id     domain.UUID
}

type bucket struct {
	key     rateKey
	limiter *rate.Limiter
}

func newRates(lim limits) *rates {
	return &rates{lim: lim, byKey: map[rateKey]*list.Element{}, recent: list.New()}
}

// take counts one request of the caller. The fields RateLimit and
// RateLimit-Policy are set in any case.
func (r *rates) take(h http.Header, caller domain.Caller) error {
	now := r.lim.Monotonic()
	token := r.bucket(rateKey{"token", caller.Token}, r.lim.TokenRate, r.lim.TokenBurst)
	program := r.bucket(rateKey{"program", caller.Program}, r.lim.ProgramRate, r.lim.ProgramBurst)
	var out *bucket
	if !token.limiter.AllowN(now, 1) {
		out = token
	} else if !program.limiter.AllowN(now, 1) {
		out = program
		giveBack(token, now)
	}
	r.announce(h)
	h.Set("RateLimit", token.state(now)+", "+program.state(now))
	if out == nil {
		return nil
	}
	wait := time.Duration(float64(time.Second) * (1 - out.limiter.TokensAt(now)) / float64(out.limiter.Limit()))
	return &domain.Error{
		Code: domain.QuotaExceeded,
		Detail: fmt.Sprintf("more than %g requests per second on average, or %d at once, by this %s",
			float64(out.limiter.Limit()), out.limiter.Burst(), out.key.policy),
		RetryAfter: max(wait, time.Second),
		Also:       map[string]any{"violated-policies": []string{out.key.policy}},
	}
}

// refund gives a request back: one answered 304 does not count.
func (r *rates) refund(caller domain.Caller) {
	now := r.lim.Monotonic()
	giveBack(r.bucket(rateKey{"token", caller.Token}, r.lim.TokenRate, r.lim.TokenBurst), now)
	giveBack(r.bucket(rateKey{"program", caller.Program}, r.lim.ProgramRate, r.lim.ProgramBurst), now)
}

// giveBack takes minus one; the limiter never holds more than its burst.
func giveBack(b *bucket, now time.Time) { b.limiter.AllowN(now, -1) }

// announce sets the policies. The window w is the time in which an empty
// bucket fills.
func (r *rates) announce(h http.Header) {
	policy := func(name string, perSecond float64, burst int) string {
		return fmt.Sprintf(`"%s";q=%d;w=%d`, name, burst, int(math.Ceil(float64(burst)/perSecond)))
	}
	h.Set("RateLimit-Policy", policy("token", r.lim.TokenRate, r.lim.TokenBurst)+", "+
		policy("program", r.lim.ProgramRate, r.lim.ProgramBurst))
}

// state is r, the requests that may follow at once, and t, the seconds until
// the bucket is full again.
func (b *bucket) state(now time.Time) string {
	left := math.Max(0, b.limiter.TokensAt(now))
	full := math.Ceil((float64(b.limiter.Burst()) - left) / float64(b.limiter.Limit()))
	return `"` + b.key.policy + `";r=` + strconv.Itoa(int(left)) + `;t=` + strconv.Itoa(int(full))
}

func (r *rates) bucket(key rateKey, perSecond float64, burst int) *bucket {
	r.mu.Lock()
	defer r.mu.Unlock()
	if e, ok := r.byKey[key]; ok {
		r.recent.MoveToFront(e)
		return e.Value.(*bucket)
	}
	for r.recent.Len() >= r.lim.Limiters {
		oldest := r.recent.Back()
		delete(r.byKey, oldest.Value.(*bucket).key)
		r.recent.Remove(oldest)
	}
	b := &bucket{key, rate.NewLimiter(rate.Limit(perSecond), burst)}
	r.byKey[key] = r.recent.PushFront(b)
	return b
}
