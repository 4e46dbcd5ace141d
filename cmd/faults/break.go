//go:build linux

package main

import (
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"time"

	"ductledger/storage/proxy"
)

// dice are chance that many goroutines draw from.
type dice struct {
	mu sync.Mutex
	r  *rand.Rand
}

func (d *dice) share() float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.r.Float64()
}

// between is a time between two.
func between(r *rand.Rand, least, most time.Duration) time.Duration {
	return least + time.Duration(r.Int64N(int64(most-least)))
}

// breakLinks lets links be bad: of a phone's bytes some are late, some are cut
// off in the middle, there and back, and some arrive twice.
func (t *trial) breakLinks() {
	for i, s := range t.services {
		d := &dice{r: t.chance(200 + uint64(i))}
		s.link.Break(proxy.Trouble{
			Chunk: func(bool) (f proxy.Fate) {
				switch x := d.share(); {
				case x < 0.02:
					f.Cut = true
					t.counts.linksCut.Add(1)
				case x < 0.10:
					f.Delay = time.Duration(d.share() * float64(80*time.Millisecond))
				}
				return f
			},
			Copies: func() proxy.Copies {
				switch x := d.share(); {
				case x < 0.08:
					t.counts.doubled.Add(1)
					return proxy.TwiceAtOnce
				case x < 0.16:
					t.counts.doubled.Add(1)
					return proxy.TwiceOneLate
				}
				return proxy.Once
			},
		})
	}
	d := &dice{r: t.chance(300)}
	t.postgres.link.Break(proxy.Trouble{
		Chunk: func(bool) (f proxy.Fate) {
			switch x := d.share(); {
			case x < 0.0005:
				f.Cut = true
				t.counts.linksCut.Add(1)
			case x < 0.005:
				f.Delay = time.Duration(d.share() * float64(30*time.Millisecond))
			}
			return f
		},
		Copies: func() proxy.Copies { return proxy.Once },
	})
}

// breakThings kills services and Postgres until the numbers are reached, each by
// a loop of its own, in step with each other.
func (t *trial) breakThings(enough context.Context) error {
	enough, over := context.WithTimeout(enough, t.Most)
	defer over()
	ctx, cancel := context.WithCancel(enough)
	defer cancel()
	var all sync.WaitGroup
	errs := make([]error, len(t.services)+1)
	until := func(i int, loop func(context.Context) error) { // the first that fails ends all
		if errs[i] = loop(ctx); errs[i] != nil {
			cancel()
		}
	}
	for i, s := range t.services {
		all.Go(func() { until(i, s.keepKilling) })
	}
	all.Go(func() { until(len(t.services), t.killPostgres) })
	all.Go(func() { t.tellProgress(ctx) })
	all.Wait()
	if enough.Err() != nil {
		t.say("the kills end before their number is reached")
		return nil
	}
	return errors.Join(errs...)
}

func (t *trial) killed() bool {
	return t.counts.kills.Load() >= int64(t.Kills) && t.counts.databaseKills.Load() >= int64(t.DatabaseKills)
}

func (t *trial) tellProgress(ctx context.Context) {
	for last := time.Now(); ctx.Err() == nil && !t.killed(); time.Sleep(50 * time.Millisecond) {
		if time.Since(last) > 20*time.Second {
			last = time.Now()
			t.say("%d kills of services, %d of Postgres", t.counts.kills.Load(), t.counts.databaseKills.Load())
		}
	}
}

// keepKilling kills a service, or breaks it otherwise, whenever it has worked for
// a while, and starts it again.
func (s *service) keepKilling(ctx context.Context) error {
	t, r := s.t, s.r
	for !t.killed() {
		if err := s.await(ctx); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(between(r, 30*time.Millisecond, 700*time.Millisecond)):
		}
		_, _, ended := s.state()
		select {
		case <-ended:
			t.found("%s ended by itself; its log tells why", s.name)
		default:
		}
		switch n := r.IntN(40); {
		case n == 0:
			if err := s.terminate(); err != nil {
				t.found("%v", err)
			}
			t.counts.terms.Add(1)
		case n == 1:
			if err := s.stopFor(between(r, 300*time.Millisecond, 2*time.Second)); err != nil {
				t.found("%s does not go on: %v", s.name, err)
			}
			t.counts.hangs.Add(1)
			continue
		case t.counts.kills.Load() >= int64(t.Kills): // Postgres is not yet done
			continue
		default:
			if s.kill(r) {
				t.counts.underWay.Add(1)
			}
			t.counts.kills.Add(1)
		}
		clock := 0
		if r.IntN(8) == 0 {
			clock = 1 + r.IntN(len(clocks)-2)
			t.counts.clockJumps.Add(1)
		}
		if err := s.start(clock); err != nil {
			return err
		}
	}
	return nil
}

// killPostgres kills Postgres as often as is due by the kills of services, and
// breaks it otherwise in between.
func (t *trial) killPostgres(ctx context.Context) error {
	r, p, c := t.chance(400), t.postgres, &t.counts
	for c.databaseKills.Load() < int64(t.DatabaseKills) {
		if c.databaseKills.Load()*int64(t.Kills) > c.kills.Load()*int64(t.DatabaseKills) {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(20 * time.Millisecond):
			}
			continue
		}
		var err error
		switch n := r.IntN(16); {
		case n < 2:
			err = p.killOne(r)
			c.processKills.Add(1)
		case n < 4:
			err = p.failDisk(r)
			c.diskFaults.Add(1)
		case n == 4:
			err = p.stopFor(between(r, 500*time.Millisecond, 4*time.Second))
			c.hangs.Add(1)
		case n == 5:
			p.link.Hang()
			time.Sleep(between(r, 300*time.Millisecond, 3*time.Second))
			p.link.Resume()
			c.hangs.Add(1)
		case n == 6:
			p.link.Cut()
			c.linksCut.Add(1)
		default:
			err = p.kill(context.WithoutCancel(ctx))
			c.databaseKills.Add(1)
		}
		if err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(between(r, 50*time.Millisecond, 500*time.Millisecond)):
		}
	}
	return nil
}

// heal ends every trouble and starts all anew, with clocks that are right.
func (t *trial) heal() {
	t.postgres.link.Heal()
	for _, s := range t.services {
		s.link.Heal()
	}
}

// restart ends Postgres and the services in order and starts them again: no
// limit, no wrong clock is left.
func (t *trial) restart(ctx context.Context) error {
	for _, s := range t.services {
		if err := s.terminate(); err != nil {
			t.found("%v", err)
		}
	}
	t.postgres.mu.Lock()
	err := errors.Join(t.postgres.cluster.Stop(), t.postgres.start(ctx))
	t.postgres.mu.Unlock()
	if err != nil {
		return err
	}
	for _, s := range t.services {
		if err := s.start(0); err != nil {
			return err
		}
	}
	for _, s := range t.services {
		if err := s.await(ctx); err != nil {
			return err
		}
	}
	return nil
}
