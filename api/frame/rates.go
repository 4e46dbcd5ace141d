package frame

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"ductledger/domain"

	"golang.org/x/time/rate"
)

// rates hold a token bucket per token, per program and per address that sent
// unknown tokens. The least recently seen are forgotten: a forgotten caller
// starts with a full bucket.
type rates struct {
	lim       Limits
	policies  string // the field RateLimit-Policy
	callers   *recent[rateKey, *bucket]
	addresses *recent[rateKey, *bucket]
}

type rateKey struct {
	policy string // "token", "program", "address" or "guess"
	id     domain.UUID
}

type bucket struct {
	key     rateKey
	limiter *rate.Limiter
}

func newRates(lim Limits) *rates {
	// The window w is the time in which an empty bucket fills.
	policy := func(name string, perSecond float64, burst int) string {
		return fmt.Sprintf(`"%s";q=%d;w=%d`, name, burst, int(math.Ceil(float64(burst)/perSecond)))
	}
	policies := policy("token", lim.TokenRate, lim.TokenBurst) + ", " + policy("program", lim.ProgramRate, lim.ProgramBurst)
	return &rates{lim, policies, newRecent[rateKey, *bucket](lim.Remembered), newRecent[rateKey, *bucket](lim.Remembered)}
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
	return out.exceeded(now)
}

// exceeded is the refusal of a request for which the bucket has nothing left.
func (b *bucket) exceeded(now time.Time) error {
	wait := time.Duration(float64(time.Second) * (1 - b.limiter.TokensAt(now)) / float64(b.limiter.Limit()))
	return &refusal{&domain.Error{
		Code: domain.QuotaExceeded,
		Detail: fmt.Sprintf("more than %g requests per second on average, or %d at once, by this %s",
			float64(b.limiter.Limit()), b.limiter.Burst(), b.key.policy),
		RetryAfter: max(wait, time.Second),
		Also:       map[string]any{"violated-policies": []string{b.key.policy}},
	}, "rate_of_" + b.key.policy}
}

// unknown counts the look-up of a token that is not known to be good. What is
// given back when the token turns out to be good costs the address nothing.
func (r *rates) unknown(address domain.UUID) (giveItBack func(), err error) {
	now := r.lim.Monotonic()
	b := r.addresses.get(rateKey{"address", address}, func(k rateKey) *bucket {
		return &bucket{k, rate.NewLimiter(rate.Limit(r.lim.UnknownRate), r.lim.UnknownBurst)}
	})
	if !b.limiter.AllowN(now, 1) {
		return nil, b.exceeded(now)
	}
	return func() { giveBack(b, now) }, nil
}

// guess counts a secret that a person typed, as unknown counts tokens.
func (r *rates) guess(address domain.UUID) (giveItBack func(), err error) {
	now := r.lim.Monotonic()
	b := r.addresses.get(rateKey{"guess", address}, func(k rateKey) *bucket {
		return &bucket{k, rate.NewLimiter(rate.Limit(r.lim.GuessRate), r.lim.GuessBurst)}
	})
	if !b.limiter.AllowN(now, 1) {
		return nil, b.exceeded(now)
	}
	return func() { giveBack(b, now) }, nil
}

// refund gives a request back: one answered 304 does not count.
func (r *rates) refund(caller domain.Caller) {
	now := r.lim.Monotonic()
	giveBack(r.bucket(rateKey{"token", caller.Token}, r.lim.TokenRate, r.lim.TokenBurst), now)
	giveBack(r.bucket(rateKey{"program", caller.Program}, r.lim.ProgramRate, r.lim.ProgramBurst), now)
}

// giveBack takes minus one; the limiter never holds more than its burst.
func giveBack(b *bucket, now time.Time) { b.limiter.AllowN(now, -1) }

// announce sets the policies.
func (r *rates) announce(h http.Header) { h.Set("RateLimit-Policy", r.policies) }

// state is r, the requests that may follow at once, and t, the seconds until
// the bucket is full again.
func (b *bucket) state(now time.Time) string {
	left := math.Max(0, b.limiter.TokensAt(now))
	full := math.Ceil((float64(b.limiter.Burst()) - left) / float64(b.limiter.Limit()))
	return `"` + b.key.policy + `";r=` + strconv.Itoa(int(left)) + `;t=` + strconv.Itoa(int(full))
}

func (r *rates) bucket(key rateKey, perSecond float64, burst int) *bucket {
	return r.callers.get(key, func(rateKey) *bucket { return &bucket{key, rate.NewLimiter(rate.Limit(perSecond), burst)} })
}
