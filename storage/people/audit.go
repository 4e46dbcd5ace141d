package people

import (
	"context"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// Deed is what somebody did: a line of the audit, or a version of a record that
// a person wrote without a phone.
type Deed struct {
	At       time.Time
	PersonID domain.UUID // zero: the operator at the machine, or a machine
	Name     string
	TokenID  domain.UUID
	Action   string
	Kind     string // of a record
	ID       domain.UUID
	JobID    domain.UUID
	Position int64 // of a record's version
	Version  int64
	Detail   string

	order domain.UUID
}

// A DeedFilter narrows the list.
type DeedFilter struct {
	PersonID     domain.UUID
	From, Before *time.Time
}

// A DeedPlace is where a page of deeds ends: the next begins behind it.
type DeedPlace struct {
	At    time.Time
	Order domain.UUID
}

// Place is the deed's own.
func (d *Deed) Place() DeedPlace { return DeedPlace{d.At, d.order} }

type deedRow struct {
	At        time.Time
	DeedOrder [16]byte
	PersonID  *[16]byte
	Name      *string
	TokenID   *[16]byte
	Action    string
	Kind      *string
	ID        *[16]byte
	JobID     *[16]byte
	Position  *int64
	Version   *int64
	Detail    string
}

// Newest first. Both halves are read from the end of an index and give no more
// than a page. The decision of a review is part of its action, and so is that a
// version voids its record. Free texts stay where they are.
const deedsSQL = `
SELECT d.at, d.deed_order, d.person_id, p.name, d.token_id, d.action, d.kind, d.id, d.job_id, d.position, d.version, d.detail
FROM (
    (SELECT a.at, a.audit_id AS deed_order, a.person_id, a.token_id, a.action, NULL::text AS kind, a.subject_id AS id, NULL::uuid AS job_id,
        NULL::bigint AS position, NULL::bigint AS version, a.detail
    FROM audit AS a
    WHERE a.program_id = @program_id AND a.at >= @from AND a.at < @before AND (a.at < @until OR a.at = @until AND a.audit_id < @order)
        AND (@person_id::uuid IS NULL OR a.person_id = @person_id)
    ORDER BY a.at DESC, a.audit_id DESC LIMIT @limit)
    UNION ALL
    (SELECT e.recorded_at, lpad(to_hex(e.position), 32, '0')::uuid, e.person_id, e.token_id,
        CASE WHEN e.voided_at IS NOT NULL THEN 'void_' || e.kind WHEN e.kind = 'review' THEN 'review_' || (e.body::jsonb ->> 'decision')
            WHEN e.version = 1 THEN 'add_' || e.kind ELSE 'change_' || e.kind END,
        e.kind, e.record_id, e.job_id, e.position, e.version, ''
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.person_id IS NOT NULL AND e.device_id IS NULL
        AND e.recorded_at >= @from AND e.recorded_at < @before
        AND (e.recorded_at < @until OR e.recorded_at = @until AND lpad(to_hex(e.position), 32, '0')::uuid < @order)
        AND (@person_id::uuid IS NULL OR e.person_id = @person_id)
    ORDER BY e.recorded_at DESC, e.position DESC LIMIT @limit)
) AS d
LEFT JOIN person AS p ON p.program_id = @program_id AND p.person_id = d.person_id
ORDER BY d.at DESC, d.deed_order DESC LIMIT @limit`

// Deeds gives what people did, newest first, from behind a place on.
func Deeds(ctx context.Context, db *storage.DB, caller domain.Caller, f DeedFilter, after *DeedPlace, limit int) (list []Deed, err error) {
	far := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	args := storage.Args{"person_id": f.PersonID, "from": time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), "before": far, "until": far,
		"order": domain.UUID{}, "limit": limit}
	if f.From != nil {
		args["from"] = *f.From
	}
	if f.Before != nil {
		args["before"] = *f.Before
	}
	if after != nil {
		args["until"], args["order"] = after.At, [16]byte(after.Order)
	}
	var rows []deedRow
	err = db.In(ctx, caller.Program, storage.Reading, func(t *storage.Tx) error {
		args["program_id"] = t.Program
		storage.All(t, &rows, deedsSQL, args)
		return nil
	})
	for i := range rows {
		list = append(list, rows[i].deed())
	}
	return list, err
}

func (r *deedRow) deed() Deed {
	d := Deed{At: r.At, Action: r.Action, Detail: r.Detail, order: r.DeedOrder}
	for _, id := range []struct {
		from *[16]byte
		into *domain.UUID
	}{{r.PersonID, &d.PersonID}, {r.TokenID, &d.TokenID}, {r.ID, &d.ID}, {r.JobID, &d.JobID}} {
		if id.from != nil {
			*id.into = *id.from
		}
	}
	if r.Name != nil {
		d.Name = *r.Name
	}
	if r.Kind != nil {
		d.Kind = *r.Kind
	}
	if r.Position != nil && r.Version != nil {
		d.Position, d.Version = *r.Position, *r.Version
	}
	return d
}
