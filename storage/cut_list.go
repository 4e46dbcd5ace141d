package storage

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/cutlist"
	"ductledger/domain/rules"
)

// CutList says what to cut for a job, from its records as they stand.
func (db *DB) CutList(ctx context.Context, caller domain.Caller, id domain.UUID, p cutlist.Parameters) (out rules.CutList, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		if _, err := t.record(caller, domain.JobKind, id); err != nil {
			return err
		}
		judged, _, err := t.judgeStored(id)
		if err != nil {
			return err
		}
		out, err = judged.assembled.CutList(p)
		return err
	})
	return out, err
}
