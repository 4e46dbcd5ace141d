package storage

import (
	"context"

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
