package storage

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// heldRow is an item that was not accepted. Its columns are heldColumns.
type heldRow struct {
	HeldID           [16]byte
	State            string
	Kind             *string
	RecordID         *[16]byte
	BaseVersion      int64
	Bytes            []byte
	Code             string
	Problem          string
	JobID            *[16]byte
	ContractorID     *[16]byte
	TokenID          [16]byte
	PersonID         *[16]byte
	DeviceID         *[16]byte
	ReceivedAt       time.Time
	ClockOffsetS     *float64
	ClosedAt         *time.Time
	ClosedByVersion  *int64
	ClosedByPersonID *[16]byte
}

const heldColumns = `
    h.held_id, h.state, h.kind, h.record_id, h.base_version, h.bytes, h.code, h.problem, h.job_id, h.contractor_id,
    h.token_id, h.person_id, h.device_id, h.received_at, h.clock_offset_s, h.closed_at, h.closed_by_version, h.closed_by_person_id`

// waitingRow is a waiting item with who sent it.
type waitingRow struct {
	heldRow
	Role string
}

// Items that wait for one of the records that come now, and those that wait
// for them in turn.
const heldWaitingSQL = `
WITH RECURSIVE follows AS (
    SELECT h.held_id, h.kind, h.record_id
    FROM unnest(@came_kinds::text[], @came_ids::uuid[]) AS k(kind, record_id)
    CROSS JOIN LATERAL (SELECT x.held_id, x.kind, x.record_id FROM held AS x
        WHERE x.program_id = @program_id AND x.missing_id = k.record_id AND x.missing_kind = k.kind AND x.state = 'waiting' OFFSET 0) AS h
    UNION
    SELECT h.held_id, h.kind, h.record_id
    FROM follows AS f
    CROSS JOIN LATERAL (SELECT x.held_id, x.kind, x.record_id FROM held AS x
        WHERE x.program_id = @program_id AND x.missing_id = f.record_id AND x.missing_kind = f.kind AND x.state = 'waiting' OFFSET 0) AS h
)
SELECT` + heldColumns + `, t.role
FROM held AS h JOIN follows USING (held_id)
JOIN token AS t ON t.program_id = h.program_id AND t.token_id = h.token_id
WHERE h.program_id = @program_id
ORDER BY h.received_at, h.held_id`

// sender is who sent the item: it is decided with its own rights.
func (r *waitingRow) sender(program domain.UUID) *domain.Caller {
	return &domain.Caller{Program: program, Token: r.TokenID, Person: IDOf(r.PersonID), Role: domain.Role(r.Role), Contractor: IDOf(r.ContractorID), Device: IDOf(r.DeviceID)}
}

// item is the held item as it came, with its own device and times.
func (r *heldRow) item() (*intake.Item, error) {
	var sent struct {
		Kind        domain.Kind    `json:"kind"`
		ID          domain.UUID    `json:"id"`
		BaseVersion int64          `json:"base_version"`
		Record      jsontext.Value `json:"record"`
		Void        *struct {
			Reason string `json:"reason"`
		} `json:"void"`
	}
	bad := func(err error) error { return fmt.Errorf("held item %s: %w", domain.UUID(r.HeldID), err) }
	if err := json.Unmarshal(r.Bytes, &sent); err != nil {
		return nil, bad(err)
	}
	item := &intake.Item{
		Index: -1, Kind: sent.Kind, ID: sent.ID, BaseVersion: sent.BaseVersion, Raw: r.Bytes,
		HeldID: r.HeldID, DeviceID: IDOf(r.DeviceID), TokenID: r.TokenID, PersonID: IDOf(r.PersonID), ReceivedAt: r.ReceivedAt, ClockOffsetS: r.ClockOffsetS,
	}
	if sent.Void != nil {
		item.TakeVoid(sent.Void.Reason)
		return item, nil
	}
	body, err := ledger.Canonical(sent.Record)
	if err != nil {
		return nil, bad(err)
	}
	record, err := domain.Decode(sent.Kind, body)
	if err != nil {
		return nil, bad(err)
	}
	item.Take(record, body)
	return item, nil
}
