package storage

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
)

// Health is what a look at the database finds.
type Health struct {
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

// Health looks at the database as a whole; it reads no program's rows.
func (db *DB) Health(ctx context.Context) (h Health, err error) {
	err = db.In(ctx, domain.UUID{}, Reading, func(t *Tx) error {
		var servers []healthRow
		var indexes []struct{ Name string }
		All(t, &servers, doctorServerSQL)
		All(t, &indexes, doctorIndexesSQL)
		if err := t.Flush(); err != nil {
			return err
		}
		s := servers[0]
		h = Health{ServerVersion: s.ServerVersion, ServerAt: s.ServerAt, BytesCount: s.BytesCount, Fsync: s.Fsync}
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
func (db *DB) CrowdedContractors(ctx context.Context, program domain.UUID, limit int) (ids []domain.UUID, head Head, err error) {
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		var rows []struct {
			ContractorID [16]byte
			Count        int64
		}
		var heads []headRow
		All(t, &rows, doctorOpenJobsSQL, Args{"program_id": t.Program, "limit": limit})
		All(t, &heads, headSQL, Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		for _, r := range rows {
			ids = append(ids, r.ContractorID)
		}
		if len(heads) > 0 {
			head = heads[0].head()
		}
		return nil
	})
	return ids, head, err
}

// LinkAt is the chain's link at a position; of one that is not there an error.
func (db *DB) LinkAt(ctx context.Context, program domain.UUID, position int64) (link ledger.Digest, err error) {
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		link, err = t.linkAt(position)
		return err
	})
	if err == nil && link == (ledger.Digest{}) && position > 0 {
		err = domain.Errorf(domain.NotFound, "there is no position %d", position)
	}
	return link, err
}

const restoreTried = "restore_tried"

// NoteRestoreTried writes into the audit that a backup was restored beside and
// proved, up to a position.
func (db *DB) NoteRestoreTried(ctx context.Context, caller domain.Caller, position int64) error {
	return db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		return t.Audit(caller, restoreTried, domain.UUID{}, fmt.Sprintf("a backup was restored beside and holds up to position %d", position))
	})
}

const restoreTriedSQL = `
SELECT max(at) AS at FROM audit WHERE program_id = @program_id AND action = 'restore_tried'`

// RestoreTriedAt is when a backup was last proved; nil when none was.
func (db *DB) RestoreTriedAt(ctx context.Context, program domain.UUID) (at *time.Time, err error) {
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		var rows []struct{ At *time.Time }
		All(t, &rows, restoreTriedSQL, Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		at = rows[0].At
		return nil
	})
	return at, err
}
