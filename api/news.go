package api

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/storage"
)

// newsInterval is how often one instance looks at the programs' positions
// while somebody waits. One look serves all waiters.
const newsInterval = time.Second

// news wakes those who wait for something new. It looks only while somebody
// waits, so an idle service asks the database nothing.
type news struct {
	db  *storage.DB
	log *slog.Logger
	// stopping ends when the service is to stop.
	stopping context.Context

	mu      sync.Mutex
	waiters map[*waiting]struct{}
	running bool
}

type waiting struct {
	program  domain.UUID
	position int64
	woken    chan struct{}
}

var errStopping = errors.New("the service is to stop")

// wait returns when the program has moved past a position, or when the time
// ends. It may also return early: no news is no error.
func (n *news) wait(ctx context.Context, program domain.UUID, position int64, most time.Duration) (err error) {
	w := &waiting{program, position, make(chan struct{})}
	n.mu.Lock()
	if n.waiters == nil {
		n.waiters = map[*waiting]struct{}{}
	}
	n.waiters[w] = struct{}{}
	if !n.running {
		n.running = true
		go n.look()
	}
	n.mu.Unlock()
	timer := time.NewTimer(most)
	defer timer.Stop()
	select {
	case <-w.woken:
	case <-timer.C:
	case <-ctx.Done():
		err = ctx.Err()
	case <-n.stopping.Done():
		err = errStopping
	}
	n.mu.Lock()
	delete(n.waiters, w)
	n.mu.Unlock()
	return err
}

// look runs while somebody waits.
func (n *news) look() {
	tick := time.NewTicker(newsInterval)
	defer tick.Stop()
	for range tick.C {
		n.mu.Lock()
		if len(n.waiters) == 0 {
			n.running = false
			n.mu.Unlock()
			return
		}
		n.mu.Unlock()
		ctx, cancel := context.WithTimeout(context.Background(), 2*newsInterval)
		positions, err := n.db.Positions(ctx)
		cancel()
		if err != nil {
			n.log.Warn("the positions could not be read; waiters wait on", "error", frame.MaskSecrets(err.Error()))
			continue
		}
		n.mu.Lock()
		for w := range n.waiters {
			if positions[w.program] > w.position {
				close(w.woken)
				delete(n.waiters, w)
			}
		}
		n.mu.Unlock()
	}
}
