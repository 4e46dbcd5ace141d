package storage

import (
	"encoding/json"
	"strconv"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"

	"github.com/jackc/pgx/v5/pgconn"
)

// storeRecords queues the typed rows of the newest accepted versions, one
// statement a kind, parents before children.
func (t *tx) storeRecords(accepted []intake.Decision) error {
	newest := map[intake.Key]*intake.Decision{}
	for i := range accepted {
		newest[accepted[i].Item.Key()] = &accepted[i]
	}
	rows := map[domain.Kind][]byte{}
	count := map[domain.Kind]int64{}
	for i := range accepted {
		d := &accepted[i]
		if newest[d.Item.Key()] != d {
			continue
		}
		b := rows[d.Item.Kind]
		if b == nil {
			b = []byte{'['}
		} else {
			b = append(b, ',')
		}
		b = append(b, `{"id":"`...)
		b = append(b, d.Item.ID.String()...)
		b = append(b, `","version":`...)
		b = strconv.AppendInt(b, d.Version, 10)
		b = append(b, `,"void":`...)
		b = strconv.AppendBool(b, d.Void != nil)
		b = append(b, `,"record":`...)
		b = append(b, d.Body...)
		rows[d.Item.Kind] = append(b, '}')
		count[d.Item.Kind]++
	}
	for _, row := range domain.Kinds {
		if rows[row.Kind] == nil {
			continue
		}
		asked := count[row.Kind]
		t.queue(upsertSQL[row.Kind], named{"program_id": t.program, "rows": json.RawMessage(append(rows[row.Kind], ']'))}.pgx()).
			Exec(func(tag pgconn.CommandTag) error {
				if tag.RowsAffected() != asked {
					return errRaceLost // another push made one of these versions meanwhile
				}
				return nil
			})
	}
	return nil
}

// lockedHead is the programme's head under lock, moving as entries are added.
type lockedHead struct {
	Head
	first int64 // position of the first entry of this transaction
}

// The last lock of a push, held for one statement and the commit.
const headLockSQL = `
SELECT position, link, recorded_at, epoch, epoch_from_position, epoch_cause = 'restore' AS shared
FROM program_head WHERE program_id = @program_id FOR NO KEY UPDATE`

// lockHead flushes what is queued and locks the programme's head last.
func (t *tx) lockHead() (*lockedHead, error) {
	var rows []headRow
	all(t, &rows, headLockSQL, named{"program_id": t.program}.pgx())
	if err := t.flush(); err != nil {
		return nil, err
	}
	if len(rows) != 1 {
		return nil, domain.Errorf(domain.NotFound, "there is no such programme")
	}
	head := &lockedHead{Head: rows[0].head()}
	head.first = head.Position + 1
	if head.RecordedAt.Before(t.now) {
		head.RecordedAt = t.now // recorded_at never decreases with position
	}
	return head, nil
}

const ledgerInsertSQL = `
INSERT INTO ledger (program_id, position, kind, record_id, version, job_id, body, content_digest, link, token_id,
    device_id, applied_by, received_at, recorded_at, clock_offset_s, resident_revision, late, void_reason, voided_at)
SELECT @program_id, x.position, x.kind, x.record_id, x.version, x.job_id, x.body, x.content_digest, x.link, x.token_id,
    x.device_id, x.applied_by, x.received_at, @recorded_at, x.clock_offset_s, x.resident_revision, x.late, x.void_reason,
    CASE WHEN x.void_reason IS NOT NULL THEN @recorded_at::timestamptz END
FROM unnest(@positions::bigint[], @kinds::record_kind[], @record_ids::uuid[], @versions::bigint[], @job_ids::uuid[],
    @bodies::text[], @digests::bytea[], @links::bytea[], @token_ids::uuid[], @device_ids::uuid[], @applied_bys::uuid[],
    @received_ats::timestamptz[], @clock_offsets::float8[], @revisions::bigint[], @lates::boolean[], @void_reasons::text[])
    AS x(position, kind, record_id, version, job_id, body, content_digest, link, token_id, device_id, applied_by,
        received_at, clock_offset_s, resident_revision, late, void_reason)`

const recordHeadUpsertSQL = `
INSERT INTO record_head (program_id, kind, record_id, job_id, contractor_id, position, version, sent_digest, void)
SELECT @program_id, x.kind, x.record_id, x.job_id, x.contractor_id, x.position, x.version, x.sent_digest, x.void
FROM unnest(@kinds::record_kind[], @record_ids::uuid[], @job_ids::uuid[], @contractor_ids::uuid[], @positions::bigint[],
    @versions::bigint[], @digests::bytea[], @voids::boolean[])
    AS x(kind, record_id, job_id, contractor_id, position, version, sent_digest, void)
ON CONFLICT (program_id, kind, record_id) DO UPDATE SET contractor_id = excluded.contractor_id,
    position = excluded.position, version = excluded.version, sent_digest = excluded.sent_digest, void = excluded.void`

const headUpdateSQL = `
UPDATE program_head SET position = @position, link = @link, recorded_at = @recorded_at WHERE program_id = @program_id`

// appendLedger numbers the accepted versions, links them and queues what
// carries a position: ledger, heads, the programme's head.
func (t *tx) appendLedger(head *lockedHead, accepted []intake.Decision) {
	var l ledgerColumnsOf
	newest := map[intake.Key]int{}
	for i := range accepted {
		d := &accepted[i]
		head.Position++
		if d.Void != nil {
			d.Void.VoidedAt = head.RecordedAt
		}
		e := entryOf(d, head)
		head.Link = ledger.Next(head.Link, ledger.AppendEntry(nil, &e))
		l.add(&e, d.Item.Digest, head.Link)
		newest[d.Item.Key()] = i
		d.Position = e.Position
	}
	t.queue(ledgerInsertSQL, named{"program_id": t.program, "recorded_at": head.RecordedAt, "positions": l.positions, "kinds": l.kinds,
		"record_ids": l.ids, "versions": l.versions, "job_ids": l.jobs, "bodies": l.bodies, "digests": l.digests, "links": l.links,
		"token_ids": l.tokens, "device_ids": l.devices, "applied_bys": l.appliedBys, "received_ats": l.receivedAts,
		"clock_offsets": l.offsets, "revisions": l.revisions, "lates": l.lates, "void_reasons": l.voidReasons}.pgx())
	var h ledgerColumnsOf
	var contractors []*[16]byte
	var voids []bool
	for i := range accepted {
		d := &accepted[i]
		if newest[d.Item.Key()] != i {
			continue
		}
		e := entryOf(d, head)
		h.add(&e, d.Item.Digest, head.Link)
		contractors, voids = append(contractors, idArg(d.ContractorID)), append(voids, d.Void != nil)
	}
	t.queue(recordHeadUpsertSQL, named{"program_id": t.program, "kinds": h.kinds, "record_ids": h.ids, "job_ids": h.jobs,
		"contractor_ids": contractors, "positions": h.positions, "versions": h.versions, "digests": h.digests, "voids": voids}.pgx())
	t.queue(headUpdateSQL, named{"program_id": t.program, "position": head.Position, "link": head.Link[:], "recorded_at": head.RecordedAt}.pgx())
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
