package storage

import (
	"context"
	"errors"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// waitsAtMost is how long an item waits for its parent before a person is
// asked to look at it.
const waitsAtMost = 7 * 24 * time.Hour

// lookAfter is the age at which a waiting item is first looked at again. It is
// looked at once more each time its age has doubled.
const lookAfter = 30 * time.Second

// looksAtMost bounds the items of one program that are looked at at once.
const looksAtMost = 200

const heldOverdueSQL = `
UPDATE held SET state = 'open', code = 'parent_missing' WHERE program_id = @program_id AND state = 'waiting' AND received_at < @before`

// Items that wait for a record that is there: it came while nobody looked, or
// its sender may know of it only since.
const heldLookSQL = `
UPDATE held AS h SET looked_at = @at
FROM (SELECT x.held_id FROM held AS x
    CROSS JOIN LATERAL (SELECT r.version FROM entry AS r
        WHERE r.program_id = @program_id AND r.record_id = x.missing_id AND r.kind = x.missing_kind AND r.until_position IS NULL OFFSET 0) AS r
    WHERE x.program_id = @program_id AND x.state = 'waiting'
        AND @at::timestamptz - coalesce(x.looked_at, x.received_at)
            >= greatest(@look_after::interval, coalesce(x.looked_at, x.received_at) - x.received_at)
    ORDER BY x.received_at LIMIT @limit FOR UPDATE OF x SKIP LOCKED) AS due
WHERE h.program_id = @program_id AND h.held_id = due.held_id
RETURNING h.missing_kind, h.missing_id`

type lookRow struct {
	MissingKind string
	MissingID   [16]byte
}

// LookedAgain is what LookAgain did.
type LookedAgain struct {
	Opened int64 // items that have waited too long
	Looked int   // records that are there and for which items still waited
}

// LookAgain looks, in every program, at the held items that still wait: those whose
// record has come are decided again, those that have waited too long are opened
// for a person. It is safe to run at any time and on several instances at once.
func (db *DB) LookAgain(ctx context.Context) (looked LookedAgain, err error) {
	positions, err := db.Positions(ctx)
	if err != nil {
		return looked, err
	}
	var errs []error
	for program := range positions {
		errs = append(errs, db.lookAgainIn(ctx, program, &looked))
	}
	return looked, errors.Join(errs...)
}

func (db *DB) lookAgainIn(ctx context.Context, program domain.UUID, looked *LookedAgain) error {
	var opened int64
	var due []lookRow
	err := db.In(ctx, program, Writing, func(t *Tx) error {
		t.Queue(heldOverdueSQL, Args{"program_id": program, "before": t.Now.Add(-waitsAtMost)}).Exec(Affected(&opened))
		All(t, &due, heldLookSQL, Args{"program_id": program, "at": t.Now, "look_after": lookAfter, "limit": looksAtMost})
		return nil
	})
	if looked.Opened += opened; err != nil || len(due) == 0 {
		return err
	}
	came := make([]intake.Key, len(due))
	for i, row := range due {
		came[i] = intake.Key{Kind: domain.Kind(row.MissingKind), ID: row.MissingID}
	}
	looked.Looked += len(came)
	_, err = db.Push(ctx, domain.Caller{Program: program}, Push{Came: came, ReceivedAt: db.now()})
	return err
}
