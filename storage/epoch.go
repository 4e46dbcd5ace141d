package storage

import (
	"context"
	"errors"
	"fmt"

	"ductledger/domain"

	"github.com/google/uuid"
)

const epochOpenSQL = `
UPDATE program_head SET epoch = @epoch, epoch_from_position = position, epoch_cause = @cause,
    system_identifier = coalesce(@system_identifier, system_identifier), timeline = coalesce(@timeline, timeline), table_oid = coalesce(@table_oid, table_oid)
WHERE program_id = @program_id AND epoch = @before`

// openEpoch begins a new history, unless another did since the one before: who
// comes second finds the first's.
func (db *DB) openEpoch(ctx context.Context, caller domain.Caller, before domain.UUID, cause, why string, mark databaseMark) (head Head, err error) {
	id, err := uuid.NewV7()
	if err != nil {
		return Head{}, err
	}
	err = db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		var opened int64
		t.Queue(epochOpenSQL, Args{"program_id": t.Program, "epoch": domain.UUID(id), "before": before, "cause": cause,
			"system_identifier": mark.SystemIdentifier, "timeline": mark.Timeline, "table_oid": mark.TableOID}).Exec(Affected(&opened))
		var heads []headRow
		All(t, &heads, headSQL, Args{"program_id": t.Program})
		if err := t.Flush(); err != nil {
			return err
		}
		head = heads[0].head()
		if opened == 0 {
			return nil
		}
		return t.Audit(caller, "epoch_opened", domain.UUID(id), why)
	})
	return head, err
}

// databaseMark tells one database's history from another's: by the server, by
// its timeline, and by the table itself, which a dump that is put back makes anew.
type databaseMark struct {
	SystemIdentifier *int64
	Timeline         *int32
	TableOID         *int64
}

func (m databaseMark) equal(other databaseMark) bool {
	return *m.SystemIdentifier == *other.SystemIdentifier && *m.Timeline == *other.Timeline && *m.TableOID == *other.TableOID
}

func (m databaseMark) String() string {
	return fmt.Sprintf("server %d on timeline %d, table %d", *m.SystemIdentifier, *m.Timeline, *m.TableOID)
}

const databaseMarkSQL = `
SELECT s.system_identifier, c.timeline_id AS timeline, 'program_head'::regclass::oid::bigint AS table_oid
FROM pg_control_system() AS s, pg_control_checkpoint() AS c`

const headMarksSQL = `
SELECT program_id, epoch, system_identifier, timeline, table_oid FROM program_head WHERE program_id IS NOT NULL ORDER BY program_id`

const headMarkSQL = `
UPDATE program_head SET system_identifier = @system_identifier, timeline = @timeline, table_oid = @table_oid WHERE program_id = @program_id`

type headMarkRow struct {
	ProgramID [16]byte
	Epoch     [16]byte
	databaseMark
}

// ErrOtherDatabase says that the programs' history was written in another
// database, or on another timeline of it: a restore, or a failover.
var ErrOtherDatabase = errors.New("this database is not the one in which the ledger was last written")

func (db *DB) marks(ctx context.Context) (now databaseMark, heads []headMarkRow, err error) {
	err = db.In(ctx, domain.UUID{}, Reading, func(t *Tx) error {
		var marks []databaseMark
		All(t, &marks, databaseMarkSQL)
		All(t, &heads, headMarksSQL)
		if err := t.Flush(); err != nil {
			return err
		}
		now = marks[0]
		return nil
	})
	return now, heads, err
}

// CheckDatabase compares the database with the one that wrote last. It adopts
// programs that never named one, and answers ErrOtherDatabase where another
// did: the operator then has to say whether history was lost.
func (db *DB) CheckDatabase(ctx context.Context) error {
	now, heads, err := db.marks(ctx)
	if err != nil {
		return err
	}
	for _, h := range heads {
		switch {
		case h.SystemIdentifier == nil:
			if err := db.adopt(ctx, h.ProgramID, now); err != nil {
				return err
			}
		case !h.equal(now):
			return fmt.Errorf("%w: it was %s, this is %s", ErrOtherDatabase, h.databaseMark, now)
		}
	}
	return nil
}

func (db *DB) adopt(ctx context.Context, program domain.UUID, mark databaseMark) error {
	return db.In(ctx, program, Writing, func(t *Tx) error {
		t.Queue(headMarkSQL, Args{"program_id": program, "system_identifier": mark.SystemIdentifier, "timeline": mark.Timeline, "table_oid": mark.TableOID})
		return nil
	})
}

// NameFailover takes this database for all programs: a planned move that
// lost nothing. The history goes on.
func (db *DB) NameFailover(ctx context.Context) error {
	now, heads, err := db.marks(ctx)
	for _, h := range heads {
		err = errors.Join(err, db.adopt(ctx, h.ProgramID, now))
	}
	return err
}

// NameRestore opens a new epoch in every program: what devices sent since
// the backup was taken is theirs to send again.
func (db *DB) NameRestore(ctx context.Context) error {
	now, heads, err := db.marks(ctx)
	for _, h := range heads {
		_, opened := db.openEpoch(ctx, domain.Caller{Program: h.ProgramID}, h.Epoch, "restore", "the operator named a restore", now)
		err = errors.Join(err, opened)
	}
	return err
}
