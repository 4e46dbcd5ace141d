package storage

import (
	"context"
	"time"

	"ductledger/domain"
)

// Stat tells how much of the connections is in use.
type Stat struct {
	InUse, Idle, Most int32
	Waits             int64         // for a connection, so far
	Waited            time.Duration // all such waits together
	UnderWay          int           // transactions
	Away              bool          // the database does not answer
}

// Stat asks the database nothing.
func (db *DB) Stat() Stat {
	s := db.pool.Stat()
	db.watch.mu.Lock()
	defer db.watch.mu.Unlock()
	return Stat{InUse: s.AcquiredConns(), Idle: s.IdleConns(), Most: s.MaxConns(), Waits: s.EmptyAcquireCount(), Waited: s.EmptyAcquireWaitTime(),
		UnderWay: len(db.watch.under), Away: db.watch.away}
}

// ProgramStat is what waits for somebody in one program.
type ProgramStat struct {
	Code         string
	Epoch        domain.UUID
	Position     int64
	HeldOpen     int64
	HeldWaiting  int64
	OldestHeldAt *time.Time
	Builds       int64 // asked for and not ended
	BuildsFailed int64
	OldestAskAt  *time.Time
	// RestoreTriedAt is when a backup was last restored beside and proved.
	RestoreTriedAt *time.Time
}

const programStatSQL = `
SELECT p.code, h.epoch, h.position, d.held_open, d.held_waiting, d.oldest_held_at, b.builds, b.builds_failed, b.oldest_ask_at,
    (SELECT max(a.at) FROM audit AS a WHERE a.program_id = @program_id AND a.action = 'restore_tried') AS restore_tried_at
FROM program AS p
JOIN program_head AS h ON h.program_id = p.program_id
CROSS JOIN (SELECT count(*) FILTER (WHERE state = 'open') AS held_open, count(*) FILTER (WHERE state = 'waiting') AS held_waiting,
        min(received_at) AS oldest_held_at
    FROM held WHERE program_id = @program_id AND state IN ('open', 'waiting')) AS d
CROSS JOIN (SELECT count(*) FILTER (WHERE state = 'building') AS builds, count(*) FILTER (WHERE state = 'failed') AS builds_failed,
        min(asked_at) FILTER (WHERE state = 'building') AS oldest_ask_at
    FROM month_build WHERE program_id = @program_id) AS b
WHERE p.program_id = @program_id`

// ProgramStats reads them, a program at a time.
func (db *DB) ProgramStats(ctx context.Context) (list []ProgramStat, err error) {
	positions, err := db.Positions(ctx)
	if err != nil {
		return nil, err
	}
	for program := range positions {
		var row *struct {
			ProgramStat
			Epoch [16]byte
		}
		err := db.In(ctx, program, Reading, func(t *Tx) error {
			One(t, &row, programStatSQL, Args{"program_id": t.Program})
			return nil
		})
		if err != nil {
			return nil, err
		}
		if row != nil {
			row.ProgramStat.Epoch = row.Epoch
			list = append(list, row.ProgramStat)
		}
	}
	return list, nil
}
