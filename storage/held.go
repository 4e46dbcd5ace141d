package storage

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"math"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"

	"github.com/go-json-experiment/json"
	"github.com/google/uuid"
)

// An item that comes again, with the same content on the same version, is the
// same held item and keeps its id; one that waited and still waits keeps waiting.
// What is new needs room.
const heldInsertSQL = `
WITH stands AS (
    SELECT count(*) AS items, coalesce(sum(octet_length(bytes)), 0) AS bytes,
        count(*) FILTER (WHERE token_id = @token_id) AS token_items,
        coalesce(sum(octet_length(bytes)) FILTER (WHERE token_id = @token_id), 0) AS token_bytes
    FROM held WHERE program_id = @program_id AND state IN ('open', 'waiting')
)
INSERT INTO held AS h (program_id, held_id, state, kind, record_id, base_version, digest, bytes, code, problem, job_id,
    contractor_id, missing_kind, missing_id, token_id, person_id, device_id, received_at, clock_offset_s)
SELECT @program_id, x.held_id, x.state, x.kind, x.record_id, x.base_version, x.digest, x.bytes, x.code, x.problem, x.job_id,
    @contractor_id, x.missing_kind, x.missing_id, @token_id, @person_id, x.device_id, x.received_at, x.clock_offset_s
FROM unnest(@held_ids::uuid[], @states::text[], @kinds::text[], @record_ids::uuid[], @base_versions::bigint[], @digests::bytea[],
    @bytes::bytea[], @codes::text[], @problems::text[], @job_ids::uuid[], @missing_kinds::text[], @missing_ids::uuid[],
    @device_ids::uuid[], @received_ats::timestamptz[], @clock_offsets::float8[])
    AS x(held_id, state, kind, record_id, base_version, digest, bytes, code, problem, job_id, missing_kind, missing_id,
        device_id, received_at, clock_offset_s)
WHERE (SELECT items < @held_items AND bytes < @held_bytes AND token_items < @held_token_items AND token_bytes < @held_token_bytes FROM stands)
    OR EXISTS (SELECT FROM held AS again WHERE again.program_id = @program_id AND again.record_id = x.record_id AND again.digest = x.digest)
ON CONFLICT ON CONSTRAINT held_once DO UPDATE SET
    code = CASE WHEN h.closed_at IS NULL THEN excluded.code ELSE h.code END,
    problem = CASE WHEN h.closed_at IS NULL THEN excluded.problem ELSE h.problem END,
    state = CASE WHEN h.closed_at IS NULL THEN excluded.state ELSE h.state END,
    missing_kind = excluded.missing_kind, missing_id = excluded.missing_id
RETURNING h.held_id, h.digest`

const heldStillWaitsSQL = `
UPDATE held AS h SET state = x.state, code = x.code, problem = x.problem, missing_kind = x.missing_kind, missing_id = x.missing_id
FROM unnest(@held_ids::uuid[], @states::text[], @codes::text[], @problems::text[], @missing_kinds::text[], @missing_ids::uuid[])
    AS x(held_id, state, code, problem, missing_kind, missing_id)
WHERE h.program_id = @program_id AND h.held_id = x.held_id AND h.closed_at IS NULL`

// What waited and is accepted now.
const heldAppliedSQL = `
UPDATE held AS h SET state = 'applied', closed_at = @at, closed_by_version = x.version, closed_by_person_id = @person_id
FROM unnest(@held_ids::uuid[], @versions::bigint[]) AS x(held_id, version)
WHERE h.program_id = @program_id AND h.held_id = x.held_id AND h.closed_at IS NULL`

// A merged item names the held one that it settles.
const heldResolvedSQL = `
UPDATE held AS h SET state = 'closed', closed_at = @at, closed_by_version = x.version, closed_by_person_id = @person_id
FROM unnest(@held_ids::uuid[], @versions::bigint[]) AS x(held_id, version)
WHERE h.program_id = @program_id AND h.held_id = x.held_id AND h.closed_at IS NULL
    AND (@contractor_id::uuid IS NULL OR h.contractor_id = @contractor_id)`

// What was rejected closes when the same device's record of that id is accepted.
const heldCorrectedSQL = `
UPDATE held AS h SET state = 'closed', closed_at = @at, closed_by_version = x.version, closed_by_person_id = @person_id
FROM unnest(@kinds::text[], @record_ids::uuid[], @versions::bigint[], @device_ids::uuid[]) AS x(kind, record_id, version, device_id)
WHERE h.program_id = @program_id AND h.kind = x.kind AND h.record_id = x.record_id AND h.state = 'open'
    AND h.code <> 'version_conflict' AND h.device_id IS NOT DISTINCT FROM x.device_id`

// Each way its own statement: a condition that may not apply keeps a plan for
// all callers from the index by contractor.
const (
	heldOpenSQL = `
SELECT count(*) AS count FROM held
WHERE program_id = @program_id AND state IN ('open', 'waiting')`
	heldOpenOfContractorSQL = `
SELECT count(*) AS count FROM held
WHERE program_id = @program_id AND state IN ('open', 'waiting') AND contractor_id = @contractor_id`
)

// countHeldOpen queues the count of open held items that the caller may see.
func (t *Tx) countHeldOpen(into *[]countRow, caller domain.Caller) {
	args := Args{"program_id": t.Program, "contractor_id": caller.Contractor}
	if caller.Scoped() {
		All(t, into, heldOpenOfContractorSQL, args)
	} else {
		All(t, into, heldOpenSQL, args)
	}
}

type heldBack struct {
	HeldID [16]byte
	Digest []byte
}

// writeHeld queues what becomes of held items: those that come in now, those
// that came along, and those that an accepted item settles.
func (t *Tx) writeHeld(caller domain.Caller, p *Push, k *known, decisions []intake.Decision) error {
	var in, still heldColumnsOf
	var applied, resolved heldVersions
	var corrected heldCorrected
	fresh := map[string]*intake.Item{}
	for i := range decisions {
		d := &decisions[i]
		switch {
		case d.Status.Accepted() && !d.Item.HeldID.IsZero():
			applied.add(d.Item.HeldID, d.Version)
		case d.Status == intake.Replayed && !d.Item.HeldID.IsZero():
			applied.add(d.Item.HeldID, d.Version)
		case d.Status.Accepted() && !d.Consequence:
			corrected.add(d)
			if !d.Item.Resolves.IsZero() {
				resolved.add(d.Item.Resolves, d.Version)
			}
		case d.Status.Accepted() || d.Status == intake.Replayed:
		case !d.Item.HeldID.IsZero():
			if err := still.add(d, d.Item.HeldID); err != nil {
				return err
			}
		case p.Hold && !(p.HoldNoUnmatched && d.Status == intake.Conflict):
			id, err := uuid.NewV7()
			if err != nil {
				return fmt.Errorf("make an id: %w", err)
			}
			if fresh[string(heldDigest(d.Item))] != nil {
				continue // twice in one batch
			}
			fresh[string(heldDigest(d.Item))] = d.Item
			if err := in.add(d, domain.UUID(id)); err != nil {
				return err
			}
		}
	}
	args := Args{"program_id": t.Program, "at": t.Now, "contractor_id": caller.Contractor, "token_id": caller.Token, "person_id": caller.Person}
	if len(applied.ids) > 0 {
		t.Queue(heldAppliedSQL, applied.args(args))
	}
	if len(resolved.ids) > 0 {
		t.Queue(heldResolvedSQL, resolved.args(args))
	}
	if len(corrected.kinds) > 0 {
		t.Queue(heldCorrectedSQL, corrected.args(args))
	}
	if len(still.ids) > 0 {
		t.Queue(heldStillWaitsSQL, still.args(args))
	}
	if len(in.ids) == 0 {
		return nil
	}
	var back []heldBack
	All(t, &back, heldInsertSQL, t.limits.heldArgs(in.args(args)))
	k.afterHeld = func() {
		ids := make(map[string]domain.UUID, len(back))
		for _, b := range back {
			ids[string(b.Digest)] = b.HeldID
		}
		for i := range decisions {
			digest := heldDigest(decisions[i].Item)
			if id, ok := ids[string(digest)]; ok {
				k.heldIDs[decisions[i].Item] = id
			} else if fresh[string(digest)] != nil && !decisions[i].Status.Accepted() {
				k.heldFull[decisions[i].Item] = true
			}
		}
	}
	return nil
}

// errHeldFull says that an item was neither accepted nor kept: the sender has
// to keep it.
var errHeldFull = &domain.Error{Code: domain.QuotaExceeded, RetryAfter: 10 * time.Minute,
	Detail: "too many items are held and open, by this token or in the whole program; keep this one and send it again when the agency has settled some"}

// heldArgs are the bounds of what may be held.
func (l *Limits) heldArgs(args Args) Args {
	for name, most := range map[string]int64{"held_items": l.HeldItems, "held_token_items": l.HeldTokenItems,
		"held_bytes": l.HeldBytes, "held_token_bytes": l.HeldTokenBytes} {
		args[name] = cmp.Or(most, math.MaxInt64)
	}
	return args
}

// heldDigest tells one held item from another: what it is, on which version,
// with what content; of what could not be read, its bytes.
func heldDigest(item *intake.Item) []byte {
	h := sha256.New()
	fmt.Fprintf(h, "%s/%s/%d/", item.Kind, item.ID, item.BaseVersion)
	if item.Body == nil && item.Void == "" {
		h.Write(item.Raw)
	} else {
		h.Write(item.Digest[:])
	}
	return h.Sum(nil)
}

// problemText is the problem as it is kept and shown.
func problemText(e *domain.Error) (string, error) {
	faults, more := e.FirstFaults()
	text, err := json.Marshal(struct {
		Code   domain.Code    `json:"code"`
		Detail string         `json:"detail"`
		Faults []domain.Fault `json:"errors,omitzero"`
		More   int            `json:"errors_more_count,omitzero"`
	}{e.Code, e.Detail, faults, more})
	if err != nil {
		return "", fmt.Errorf("write a problem: %w", err)
	}
	return string(text), nil
}
