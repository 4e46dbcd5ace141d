//go:build linux

package main

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// counts are what was done and found.
type counts struct {
	kills, underWay, terms, hangs, clockJumps atomic.Int64
	databaseKills, processKills, diskFaults   atomic.Int64
	linksCut, doubled, appDeaths, packages    atomic.Int64
	versions, reviews, pictures               int
	answers                                   map[string]int

	mu     sync.Mutex
	starts []time.Duration
	list   []string
}

func (c *counts) started(took time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.starts = append(c.starts, took)
}

func (c *counts) findings() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.list
}

// found notes that something is wrong.
func (t *trial) found(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	t.counts.mu.Lock()
	t.counts.list = append(t.counts.list, text)
	t.counts.mu.Unlock()
	t.say("FOUND %s", text)
}

// report prints the table.
func (t *trial) report(findings []string) {
	c := &t.counts
	slices.Sort(c.starts)
	accepted := c.answers["created"] + c.answers["updated"] + c.answers["replayed"]
	of := func(word string) (n int) {
		for _, f := range findings {
			if strings.Contains(f, word+":") {
				n++
			}
		}
		return n
	}
	for _, row := range []struct {
		what  string
		value any
	}{
		{"services killed (kill -9)", fmt.Sprintf("%d, %d of them with requests under way", c.kills.Load(), c.underWay.Load())},
		{"services ended by SIGTERM", c.terms.Load()},
		{"starts with a clock 26 h off", c.clockJumps.Load()},
		{"from start to listening", fmt.Sprintf("%.2f s half of the times, %.2f s at most", c.starts[len(c.starts)/2].Seconds(), c.starts[len(c.starts)-1].Seconds())},
		{"Postgres killed whole (kill -9)", c.databaseKills.Load()},
		{"one process of Postgres killed", c.processKills.Load()},
		{"writes of a process of Postgres failed", c.diskFaults.Load()},
		{"stood still (service, Postgres, its link)", c.hangs.Load()},
		{"connections cut", c.linksCut.Load()},
		{"connections delivered twice", c.doubled.Load()},
		{"apps that died and read their journal", c.appDeaths.Load()},
		{"packages asked for meanwhile", c.packages.Load()},
		{"items accepted", fmt.Sprintf("%d, %d of them only when sent again", accepted, c.answers["replayed"])},
		{"items in conflict, waiting, rejected", fmt.Sprintf("%d, %d, %d", c.answers["conflict"], c.answers["waiting"], c.answers["rejected"])},
		{"records in the ledgers", fmt.Sprintf("%d, %d of them reviews", c.versions, c.reviews)},
		{"pictures there to the byte", c.pictures},
		{"lost", of("lost")}, {"doubled", of("doubled")}, {"half", of("half")}, {"stuck", of("stuck")},
		{"found in all", len(findings)},
	} {
		fmt.Printf("| %-45s | %v |\n", row.what, row.value)
	}
	t.say("seed %d: done", t.Seed)
}
