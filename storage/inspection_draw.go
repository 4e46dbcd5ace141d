package storage

import (
	"context"

	"ductledger/domain"
)

const drawInsertSQL = `
INSERT INTO inspection_draw (program_id, job_id, granted_position, drawn_at)
SELECT @program_id, j.id, greatest(p.position, 1), @at FROM job AS j JOIN program_head AS p ON p.program_id = j.program_id
WHERE j.program_id = @program_id AND j.id = ANY (@jobs)
ON CONFLICT (program_id, job_id) DO UPDATE SET granted_position = excluded.granted_position, drawn_at = excluded.drawn_at, closed_at = NULL`

// Draw opens jobs for inspection: inspectors see them until the inspection is
// finished.
func (db *DB) Draw(ctx context.Context, caller domain.Caller, jobs []domain.UUID) error {
	return db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		t.Queue(drawInsertSQL, Args{"program_id": t.Program, "jobs": jobs, "at": t.Now})
		return nil
	})
}

const drawCloseSQL = `
UPDATE inspection_draw SET closed_at = greatest(drawn_at, @at) WHERE program_id = @program_id AND job_id = @job_id AND closed_at IS NULL`
