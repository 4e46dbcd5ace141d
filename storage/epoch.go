package storage

import (
	"context"

	"ductledger/domain"

	"github.com/google/uuid"
)

const epochOpenSQL = `
UPDATE program_head SET epoch = @epoch, epoch_from_position = position
WHERE program_id = @program_id AND epoch = @before`

// OpenEpoch begins a new history of a programme whose old one was lost or
// replaced, and says so in the audit. Who comes second finds the first's.
func (db *DB) OpenEpoch(ctx context.Context, caller domain.Caller, before domain.UUID, why string) (head Head, err error) {
	id, err := uuid.NewV7()
	if err != nil {
		return Head{}, err
	}
	err = db.in(ctx, caller.Program, writing, func(t *tx) error {
		var opened int64
		t.queue(epochOpenSQL, named{"program_id": t.program, "epoch": domain.UUID(id), "before": before}.pgx()).Exec(affected(&opened))
		var heads []headRow
		all(t, &heads, headSQL, named{"program_id": t.program}.pgx())
		if err := t.flush(); err != nil {
			return err
		}
		head = heads[0].head()
		if opened == 0 {
			return nil
		}
		return t.writeAudit(caller, "epoch_opened", domain.UUID(id), why)
	})
	return head, err
}
