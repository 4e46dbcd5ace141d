package storage

import (
	"context"
	"time"
)

// waitsAtMost is how long an item waits for its parent before a person is
// asked to look at it.
const waitsAtMost = 7 * 24 * time.Hour

const heldOverdueSQL = `
UPDATE held SET state = 'open', code = 'parent_missing' WHERE program_id = @program_id AND state = 'waiting' AND received_at < @before`

// Sweep opens, in every program, the held items that have waited too long.
// It is safe to run at any time and on several instances at once.
func (db *DB) Sweep(ctx context.Context) (opened int64, err error) {
	positions, err := db.Positions(ctx)
	if err != nil {
		return 0, err
	}
	for program := range positions {
		err := db.in(ctx, program, writing, func(t *tx) error {
			var n int64
			t.queue(heldOverdueSQL, named{"program_id": program, "before": t.now.Add(-waitsAtMost)}).Exec(affected(&n))
			if err := t.flush(); err != nil {
				return err
			}
			opened += n
			return nil
		})
		if err != nil {
			return opened, err
		}
	}
	return opened, nil
}
