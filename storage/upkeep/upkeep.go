// Package upkeep is what an operator asks of a database: whether it stands right, what
// waits in each program, and when a backup was last proved.
package upkeep

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/jackc/pgx/v5"
)

// Database is what a look at it finds.
type Database struct {
	ServerVersion  string
	ServerAt       time.Time // by the database's clock
	BytesCount     int64     // of the database on disk
	InvalidIndexes []string  // left by an index build that was broken off
	Fsync          bool
}

type healthRow struct {
	ServerVersion string
	ServerAt      time.Time
	BytesCount    int64
	Fsync         bool
}

// The database's own clock is asked for here only, to be compared with ours.
const doctorServerSQL = `
SELECT current_setting('server_version') AS server_version, clock_timestamp() AS server_at,
    pg_database_size(current_database()) AS bytes_count, current_setting('fsync')::boolean AS fsync`

const doctorIndexesSQL = `
SELECT c.relname::text AS name FROM pg_index AS i JOIN pg_class AS c ON c.oid = i.indexrelid
WHERE NOT i.indisvalid ORDER BY c.relname`

// Look looks at the database as a whole; it reads no program's rows.
func Look(ctx context.Context, db *storage.DB) (h Database, err error) {
	err = db.In(ctx, domain.UUID{}, storage.Reading, func(t *storage.Tx) error {
		var servers []healthRow
		var indexes []struct{ Name string }
		storage.All(t, &servers, doctorServerSQL)
		storage.All(t, &indexes, doctorIndexesSQL)
		if err := t.Flush(); err != nil {
			return err
		}
		s := servers[0]
		h = Database{ServerVersion: s.ServerVersion, ServerAt: s.ServerAt, BytesCount: s.BytesCount, Fsync: s.Fsync}
		for _, i := range indexes {
			h.InvalidIndexes = append(h.InvalidIndexes, i.Name)
		}
		return nil
	})
	return h, err
}

const doctorOpenJobsSQL = `
SELECT s.contractor_id, count(*) AS count FROM job_scope AS s
WHERE s.program_id = @program_id AND s.open
GROUP BY s.contractor_id HAVING count(*) > @limit ORDER BY s.contractor_id`

// CrowdedContractors are those with more open jobs than limit: their devices'
// first pull grows with them.
func CrowdedContractors(ctx context.Context, db *storage.DB, program domain.UUID, limit int) (ids []domain.UUID, head storage.Head, err error) {
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		var rows []struct {
			ContractorID [16]byte
			Count        int64
		}
		var found *storage.Head
		storage.All(t, &rows, doctorOpenJobsSQL, storage.Args{"program_id": t.Program, "limit": limit})
		t.QueueHead(&found)
		if err := t.Flush(); err != nil {
			return err
		}
		for _, r := range rows {
			ids = append(ids, r.ContractorID)
		}
		if found != nil {
			head = *found
		}
		return nil
	})
	return ids, head, err
}

const restoreTried = "restore_tried"

// RestoreWithin is how long it is enough that a backup was tried. Common
// practice, no source: each quarter.
const RestoreWithin = 92 * 24 * time.Hour

// NoteRestoreTried writes into the audit that a backup was restored beside and
// proved, up to a position.
func NoteRestoreTried(ctx context.Context, db *storage.DB, caller domain.Caller, position int64) error {
	return db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		return t.Audit(caller, restoreTried, domain.UUID{}, fmt.Sprintf("a backup was restored beside and holds up to position %d", position))
	})
}

const restoreTriedSQL = `
SELECT max(at) AS at FROM audit WHERE program_id = @program_id AND action = 'restore_tried'`

// RestoreTriedAt is when a backup was last proved; nil when none was.
func RestoreTriedAt(ctx context.Context, db *storage.DB, program domain.UUID) (at *time.Time, err error) {
	err = db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
		var rows []struct{ At *time.Time }
		storage.All(t, &rows, restoreTriedSQL, storage.Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		at = rows[0].At
		return nil
	})
	return at, err
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
func ProgramStats(ctx context.Context, db *storage.DB) (list []ProgramStat, err error) {
	positions, err := db.Positions(ctx)
	if err != nil {
		return nil, err
	}
	for program := range positions {
		var row *struct {
			ProgramStat
			Epoch [16]byte
		}
		err := db.In(ctx, program, storage.Reading, func(t *storage.Tx) error {
			storage.One(t, &row, programStatSQL, storage.Args{"program_id": t.Program})
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

// The programs' own tables: the catalog's are many, and did not change. A
// small sample is enough to tell a table of thousands of rows from an empty
// one.
const analyzeSQL = `
DO $$ BEGIN
    SET LOCAL default_statistics_target = 10;
    EXECUTE (SELECT 'ANALYZE ' || string_agg(quote_ident(relname), ', ') FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind = 'r');
END $$`

// Analyze refreshes what the planner knows of the tables. url is the owner's.
// Postgres does it by itself, but a minute late. Without any statistics every
// index of a table looks as good as another, so that until then a database that
// is filled at once looks up a row by reading a program's whole ledger.
func Analyze(ctx context.Context, url string) error {
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return fmt.Errorf("connect to analyze: %w", err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, analyzeSQL); err != nil {
		return fmt.Errorf("analyze: %w", err)
	}
	return nil
}
