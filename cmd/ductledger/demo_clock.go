package main

import (
	"sync/atomic"
	"time"
)

// movedClock stands where it is set until it is let go; then it is the real one.
type movedClock struct {
	at   atomic.Pointer[time.Time]
	real func() time.Time
}

func (c *movedClock) set(at time.Time) { c.at.Store(&at) }
func (c *movedClock) letGo()           { c.at.Store(nil) }

// now is where the clock stands.
func (c *movedClock) now() time.Time {
	if at := c.at.Load(); at != nil {
		return *at
	}
	return c.real()
}
