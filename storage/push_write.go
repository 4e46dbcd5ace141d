package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
)

// lockedHead is the program's head under lock, moving as entries are added.
type lockedHead struct {
	Head
	first int64 // position of the first entry of this transaction
}

// The last lock of a push, held for one statement and the commit.
const headLockSQL = `
SELECT position, link, recorded_at, epoch, epoch_from_position, epoch_cause = 'restore' AS shared
FROM program_head WHERE program_id = @program_id FOR NO KEY UPDATE`

// lockHead flushes what is queued and locks the program's head last. What after
// queues is read under that lock, in the same round trip.
func (t *tx) lockHead(after ...func()) (*lockedHead, error) {
	var rows []headRow
	all(t, &rows, headLockSQL, named{"program_id": t.program})
	for _, queue := range after {
		queue()
	}
	if err := t.flush(); err != nil {
		return nil, err
	}
	if len(rows) != 1 {
		return nil, domain.Errorf(domain.NotFound, "there is no such program")
	}
	head := &lockedHead{Head: rows[0].head()}
	head.first = head.Position + 1
	if head.RecordedAt.Before(t.now) {
		head.RecordedAt = t.now // recorded_at never decreases with position
	}
	return head, nil
}

// The ledger takes the entries and the program's head moves on, in one
// statement: numbers come from a head that is there, so that no entry can
// belong to a program that does not exist.
const ledgerInsertSQL = `
WITH head AS (
    UPDATE program_head SET position = @position, link = @link, recorded_at = @recorded_at
    WHERE program_id = @program_id
    RETURNING program_id
)
INSERT INTO ledger (program_id, position, kind, record_id, version, job_id, body, content_digest, link, token_id,
    device_id, applied_by, received_at, recorded_at, clock_offset_s, resident_revision, late, void_reason, voided_at)
SELECT head.program_id, x.position, x.kind, x.record_id, x.version, x.job_id, x.body, x.content_digest, x.link, x.token_id,
    x.device_id, x.applied_by, x.received_at, @recorded_at, x.clock_offset_s, x.resident_revision, x.late, x.void_reason,
    CASE WHEN x.void_reason IS NOT NULL THEN @recorded_at::timestamptz END
FROM head CROSS JOIN unnest(@positions::bigint[], @kinds::record_kind[], @record_ids::uuid[], @versions::bigint[], @job_ids::uuid[],
    @bodies::text[], @digests::bytea[], @links::bytea[], @token_ids::uuid[], @device_ids::uuid[], @applied_bys::uuid[],
    @received_ats::timestamptz[], @clock_offsets::float8[], @revisions::bigint[], @lates::boolean[], @void_reasons::text[])
    AS x(position, kind, record_id, version, job_id, body, content_digest, link, token_id, device_id, applied_by,
        received_at, clock_offset_s, resident_revision, late, void_reason)`

// appendLedger numbers the accepted versions, links them and queues what
// carries a position: ledger, heads, the program's head.
func (t *tx) appendLedger(head *lockedHead, accepted []intake.Decision) {
	var l ledgerColumnsOf
	var text []byte
	for i := range accepted {
		d := &accepted[i]
		head.Position++
		if d.Void != nil {
			d.Void.VoidedAt = head.RecordedAt
		}
		e := entryOf(d, head)
		text = ledger.AppendEntry(text[:0], &e)
		head.Link = ledger.Next(head.Link, text)
		l.add(&e, d.Item.Digest, head.Link)
		d.Position = e.Position
	}
	t.queue(ledgerInsertSQL, named{"program_id": t.program, "position": head.Position, "link": head.Link[:], "recorded_at": head.RecordedAt,
		"positions": l.positions, "kinds": l.kinds, "record_ids": l.ids, "versions": l.versions, "job_ids": l.jobs, "bodies": l.bodies,
		"digests": l.digests, "links": l.links, "token_ids": l.tokens, "device_ids": l.devices, "applied_bys": l.appliedBys,
		"received_ats": l.receivedAts, "clock_offsets": l.offsets, "revisions": l.revisions, "lates": l.lates, "void_reasons": l.voidReasons})
	t.writeHeads(accepted)
}

// entryOf is an accepted decision as an entry.
func entryOf(d *intake.Decision, head *lockedHead) domain.Entry {
	position := d.Position
	if position == 0 {
		position = head.Position
	}
	return domain.Entry{
		Kind: d.Item.Kind, ID: d.Item.ID, Version: d.Version, Position: position, JobID: d.JobID,
		DeviceID: d.Item.DeviceID, TokenID: d.Item.TokenID, AppliedBy: d.Item.AppliedBy,
		ReceivedAt: d.Item.ReceivedAt.UTC().Truncate(time.Microsecond), RecordedAt: head.RecordedAt, Late: d.Late,
		ClockOffsetS: d.Item.ClockOffsetS, ResidentRevision: d.ResidentRevision, Void: d.Void, Body: d.Body, Record: d.Item.Record,
	}
}

// ledgerColumnsOf are entries column by column, as unnest takes them.
type ledgerColumnsOf struct {
	positions, versions               []int64
	kinds, bodies                     []string
	ids                               [][16]byte
	jobs, tokens, devices, appliedBys []*[16]byte
	digests, links                    [][]byte
	receivedAts                       []time.Time
	offsets                           []*float64
	revisions                         []*int64
	lates                             []bool
	voidReasons                       []*string
}

func (l *ledgerColumnsOf) add(e *domain.Entry, digest, link ledger.Digest) {
	l.positions, l.versions = append(l.positions, e.Position), append(l.versions, e.Version)
	l.kinds, l.bodies = append(l.kinds, string(e.Kind)), append(l.bodies, string(e.Body))
	l.ids = append(l.ids, e.ID)
	l.jobs, l.tokens = append(l.jobs, idArg(e.JobID)), append(l.tokens, idArg(e.TokenID))
	l.devices, l.appliedBys = append(l.devices, idArg(e.DeviceID)), append(l.appliedBys, idArg(e.AppliedBy))
	l.digests, l.links = append(l.digests, digest[:]), append(l.links, link[:])
	l.receivedAts, l.offsets, l.lates = append(l.receivedAts, e.ReceivedAt), append(l.offsets, e.ClockOffsetS), append(l.lates, e.Late)
	var revision *int64
	if e.ResidentRevision > 0 {
		revision = &e.ResidentRevision
	}
	l.revisions = append(l.revisions, revision)
	var reason *string
	if e.Void != nil {
		reason = &e.Void.Reason
	}
	l.voidReasons = append(l.voidReasons, reason)
}
