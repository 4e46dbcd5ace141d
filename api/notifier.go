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

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// newsInterval is how often one instance looks at the programs' positions
// while somebody waits. One look serves all waiters.
const newsInterval = time.Second

// notifier wakes those who wait for something new. It looks only while somebody
// waits, so an idle service asks the database nothing.
type notifier struct {
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
func (n *notifier) wait(ctx context.Context, program domain.UUID, position int64, most time.Duration) (err error) {
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
func (n *notifier) look() {
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

// pullNoteInterval is how often a device's pulls are written down.
const pullNoteInterval = time.Minute

// pulls remembers when a device's pull was last written down, so that polling
// writes nothing. It forgets all when it grows too large; then each device
// writes once more.
type pulls struct {
	mu sync.Mutex
	at map[domain.UUID]time.Time
}

const mostPulls = 20_000

func (p *pulls) due(device domain.UUID, now time.Time) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if last, ok := p.at[device]; ok && now.Sub(last) < pullNoteInterval {
		return false
	}
	if p.at == nil || len(p.at) >= mostPulls {
		p.at = map[domain.UUID]time.Time{}
	}
	p.at[device] = now
	return true
}

// notePull writes down that a device pulled from a position, at most once a
// minute. A failure is no reason to fail the pull.
func (s *Server) notePull(ctx context.Context, caller domain.Caller, position int64) {
	if caller.Device.IsZero() || !s.pulls.due(caller.Device, s.now()) {
		return
	}
	if err := s.db.NotePull(ctx, caller, position); err != nil {
		s.log.Warn("a device's pull could not be noted", "error", frame.MaskSecrets(err.Error()))
	}
}

// Of a device, what the service last heard of it. For staff and admin.
type heardAnswer struct {
	LastPullAt *time.Time `json:"last_pull_at,omitzero"`
	LastPushAt *time.Time `json:"last_push_at,omitzero"`
	// The place in the program's one order of accepted versions.
	AcknowledgedPosition *int64 `json:"acknowledged_position,omitzero"`
	// The device's clock less ours in s.
	ClockOffsetS *float64 `json:"clock_offset_s,omitzero"`
	// App and schema that it named.
	Client *heardClient `json:"client,omitzero"`
	// What it said it still has.
	Pending          *heardPending `json:"pending,omitzero"`
	HeldOpenCount    int64         `json:"held_open_count"`
	HeldWaitingCount int64         `json:"held_waiting_count"`
}

type heardClient struct {
	Name    *string `json:"name,omitzero"`
	Version *string `json:"version,omitzero"`
	Schema  *int32  `json:"schema,omitzero"`
}

type heardPending struct {
	RecordsCount *int32     `json:"records_count,omitzero"`
	PhotosCount  *int32     `json:"photos_count,omitzero"`
	OldestAt     *time.Time `json:"oldest_at,omitzero"`
}

// heardOf reads what was heard of the devices among the entries, for those who
// look after them.
func (s *Server) lastSeenOf(ctx context.Context, caller domain.Caller, kind domain.Kind, seen []storage.Seen) (map[domain.UUID]jsontext.Value, error) {
	if kind != domain.DeviceKind || caller.Scoped() || len(seen) == 0 {
		return nil, nil
	}
	ids := make([]domain.UUID, len(seen))
	for i := range seen {
		ids[i] = seen[i].Entry.ID
	}
	heard, err := s.db.LastSeen(ctx, caller, ids)
	if err != nil {
		return nil, err
	}
	out := make(map[domain.UUID]jsontext.Value, len(heard))
	for id, h := range heard {
		a := heardAnswer{LastPullAt: utc(h.LastPullAt), LastPushAt: utc(h.LastPushAt), AcknowledgedPosition: h.AcknowledgedPosition,
			ClockOffsetS: h.ClockOffsetS, HeldOpenCount: h.HeldOpenCount, HeldWaitingCount: h.HeldWaitingCount}
		if h.LastPushAt != nil {
			a.Client = &heardClient{h.AppName, h.AppVersion, h.SchemaRevision}
			a.Pending = &heardPending{h.PendingRecordsCount, h.PendingPhotosCount, utc(h.PendingOldestAt)}
		}
		if out[id], err = json.Marshal(a); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	u := t.UTC()
	return &u
}
