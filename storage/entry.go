package storage

import (
	"fmt"
	"time"

	"ductledger/domain"
)

// entryRow is a row of the ledger. Its columns are listed by ledgerColumns.
type entryRow struct {
	Position         int64
	Kind             string
	RecordID         [16]byte
	Version          int64
	JobID            *[16]byte
	Body             string
	TokenID          *[16]byte
	DeviceID         *[16]byte
	AppliedBy        *[16]byte
	ReceivedAt       time.Time
	RecordedAt       time.Time
	ClockOffsetS     *float64
	ResidentRevision *int64
	Late             bool
	VoidReason       *string
	VoidedAt         *time.Time
}

const ledgerColumns = `
    l.position, l.kind::text, l.record_id, l.version, l.job_id, l.body, l.token_id, l.device_id, l.applied_by,
    l.received_at, l.recorded_at, l.clock_offset_s, l.resident_revision, l.late, l.void_reason, l.voided_at`

// ledgerAtSQL joins the entry at h.position. A join beside OFFSET 0 is never
// turned round: planned while the tables were still empty, the entries of ten
// records would else be found by reading the program's whole ledger.
const ledgerAtSQL = `
CROSS JOIN LATERAL (SELECT` + ledgerColumns + `
    FROM ledger AS l WHERE l.program_id = @program_id AND l.position = h.position OFFSET 0) AS l`

// entry is the row as the domain has it, its record decoded when decode is set.
func (r *entryRow) entry(decode bool) (domain.Entry, error) {
	e := domain.Entry{
		Kind: domain.Kind(r.Kind), ID: r.RecordID, Version: r.Version, Position: r.Position,
		JobID: idOf(r.JobID), TokenID: idOf(r.TokenID), DeviceID: idOf(r.DeviceID), AppliedBy: idOf(r.AppliedBy),
		ReceivedAt: r.ReceivedAt, RecordedAt: r.RecordedAt, Late: r.Late, ClockOffsetS: r.ClockOffsetS,
		Body: []byte(r.Body),
	}
	if r.ResidentRevision != nil {
		e.ResidentRevision = *r.ResidentRevision
	}
	if r.VoidReason != nil {
		e.Void = &domain.Void{Reason: *r.VoidReason, VoidedAt: *r.VoidedAt}
	}
	if !decode {
		return e, nil
	}
	record, err := domain.Decode(e.Kind, e.Body)
	if err != nil {
		return e, fmt.Errorf("ledger position %d: %w", r.Position, err)
	}
	e.Record = record
	return e, nil
}

func entriesOf(rows []entryRow, decode bool) ([]domain.Entry, error) {
	entries := make([]domain.Entry, len(rows))
	for i := range rows {
		e, err := rows[i].entry(decode)
		if err != nil {
			return nil, err
		}
		entries[i] = e
	}
	return entries, nil
}

func idOf(id *[16]byte) domain.UUID {
	if id == nil {
		return domain.UUID{}
	}
	return *id
}

// idArg is an id as an argument; the zero id is NULL.
func idArg(id domain.UUID) *[16]byte {
	if id.IsZero() {
		return nil
	}
	b := [16]byte(id)
	return &b
}

// idArgs are ids as one array argument.
func idArgs(ids []domain.UUID) [][16]byte {
	args := make([][16]byte, len(ids))
	for i, id := range ids {
		args[i] = id
	}
	return args
}
