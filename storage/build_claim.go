package storage

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
)

// A build belongs to the instance that claimed it for as long as that says
// that it is alive. The clocks of two instances may differ: then both may
// build, and one of them finds its claim gone before it stores anything.
const (
	buildLease = time.Minute
	buildBeat  = 2 * time.Second // how often the one who builds says how far it is
	buildLook  = 5 * time.Second // how often an instance looks for builds that wait
	buildTries = 3               // a build that ends its instance every time must not go on for ever
	buildPause = 10 * time.Second
)

// A lostBuild says that another instance has the build, or finished it.
type lostBuild struct{}

func (*lostBuild) Error() string { return "another instance builds this month" }

const buildWaitingSQL = `
SELECT b.month FROM month_build AS b
WHERE b.program_id = @program_id AND b.state = 'building' AND b.claimed_until <= @at
ORDER BY b.asked_at, b.month`

// waitingBuilds are the months whose build nobody works on.
func (db *DB) waitingBuilds(ctx context.Context, program domain.UUID) (months []domain.Month, err error) {
	type monthRow struct{ Month string }
	var rows []monthRow
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		All(t, &rows, buildWaitingSQL, Args{"program_id": t.Program, "at": t.Now})
		return t.Flush()
	})
	for _, r := range rows {
		months = append(months, domain.Month(r.Month))
	}
	return months, err
}

const buildClaimSQL = `
UPDATE month_build AS b
SET claim = @claim, claimed_until = @until, tries_count = b.tries_count + 1, stage = @stage, done_count = 0, total_count = 0, started_at = @at, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.state = 'building' AND b.claimed_until <= @at
RETURNING` + buildColumns

// claimBuild takes a build that nobody works on; nil when there is none.
func (db *DB) claimBuild(ctx context.Context, program domain.UUID, m domain.Month) (b *Build, err error) {
	claim, err := newClaim()
	if err != nil {
		return nil, err
	}
	err = db.In(ctx, program, Writing, func(t *Tx) error {
		var row *buildRow
		One(t, &row, buildClaimSQL, Args{"program_id": t.Program, "month": string(m), "claim": claim, "stage": StageHistory,
			"at": t.Now, "until": t.Now.Add(buildLease)})
		if err := t.Flush(); err != nil || row == nil {
			return err
		}
		b, err = row.build()
		return err
	})
	return b, err
}

// hold keeps a build's claim while it is worked on, and tells how far it is.
type hold struct {
	db      *DB
	program domain.UUID
	build   *Build

	mu          sync.Mutex
	stage       string
	done, total int64
}

func (h *hold) report(stage string, done, total int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.stage, h.done, h.total = stage, done, total
}

const buildBeatSQL = `
UPDATE month_build AS b SET stage = @stage, done_count = @done, total_count = @total, updated_at = @at, claimed_until = @until
WHERE b.program_id = @program_id AND b.month = @month AND b.claim = @claim AND b.state = 'building'`

// beat says that the build is alive; a lostBuild when it is another's.
func (h *hold) beat(t *Tx) error {
	h.mu.Lock()
	args := Args{"program_id": t.Program, "month": string(h.build.Month), "claim": h.build.claim, "stage": h.stage, "done": h.done, "total": h.total,
		"at": t.Now, "until": t.Now.Add(buildLease)}
	h.mu.Unlock()
	var n int64
	t.Queue(buildBeatSQL, args).Exec(Affected(&n))
	if err := t.Flush(); err != nil {
		return err
	}
	if n == 0 {
		return &lostBuild{}
	}
	return nil
}

// keep beats until ctx ends, and cancels the work when the claim is lost. A
// database that is away for a while only delays it.
func (h *hold) keep(ctx context.Context, cancel context.CancelCauseFunc) {
	tick := time.NewTicker(buildBeat)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		var lost *lostBuild
		if err := h.db.In(ctx, h.program, Writing, h.beat); errors.As(err, &lost) {
			cancel(lost)
		}
	}
}

const buildEndSQL = `
DELETE FROM month_build AS b WHERE b.program_id = @program_id AND b.month = @month AND b.claim = @claim`

// end forgets the build: its package stands.
func (h *hold) end(t *Tx) {
	t.Queue(buildEndSQL, Args{"program_id": t.Program, "month": string(h.build.Month), "claim": h.build.claim})
}

const buildReleaseSQL = `
UPDATE month_build AS b SET claim = NULL, claimed_until = @until, tries_count = b.tries_count - @back, stage = @stage, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.claim = @claim AND b.state = 'building'`

// release lets another instance have the build, after a pause when it failed.
// A build that was only interrupted has not used up a try.
func (h *hold) release(ctx context.Context, interrupted bool) error {
	pause, back := buildPause, 0
	if interrupted {
		pause, back = 0, 1
	}
	return h.db.In(ctx, h.program, Writing, func(t *Tx) error {
		t.Queue(buildReleaseSQL, Args{"program_id": t.Program, "month": string(h.build.Month), "claim": h.build.claim, "stage": StageWaiting,
			"at": t.Now, "until": t.Now.Add(pause), "back": back})
		return nil
	})
}

const buildFailSQL = `
UPDATE month_build AS b SET state = 'failed', failure = @failure, claim = NULL, updated_at = @at
WHERE b.program_id = @program_id AND b.month = @month AND b.claim = @claim AND b.state = 'building'`

// fail ends the build for good, with the reason for whoever asks.
func (h *hold) fail(ctx context.Context, why *domain.Error) error {
	text, err := json.Marshal(failure{why.Code, why.Detail, why.Faults})
	if err != nil {
		return fmt.Errorf("write why the build of %s failed: %w", h.build.Month, err)
	}
	return h.db.In(ctx, h.program, Writing, func(t *Tx) error {
		var n int64
		t.Queue(buildFailSQL, Args{"program_id": t.Program, "month": string(h.build.Month), "claim": h.build.claim, "failure": string(text), "at": t.Now}).Exec(Affected(&n))
		if err := t.Flush(); err != nil || n == 0 {
			return err
		}
		return t.Audit(h.build.caller(h.program), "package_build_failed", domain.UUID{}, fmt.Sprintf("%s: %s", h.build.audited(), why.Code))
	})
}
