package storage

import (
	"context"
	"errors"

	"ductledger/domain"
	"ductledger/domain/ledger"
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
