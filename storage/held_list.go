package storage

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/ledger"
)

// Held is an item that was not accepted, as it is shown.
type Held struct {
	ID              domain.UUID
	State           string
	Kind            string
	RecordID        domain.UUID
	JobID           domain.UUID
	BaseVersion     int64
	Bytes           []byte
	Code            string
	Problem         string // JSON
	TokenID         domain.UUID
	PersonID        domain.UUID // who sent it
	DeviceID        domain.UUID
	ReceivedAt      string
	ClosedAt        string
	ClosedByVersion int64
	ClosedByPerson  domain.UUID
}

const heldListSQL = `
SELECT` + heldColumns + `
FROM held AS h
WHERE h.program_id = @program_id AND (@after::uuid IS NULL OR h.held_id > @after)
    AND h.state = ANY (@states) AND (@job_id::uuid IS NULL OR h.job_id = @job_id)
    AND (NOT @scoped::boolean OR h.contractor_id = @contractor_id)
ORDER BY h.held_id
LIMIT @limit`

// HeldItems lists what was not accepted, oldest first: open and waiting items
// when no state is named.
func (db *DB) HeldItems(ctx context.Context, caller domain.Caller, state string, job, after domain.UUID, limit int) (list []Held, err error) {
	states := []string{"open", "waiting"}
	if state != "" {
		states = []string{state}
	}
	var rows []heldRow
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, heldListSQL, scopeArgs(caller, Args{"after": after, "states": states, "job_id": job, "limit": limit}))
		return nil
	})
	for i := range rows {
		list = append(list, rows[i].held())
	}
	return list, err
}

func (r *heldRow) held() Held {
	h := Held{ID: r.HeldID, State: r.State, RecordID: IDOf(r.RecordID), JobID: IDOf(r.JobID), BaseVersion: r.BaseVersion, Bytes: r.Bytes,
		Code: r.Code, Problem: r.Problem, TokenID: r.TokenID, PersonID: IDOf(r.PersonID), ClosedByPerson: IDOf(r.ClosedByPersonID), DeviceID: IDOf(r.DeviceID), ReceivedAt: ledger.Stamp(r.ReceivedAt)}
	if r.Kind != nil {
		h.Kind = *r.Kind
	}
	if r.ClosedAt != nil {
		h.ClosedAt = ledger.Stamp(*r.ClosedAt)
	}
	if r.ClosedByVersion != nil {
		h.ClosedByVersion = *r.ClosedByVersion
	}
	return h
}

const heldOneSQL = `
SELECT` + heldColumns + ` FROM held AS h WHERE h.program_id = @program_id AND h.held_id = @held_id`

// HeldItem reads one item that was not accepted.
func (db *DB) HeldItem(ctx context.Context, caller domain.Caller, id domain.UUID) (held Held, err error) {
	var row *heldRow
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		One(t, &row, heldOneSQL, Args{"program_id": t.Program, "held_id": id})
		return nil
	})
	if err == nil && row == nil {
		err = domain.Errorf(domain.NotFound, "there is no such held item")
	}
	if err != nil {
		return Held{}, err
	}
	return row.held(), nil
}

const heldDismissSQL = `
UPDATE held SET state = 'dismissed', closed_at = @at, closed_by_person_id = @person_id
WHERE program_id = @program_id AND held_id = @held_id AND closed_at IS NULL`

// DismissHeld closes an item without accepting it. Its bytes stay. With
// validateOnly nothing is closed.
func (db *DB) DismissHeld(ctx context.Context, caller domain.Caller, id domain.UUID, validateOnly bool) error {
	return db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		t.discard = validateOnly
		var closed int64
		t.Queue(heldDismissSQL, Args{"program_id": t.Program, "held_id": id, "at": t.Now, "person_id": caller.Person}).Exec(Affected(&closed))
		if err := t.Flush(); err != nil {
			return err
		}
		if closed == 0 {
			return domain.Errorf(domain.NotFound, "there is no such open item")
		}
		return t.Audit(caller, "held_dismissed", id, "")
	})
}
