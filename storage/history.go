package storage

import (
	"context"
	"errors"
	"fmt"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/google/uuid"
)

// A Point is a place in one unbroken history of a program. The beginning of the
// chain's link there tells whether the ledger still has the same history.
type Point struct {
	Epoch    domain.UUID
	Position int64
	Link     [4]byte
}

// Point is where the head stands.
func (h *Head) Point() Point { return pointAt(h.Epoch, h.Position, h.Link) }

func pointAt(epoch domain.UUID, position int64, link ledger.Digest) Point {
	return Point{epoch, position, [4]byte(link[:4])}
}

// History is what a caller knows of a program's history: the epoch by its name,
// if it tells one, and points that this service once gave out.
type History struct {
	Epoch  string
	Points []Point
}

// EpochChanged says that the caller knows another history than the one stored.
// Nothing of its request was carried out.
type EpochChanged struct {
	Head Head
	// Shared is the caller's point that is proven to lie in both histories; its
	// position is 0 where none is.
	Shared Point
}

func (*EpochChanged) Error() string { return "the caller knows another history of the program" }

// historyLost says that a caller knows a point of the current epoch that the
// ledger has not: only devices can notice a disk that was set back.
type historyLost struct {
	head  Head
	point Point
}

func (*historyLost) Error() string { return "a device knows positions that the ledger has not" }

const linksAtSQL = `
SELECT position, link FROM entry WHERE program_id = @program_id AND position = ANY (@positions)`

// historyRows are where the ledger stands, with its links at a caller's points.
type historyRows struct {
	heads []headRow
	links []struct {
		Position int64
		Link     []byte
	}
}

// readHistory queues the reading of what a caller's history is compared with.
func (t *Tx) readHistory(h *History) *historyRows {
	rows := &historyRows{}
	positions := make([]int64, len(h.Points))
	for i, p := range h.Points {
		positions[i] = p.Position
	}
	All(t, &rows.heads, headSQL, Args{"program_id": t.Program})
	if len(positions) > 0 {
		All(t, &rows.links, linksAtSQL, Args{"program_id": t.Program, "positions": positions})
	}
	return rows
}

func (r *historyRows) head() Head { return r.heads[0].head() }

// compare tells whether what the caller knows is the history that is stored.
func (h *History) compare(stored *historyRows) error {
	if h.Epoch == "" && len(h.Points) == 0 {
		return nil
	}
	head, links := stored.head(), map[int64]ledger.Digest{}
	for _, row := range stored.links {
		links[row.Position] = ledger.Digest(row.Link)
	}
	otherName := h.Epoch != "" && h.Epoch != head.Epoch.String()
	for _, p := range h.Points {
		same := p.Link == pointAt(p.Epoch, p.Position, links[p.Position]).Link
		switch {
		case p.Epoch != head.Epoch || otherName:
			changed := &EpochChanged{Head: head}
			// The link proves that both histories are the same up to here. The head at
			// the restore proves it not: who comes from an older epoch may know
			// positions that an earlier restore lost and others have since filled.
			if head.Shared && p.Position > 0 && p.Position <= head.EpochFrom && same {
				changed.Shared = p
			}
			return changed
		case p.Position > head.Position || !same:
			return &historyLost{head, p}
		}
	}
	if otherName {
		return &EpochChanged{Head: head}
	}
	return nil
}

// afterLoss begins a new epoch where a device noticed that history was lost,
// and gives every other error back.
func (db *DB) afterLoss(ctx context.Context, caller domain.Caller, err error) error {
	var lost *historyLost
	if !errors.As(err, &lost) {
		return err
	}
	db.log.Error("history was lost: a device knows positions that the ledger has not; a new epoch opens",
		"program", caller.Program.String(), "position", lost.point.Position, "head", lost.head.Position)
	head, err := db.openEpoch(ctx, caller, lost.head.Epoch, "device", lost.Error(), databaseMark{})
	if err != nil {
		return err
	}
	return &EpochChanged{Head: head}
}

const historyKeySQL = `SELECT history_key FROM program WHERE program_id = @program_id`

// HistoryKey is the program's key that seals cursors and receipts. It never
// changes, so it is read once.
func (db *DB) HistoryKey(ctx context.Context, program domain.UUID) ([]byte, error) {
	if key, ok := db.historyKeys.Load(program); ok {
		return key.([]byte), nil
	}
	var rows []struct{ HistoryKey []byte }
	err := db.In(ctx, program, Reading, func(t *Tx) error {
		All(t, &rows, historyKeySQL, Args{"program_id": t.Program})
		return nil
	})
	if err == nil && len(rows) == 0 {
		err = domain.Errorf(domain.NotFound, "there is no such program")
	}
	if err != nil {
		return nil, err
	}
	db.historyKeys.Store(program, rows[0].HistoryKey)
	return rows[0].HistoryKey, nil
}

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
