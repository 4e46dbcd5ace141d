package storage

import (
	"context"
	"time"

	"ductledger/domain"
)

// Numbers only, across programs: what wakes those who wait for news.
const positionsSQL = `
SELECT program_id, position FROM program_head WHERE program_id IS NOT NULL`

// Positions reads where each program's ledger stands.
func (db *DB) Positions(ctx context.Context) (map[domain.UUID]int64, error) {
	var rows []struct {
		ProgramID [16]byte
		Position  int64
	}
	err := db.In(ctx, domain.UUID{}, Reading, func(t *Tx) error {
		All(t, &rows, positionsSQL)
		return nil
	})
	positions := make(map[domain.UUID]int64, len(rows))
	for _, r := range rows {
		positions[r.ProgramID] = r.Position
	}
	return positions, err
}

// A Moment is a position of the ledger with the time at which it was recorded.
type Moment struct {
	Position   int64
	RecordedAt time.Time
}

const momentSQL = `
SELECT position, recorded_at FROM entry
WHERE program_id = @program_id AND position = coalesce(@position::bigint, (SELECT position FROM program_head WHERE program_id = @program_id))`

// QueueMoment queues the look-up of a position, of the head when 0; *into stays
// nil when the ledger has no such position.
func (t *Tx) QueueMoment(into **Moment, position int64) {
	One(t, into, momentSQL, Args{"program_id": t.Program, "position": OrNull(position)})
}
