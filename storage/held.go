package storage

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
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

// An acceptance that was refused has nothing left to say once its job is
// accepted, by whichever record.
const heldOvertakenSQL = `
UPDATE held AS h SET state = 'closed', closed_at = @at, closed_by_person_id = @person_id
WHERE h.program_id = @program_id AND h.job_id = ANY (@accepted_jobs) AND h.state = 'open' AND h.code = 'not_acceptable'`

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
func (t *Tx) writeHeld(caller domain.Caller, p *Push, s *stored, decisions []intake.Decision) error {
	var in, still heldColumnsOf
	var applied, resolved heldVersions
	var corrected heldCorrected
	fresh := map[string]*intake.Item{}
	var acceptedJobs []domain.UUID
	for i := range decisions {
		d := &decisions[i]
		if review, ok := d.Item.Record.(*domain.Review); ok && d.Status.Accepted() && review.Decision == domain.Accept {
			acceptedJobs = append(acceptedJobs, review.JobID)
		}
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
	if len(acceptedJobs) > 0 {
		args["accepted_jobs"] = acceptedJobs
		t.Queue(heldOvertakenSQL, args)
	}
	if len(still.ids) > 0 {
		t.Queue(heldStillWaitsSQL, still.args(args))
	}
	if len(in.ids) == 0 {
		return nil
	}
	var back []heldBack
	All(t, &back, heldInsertSQL, t.limits.heldArgs(in.args(args)))
	s.afterHeld = func() {
		ids := make(map[string]domain.UUID, len(back))
		for _, b := range back {
			ids[string(b.Digest)] = b.HeldID
		}
		for i := range decisions {
			digest := heldDigest(decisions[i].Item)
			if id, ok := ids[string(digest)]; ok {
				s.heldIDs[decisions[i].Item] = id
			} else if fresh[string(digest)] != nil && !decisions[i].Status.Accepted() {
				s.heldFull[decisions[i].Item] = true
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

// heldColumnsOf are held items column by column, as unnest takes them.
type heldColumnsOf struct {
	ids, recordIDs, jobs, missingIDs, devices []*[16]byte
	states, codes, problems                   []string
	kinds, missingKinds                       []*string
	bases                                     []int64
	digests, bytes                            [][]byte
	receivedAts                               []time.Time
	offsets                                   []*float64
}

func (h *heldColumnsOf) add(d *intake.Decision, id domain.UUID) error {
	problem, err := problemText(d.Problem)
	if err != nil {
		return err
	}
	state := "open"
	if d.Status == intake.Waiting {
		state = "waiting"
	}
	item := d.Item
	h.ids, h.recordIDs, h.jobs = append(h.ids, idArg(id)), append(h.recordIDs, idArg(item.ID)), append(h.jobs, idArg(jobOfItem(d)))
	h.missingIDs, h.devices = append(h.missingIDs, idArg(d.Missing.ID)), append(h.devices, idArg(item.DeviceID))
	h.states, h.codes, h.problems = append(h.states, state), append(h.codes, string(d.Problem.Code)), append(h.problems, problem)
	h.kinds, h.missingKinds = append(h.kinds, OrNull(string(item.Kind))), append(h.missingKinds, OrNull(string(d.Missing.Kind)))
	h.bases = append(h.bases, item.BaseVersion)
	h.digests, h.bytes = append(h.digests, heldDigest(item)), append(h.bytes, item.Raw)
	h.receivedAts, h.offsets = append(h.receivedAts, item.ReceivedAt), append(h.offsets, item.ClockOffsetS)
	return nil
}

func (h *heldColumnsOf) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"held_ids": h.ids, "states": h.states, "kinds": h.kinds, "record_ids": h.recordIDs, "base_versions": h.bases,
		"digests": h.digests, "bytes": h.bytes, "codes": h.codes, "problems": h.problems, "job_ids": h.jobs,
		"missing_kinds": h.missingKinds, "missing_ids": h.missingIDs, "device_ids": h.devices,
		"received_ats": h.receivedAts, "clock_offsets": h.offsets})
	return args
}

// jobOfItem is the job that a held item concerns, as far as it can be told.
func jobOfItem(d *intake.Decision) domain.UUID {
	switch {
	case !d.JobID.IsZero():
		return d.JobID
	case d.Item.Kind == domain.JobKind:
		return d.Item.ID
	case d.Item.Record != nil:
		return d.Item.Record.Job()
	}
	// Its record is none of its kind, and keeps the job from being accepted all the same.
	var named struct {
		Record struct {
			JobID domain.UUID `json:"job_id"`
		} `json:"record"`
	}
	if json.Unmarshal(d.Item.Raw, &named, jsontext.AllowDuplicateNames(true), jsontext.AllowInvalidUTF8(true)) != nil {
		return domain.UUID{}
	}
	return named.Record.JobID
}

// heldVersions are held items with the versions that closed them.
type heldVersions struct {
	ids      []domain.UUID
	versions []int64
}

func (h *heldVersions) add(id domain.UUID, version int64) {
	h.ids, h.versions = append(h.ids, id), append(h.versions, version)
}

func (h *heldVersions) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"held_ids": h.ids, "versions": h.versions})
	return args
}

// heldCorrected are accepted records that may correct a rejected item.
type heldCorrected struct {
	kinds    []string
	ids      []domain.UUID
	versions []int64
	devices  []*[16]byte
}

func (h *heldCorrected) add(d *intake.Decision) {
	h.kinds, h.ids = append(h.kinds, string(d.Item.Kind)), append(h.ids, d.Item.ID)
	h.versions, h.devices = append(h.versions, d.Version), append(h.devices, idArg(d.Item.DeviceID))
}

func (h *heldCorrected) args(base Args) Args {
	args := maps.Clone(base)
	maps.Copy(args, Args{"kinds": h.kinds, "record_ids": h.ids, "versions": h.versions, "device_ids": h.devices})
	return args
}

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

// waitsAtMost is how long an item waits for its parent before a person is
// asked to look at it.
const waitsAtMost = 7 * 24 * time.Hour

// lookAfter is the age at which a waiting item is first looked at again. It is
// looked at once more each time its age has doubled.
const lookAfter = 30 * time.Second

// looksAtMost bounds the items of one program that are looked at at once.
const looksAtMost = 200

const heldOverdueSQL = `
UPDATE held SET state = 'open', code = 'parent_missing' WHERE program_id = @program_id AND state = 'waiting' AND received_at < @before`

// Items that wait for a record that is there: it came while nobody looked, or
// its sender may know of it only since.
const heldLookSQL = `
UPDATE held AS h SET looked_at = @at
FROM (SELECT x.held_id FROM held AS x
    CROSS JOIN LATERAL (SELECT r.version FROM entry AS r
        WHERE r.program_id = @program_id AND r.record_id = x.missing_id AND r.kind = x.missing_kind AND r.until_position IS NULL OFFSET 0) AS r
    WHERE x.program_id = @program_id AND x.state = 'waiting'
        AND @at::timestamptz - coalesce(x.looked_at, x.received_at)
            >= greatest(@look_after::interval, coalesce(x.looked_at, x.received_at) - x.received_at)
    ORDER BY x.received_at LIMIT @limit FOR UPDATE OF x SKIP LOCKED) AS due
WHERE h.program_id = @program_id AND h.held_id = due.held_id
RETURNING h.missing_kind, h.missing_id`

type lookRow struct {
	MissingKind string
	MissingID   [16]byte
}

// LookedAgain is what LookAgain did.
type LookedAgain struct {
	Opened int64 // items that have waited too long
	Looked int   // records that are there and for which items still waited
}

// LookAgain looks, in every program, at the held items that still wait: those whose
// record has come are decided again, those that have waited too long are opened
// for a person. It is safe to run at any time and on several instances at once.
func (db *DB) LookAgain(ctx context.Context) (looked LookedAgain, err error) {
	positions, err := db.Positions(ctx)
	if err != nil {
		return looked, err
	}
	var errs []error
	for program := range positions {
		errs = append(errs, db.lookAgainIn(ctx, program, &looked))
	}
	return looked, errors.Join(errs...)
}

func (db *DB) lookAgainIn(ctx context.Context, program domain.UUID, looked *LookedAgain) error {
	var opened int64
	var due []lookRow
	err := db.In(ctx, program, Writing, func(t *Tx) error {
		t.Queue(heldOverdueSQL, Args{"program_id": program, "before": t.Now.Add(-waitsAtMost)}).Exec(Affected(&opened))
		All(t, &due, heldLookSQL, Args{"program_id": program, "at": t.Now, "look_after": lookAfter, "limit": looksAtMost})
		return nil
	})
	if looked.Opened += opened; err != nil || len(due) == 0 {
		return err
	}
	came := make([]intake.Key, len(due))
	for i, row := range due {
		came[i] = intake.Key{Kind: domain.Kind(row.MissingKind), ID: row.MissingID}
	}
	looked.Looked += len(came)
	_, err = db.Push(ctx, domain.Caller{Program: program}, Push{Came: came, ReceivedAt: db.now()})
	return err
}
