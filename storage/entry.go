package storage

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/jackc/pgx/v5/pgconn"
)

// EntryRow is a row of entry with its texts. Its columns are EntryColumns where
// they are read from e and entryNames where a statement hands them on.
type EntryRow struct {
	Position          int64
	Kind              string
	RecordID          [16]byte
	Version           int64
	JobID             *[16]byte
	ContractorID      *[16]byte
	Body              string
	TokenID           *[16]byte
	PersonID          *[16]byte
	DeviceID          *[16]byte
	AppliedBy         *[16]byte
	AppliedByPersonID *[16]byte
	ReceivedAt        time.Time
	RecordedAt        time.Time
	ClockOffsetS      *float64
	ResidentRevision  *int64
	Late              bool
	VoidedAt          *time.Time
	TextsDigest       []byte
	Number            *int64   // of a job
	Texts             []string // the salt in hexadecimal, then the texts; nil: none, or erased
	BytesState        *string  // of a photo
}

// EntryColumns are what an EntryRow takes of e. The texts are looked up only
// where there are some, the number of a job alone, and where the picture
// stands of a photo alone.
const EntryColumns = entryOwn + entryNumber + entryPicture + EntryTexts

const entryOwn = `
    e.position, e.kind, e.record_id, e.version, e.job_id, e.contractor_id, e.body, e.token_id, e.person_id, e.device_id, e.applied_by, e.applied_by_person_id,
    e.received_at, e.recorded_at, e.clock_offset_s, e.resident_revision, e.late, e.voided_at, e.texts_digest,`

const entryNumber = `
    CASE WHEN e.kind = 'job' THEN (SELECT n.number FROM job AS n WHERE n.program_id = e.program_id AND n.id = e.record_id) END AS number,`

const entryPicture = `
    CASE WHEN e.kind = 'photo' THEN (SELECT x.state FROM picture AS x
        WHERE x.program_id = e.program_id AND x.photo_id = e.record_id) END AS bytes_state,`

// EntryTexts are the free texts of e, behind their salt.
const EntryTexts = `
    CASE WHEN e.texts_digest IS NOT NULL THEN (SELECT ARRAY[encode(x.salt, 'hex')] || x.texts FROM entry_text AS x
        WHERE x.program_id = e.program_id AND x.position = e.position) END AS texts`

const entryNames = `
    e.position, e.kind, e.record_id, e.version, e.job_id, e.contractor_id, e.body, e.token_id, e.person_id, e.device_id, e.applied_by, e.applied_by_person_id,
    e.received_at, e.recorded_at, e.clock_offset_s, e.resident_revision, e.late, e.voided_at, e.texts_digest, e.number, e.bytes_state, e.texts`

// A look-up stands in CROSS JOIN LATERAL (… OFFSET 0): such a join is never
// turned round. Planned while the tables were still empty, the entries of ten
// records would else be found by reading all of the program's.

// ofJobsSQL are the newest versions of all records of @jobs.
const ofJobsSQL = `
FROM unnest(@jobs::uuid[]) AS j(job_id)
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e WHERE e.program_id = @program_id AND e.job_id = j.job_id AND e.until_position IS NULL OFFSET 0) AS e`

// ofKeySQL is the newest version of the record that k names.
const ofKeySQL = `
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e WHERE e.program_id = @program_id AND e.kind = k.kind AND e.record_id = k.record_id AND e.until_position IS NULL OFFSET 0) AS e`

// Entry is the row as the domain has it, its record decoded when decode is set.
func (r *EntryRow) Entry(decode bool) (domain.Entry, error) {
	e := domain.Entry{
		Kind: domain.Kind(r.Kind), ID: r.RecordID, Version: r.Version, Position: r.Position,
		JobID: IDOf(r.JobID), TokenID: IDOf(r.TokenID), PersonID: IDOf(r.PersonID), DeviceID: IDOf(r.DeviceID),
		AppliedBy: IDOf(r.AppliedBy), AppliedByPerson: IDOf(r.AppliedByPersonID),
		ReceivedAt: r.ReceivedAt, RecordedAt: r.RecordedAt, Late: r.Late, ClockOffsetS: r.ClockOffsetS,
		Body: []byte(r.Body),
	}
	if r.ResidentRevision != nil {
		e.ResidentRevision = *r.ResidentRevision
	}
	if r.Number != nil {
		e.Number = *r.Number
	}
	if r.BytesState != nil {
		e.BytesState = domain.BytesState(*r.BytesState)
	}
	texts := r.texts()
	if r.VoidedAt != nil {
		e.Void = &domain.Void{Reason: domain.ErasedText, VoidedAt: *r.VoidedAt}
		if n := len(texts); n > 0 {
			e.Void.Reason, texts = texts[n-1], texts[:n-1]
		}
	}
	if r.TextsDigest != nil {
		e.Texts = &domain.Texts{Digest: [32]byte(r.TextsDigest)}
		if len(r.Texts) > 0 {
			salt, err := hex.DecodeString(r.Texts[0])
			if err != nil {
				return e, fmt.Errorf("position %d: %w", r.Position, err)
			}
			e.Texts.Salt = salt
		}
		e.Body = domain.JoinTexts(e.Kind, e.Body, texts)
	}
	if !decode {
		return e, nil
	}
	record, err := domain.Decode(e.Kind, e.Body)
	if err != nil {
		return e, fmt.Errorf("position %d: %w", r.Position, err)
	}
	e.Record = record
	return e, nil
}

// texts are the free texts; nil where there are none, or none any more.
func (r *EntryRow) texts() []string {
	if len(r.Texts) == 0 {
		return nil
	}
	return r.Texts[1:]
}

// Entries are the rows as the domain has them.
func Entries(rows []EntryRow, decode bool) ([]domain.Entry, error) {
	entries := make([]domain.Entry, len(rows))
	for i := range rows {
		e, err := rows[i].Entry(decode)
		if err != nil {
			return nil, err
		}
		entries[i] = e
	}
	return entries, nil
}

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
func (t *Tx) lockHead(after ...func()) (*lockedHead, error) {
	var rows []headRow
	All(t, &rows, headLockSQL, Args{"program_id": t.Program})
	for _, queue := range after {
		queue()
	}
	if err := t.Flush(); err != nil {
		return nil, err
	}
	if len(rows) != 1 {
		return nil, domain.Errorf(domain.NotFound, "there is no such program")
	}
	head := &lockedHead{Head: rows[0].head()}
	head.first = head.Position + 1
	if head.RecordedAt.Before(t.Now) {
		head.RecordedAt = t.Now // recorded_at never decreases with position
	}
	return head, nil
}

const entryEndSQL = `
UPDATE entry SET until_position = @until_position, match = NULL
WHERE program_id = @program_id AND position = @position AND until_position IS NULL`

// The entries come in and the program's head moves on, in one statement:
// numbers come from a head that is there, so that no entry can belong to a
// program that does not exist.
const entryInsertSQL = `
WITH head AS (
    UPDATE program_head SET position = @position, link = @link, recorded_at = @recorded_at
    WHERE program_id = @program_id
    RETURNING program_id
)
INSERT INTO entry (program_id, position, kind, record_id, version, job_id, contractor_id, body, content_digest, texts_digest, link,
    token_id, person_id, device_id, applied_by, applied_by_person_id, received_at, recorded_at, clock_offset_s, resident_revision, late, voided_at, until_position, match)
SELECT head.program_id, x.position, x.kind, x.record_id, x.version, x.job_id, x.contractor_id, x.body, x.content_digest, x.texts_digest, x.link,
    x.token_id, x.person_id, x.device_id, x.applied_by, x.applied_by_person_id, x.received_at, @recorded_at, x.clock_offset_s, x.resident_revision, x.late, x.voided_at,
    x.until_position, x.match
FROM head CROSS JOIN unnest(@positions::bigint[], @kinds::text[], @record_ids::uuid[], @versions::bigint[], @job_ids::uuid[],
    @contractor_ids::uuid[], @bodies::text[], @digests::bytea[], @texts_digests::bytea[], @links::bytea[], @token_ids::uuid[], @person_ids::uuid[],
    @device_ids::uuid[], @applied_bys::uuid[], @applied_by_persons::uuid[], @received_ats::timestamptz[], @clock_offsets::float8[], @revisions::bigint[], @lates::boolean[],
    @voided_ats::timestamptz[], @untils::bigint[], @matches::bytea[])
    AS x(position, kind, record_id, version, job_id, contractor_id, body, content_digest, texts_digest, link, token_id, person_id, device_id, applied_by,
        applied_by_person_id, received_at, clock_offset_s, resident_revision, late, voided_at, until_position, match)`

// Arrays of arrays have one length in Postgres, texts have not: they come as
// one array, each row with its part of it.
const entryTextInsertSQL = `
INSERT INTO entry_text (program_id, position, salt, texts)
SELECT @program_id, x.position, x.salt, (@texts::text[])[x.first : x.last]
FROM unnest(@positions::bigint[], @salts::bytea[], @firsts::integer[], @lasts::integer[]) AS x(position, salt, first, last)`

// saltBytes make a text that can be guessed as hard to confirm as one that cannot.
const saltBytes = 16

// appendEntries numbers the accepted versions, links them and queues their
// rows. newest gives the position of the newest stored version of a record: it
// ends where the first of these begins.
func (t *Tx) appendEntries(head *lockedHead, accepted []intake.Decision, newest func(intake.Key) int64) {
	rows := entryArrays{last: make(map[intake.Key]int, len(accepted))}
	var text []byte
	for i := range accepted {
		d := &accepted[i]
		head.Position++
		if d.Void != nil {
			d.Void.VoidedAt = head.RecordedAt
		}
		d.Position = head.Position
		bare, texts := textsOf(d)
		if len(texts) > 0 {
			d.Texts = &domain.Texts{Salt: make([]byte, saltBytes)}
			_, _ = rand.Read(d.Texts.Salt) // never fails, by its documentation
			d.Texts.Digest = ledger.TextsDigest(d.Texts.Salt, texts)
			rows.addTexts(d, texts)
		}
		held := ledger.Bare(entryOf(d, head), bare)
		text = ledger.AppendEntry(text[:0], &held)
		head.Link = ledger.Next(head.Link, text)
		rows.add(d, &held, head.Link, newest)
	}
	for _, e := range rows.ended {
		t.mustChange(entryEndSQL, Args{"program_id": t.Program, "position": e.position, "until_position": e.until}, 1)
	}
	t.Queue(entryInsertSQL, Args{"program_id": t.Program, "position": head.Position, "link": head.Link[:], "recorded_at": head.RecordedAt,
		"positions": rows.positions, "kinds": rows.kinds, "record_ids": rows.ids, "versions": rows.versions, "job_ids": rows.jobs,
		"contractor_ids": rows.contractors, "bodies": rows.bodies, "digests": rows.digests, "texts_digests": rows.textsDigests, "links": rows.links,
		"token_ids": rows.tokens, "person_ids": rows.persons, "device_ids": rows.devices, "applied_bys": rows.appliedBys, "applied_by_persons": rows.appliedByPersons, "received_ats": rows.receivedAts,
		"clock_offsets": rows.offsets, "revisions": rows.revisions, "lates": rows.lates, "voided_ats": rows.voidedAts, "untils": rows.untils,
		"matches": rows.matches})
	if len(rows.salts) > 0 {
		t.Queue(entryTextInsertSQL, Args{"program_id": t.Program, "positions": rows.textsAt, "salts": rows.salts, "texts": rows.texts,
			"firsts": rows.firsts, "lasts": rows.lasts})
	}
}

// textsOf are the free texts of an accepted version, its body without them first.
func textsOf(d *intake.Decision) (bare []byte, texts []string) {
	bare, list := domain.SplitTexts(d.Item.Kind, d.Body)
	for _, text := range list {
		texts = append(texts, text.Text)
	}
	if d.Void != nil {
		texts = append(texts, d.Void.Reason)
	}
	return bare, texts
}

// mustChange queues a statement that changes so many rows, or another
// transaction was faster.
func (t *Tx) mustChange(sql string, args Args, rows int) {
	t.Queue(sql, args).Exec(func(tag pgconn.CommandTag) error {
		if tag.RowsAffected() != int64(rows) {
			return ErrRaceLost
		}
		return nil
	})
}

// entryOf is an accepted decision as an entry.
func entryOf(d *intake.Decision, head *lockedHead) domain.Entry {
	return domain.Entry{
		Kind: d.Item.Kind, ID: d.Item.ID, Version: d.Version, Position: d.Position, JobID: d.JobID,
		DeviceID: d.Item.DeviceID, TokenID: d.Item.TokenID, PersonID: d.Item.PersonID, AppliedBy: d.Item.AppliedBy, AppliedByPerson: d.Item.AppliedByPerson,
		ReceivedAt: d.Item.ReceivedAt.UTC().Truncate(time.Microsecond), RecordedAt: head.RecordedAt, Late: d.Late,
		ClockOffsetS: d.Item.ClockOffsetS, ResidentRevision: d.ResidentRevision, Void: d.Void, Body: d.Body, Record: d.Item.Record, Texts: d.Texts,
	}
}

// entryArrays are entries column by column, as unnest takes them.
type entryArrays struct {
	last map[intake.Key]int // place of a record's newest version

	positions, versions                                                       []int64
	kinds, bodies                                                             []string
	ids                                                                       [][16]byte
	jobs, contractors, tokens, persons, devices, appliedBys, appliedByPersons []*[16]byte
	digests, textsDigests, links, matches                                     [][]byte
	receivedAts                                                               []time.Time
	offsets                                                                   []*float64
	revisions, untils                                                         []*int64
	lates                                                                     []bool
	voidedAts                                                                 []*time.Time

	ended []struct{ position, until int64 } // stored versions that are the newest no more

	textsAt       []int64
	salts         [][]byte
	texts         []string
	firsts, lasts []int32
}

func (a *entryArrays) addTexts(d *intake.Decision, texts []string) {
	a.textsAt, a.salts = append(a.textsAt, d.Position), append(a.salts, d.Texts.Salt)
	a.firsts, a.lasts = append(a.firsts, int32(len(a.texts)+1)), append(a.lasts, int32(len(a.texts)+len(texts)))
	a.texts = append(a.texts, texts...)
}

// add takes a version; e is its entry as the chain holds it.
func (a *entryArrays) add(d *intake.Decision, e *domain.Entry, link ledger.Digest, newest func(intake.Key) int64) {
	key := d.Item.Key()
	if place, again := a.last[key]; again {
		a.untils[place], a.matches[place] = &d.Position, nil
	} else if before := newest(key); before > 0 {
		a.ended = append(a.ended, struct{ position, until int64 }{before, d.Position})
	}
	a.last[key] = len(a.positions)
	a.positions, a.versions = append(a.positions, e.Position), append(a.versions, e.Version)
	a.kinds, a.bodies = append(a.kinds, string(e.Kind)), append(a.bodies, string(e.Body))
	a.ids = append(a.ids, e.ID)
	a.jobs, a.contractors = append(a.jobs, idArg(e.JobID)), append(a.contractors, idArg(d.ContractorID))
	a.tokens, a.persons, a.devices = append(a.tokens, idArg(e.TokenID)), append(a.persons, idArg(e.PersonID)), append(a.devices, idArg(e.DeviceID))
	a.appliedBys, a.appliedByPersons = append(a.appliedBys, idArg(e.AppliedBy)), append(a.appliedByPersons, idArg(e.AppliedByPerson))
	a.digests, a.links = append(a.digests, d.Item.Digest[:]), append(a.links, link[:])
	var textsDigest, match []byte
	if e.Texts != nil {
		textsDigest = e.Texts.Digest[:]
	}
	var voidedAt *time.Time
	if e.Void != nil {
		voidedAt = &e.Void.VoidedAt
	} else {
		match = domain.Match(d.Item.Record)
	}
	a.textsDigests, a.matches, a.voidedAts = append(a.textsDigests, textsDigest), append(a.matches, match), append(a.voidedAts, voidedAt)
	a.receivedAts, a.offsets, a.lates = append(a.receivedAts, e.ReceivedAt), append(a.offsets, e.ClockOffsetS), append(a.lates, e.Late)
	var revision *int64
	if e.ResidentRevision > 0 {
		revision = &e.ResidentRevision
	}
	a.revisions, a.untils = append(a.revisions, revision), append(a.untils, nil)
}

const textEraseSQL = `
DELETE FROM entry_text WHERE program_id = @program_id AND position = ANY (ARRAY(SELECT e.position FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = @kind AND e.record_id = @id AND e.texts_digest IS NOT NULL))`

const textHeldSQL = `
SELECT held_id, bytes FROM held WHERE program_id = @program_id AND record_id = @id AND kind = @kind
ORDER BY held_id FOR NO KEY UPDATE`

const textHeldEraseSQL = `
UPDATE held SET bytes = @bytes WHERE program_id = @program_id AND held_id = @held_id`

// A WrittenText is a free text that somebody wrote about a home, its jobs and
// their records.
type WrittenText struct {
	Kind       domain.Kind
	ID         domain.UUID
	JobID      domain.UUID // zero for the home
	Version    int64       // 0 of an item that was held
	Position   int64
	HeldID     domain.UUID
	RecordedAt time.Time
	domain.Text
}

// The versions of the home and of all records of its jobs that still have texts.
const textsOfHomeSQL = `
SELECT` + entryNames + `
FROM (SELECT h.position FROM entry AS h WHERE h.program_id = @program_id AND h.kind = 'home' AND h.record_id = @home
    UNION ALL
    SELECT r.position FROM (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.home_id = @home OFFSET 0) AS j
    CROSS JOIN LATERAL (SELECT x.position FROM entry AS x WHERE x.program_id = @program_id AND x.job_id = j.id OFFSET 0) AS r) AS k
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e WHERE e.program_id = @program_id AND e.position = k.position AND e.texts_digest IS NOT NULL OFFSET 0) AS e
WHERE e.texts IS NOT NULL
ORDER BY e.position`

// What was held of these jobs and of the home, also what was settled since.
const textsHeldSQL = `
SELECT h.held_id, h.kind, h.record_id, h.job_id, h.bytes, h.received_at
FROM held AS h
WHERE h.program_id = @program_id AND h.kind IS NOT NULL AND h.record_id IS NOT NULL
    AND (h.job_id IN (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.home_id = @home) OR h.record_id = @home)
ORDER BY h.received_at, h.held_id`

type textHeldRow struct {
	HeldID     [16]byte
	Kind       string
	RecordID   [16]byte
	JobID      *[16]byte
	Bytes      []byte
	ReceivedAt time.Time
}

// HomeTexts lists every free text about a home: who erases a resident reads
// them, since a name may stand in any of them.
func (db *DB) HomeTexts(ctx context.Context, caller domain.Caller, home domain.UUID) (list []WrittenText, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		if _, err := t.Record(caller, domain.HomeKind, home); err != nil {
			return err
		}
		list, err = t.homeTexts(home)
		return err
	})
	return list, err
}

func (t *Tx) homeTexts(home domain.UUID) (list []WrittenText, err error) {
	var rows []EntryRow
	var held []textHeldRow
	args := Args{"program_id": t.Program, "home": home}
	All(t, &rows, textsOfHomeSQL, args)
	All(t, &held, textsHeldSQL, args)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	entries, err := Entries(rows, false)
	if err != nil {
		return nil, err
	}
	for i := range entries {
		e := &entries[i]
		_, texts := domain.SplitTexts(e.Kind, e.Body)
		if e.Void != nil {
			texts = append(texts, domain.Text{Pointer: "/void/reason", Text: e.Void.Reason})
		}
		for _, text := range texts {
			list = append(list, WrittenText{Kind: e.Kind, ID: e.ID, JobID: e.JobID, Version: e.Version, Position: e.Position, RecordedAt: e.RecordedAt, Text: text})
		}
	}
	for _, h := range held {
		for _, text := range heldTexts(domain.Kind(h.Kind), h.Bytes) {
			list = append(list, WrittenText{Kind: domain.Kind(h.Kind), ID: h.RecordID, JobID: IDOf(h.JobID), HeldID: h.HeldID, RecordedAt: h.ReceivedAt, Text: text})
		}
	}
	return list, nil
}

// heldTexts are the free texts of an item as it came; of what cannot be read,
// all of it.
func heldTexts(kind domain.Kind, raw []byte) (texts []domain.Text) {
	if len(raw) == 0 {
		return nil
	}
	var sent struct {
		Record jsontext.Value `json:"record"`
		Void   *struct {
			Reason string `json:"reason"`
		} `json:"void"`
	}
	if json.Unmarshal(raw, &sent) != nil {
		return []domain.Text{{Text: string(raw)}}
	}
	if sent.Void != nil && sent.Void.Reason != domain.ErasedText {
		texts = append(texts, domain.Text{Pointer: "/void/reason", Text: sent.Void.Reason})
	}
	if body, err := ledger.Canonical(sent.Record); len(sent.Record) > 0 && err == nil {
		_, list := domain.SplitTexts(kind, body)
		for _, text := range list {
			if text.Text != domain.ErasedText {
				texts = append(texts, text)
			}
		}
	}
	return texts
}

// EraseTexts erases the free texts of all versions of records of a home and its
// jobs with their salt, and those of their held items. That there were texts
// stays known, so no verdict moves, and the chain still verifies: it holds their
// digests. Phones keep their copies as long as they keep the job. It gives the
// texts that remain.
func (db *DB) EraseTexts(ctx context.Context, caller domain.Caller, home domain.UUID, records []domain.Subject, validateOnly bool) (remain []WrittenText, err error) {
	err = db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		t.discard = validateOnly
		if _, err := t.Record(caller, domain.HomeKind, home); err != nil {
			return err
		}
		stand, err := t.homeTexts(home)
		if err != nil {
			return err
		}
		for i, of := range records {
			if !slices.ContainsFunc(stand, func(w WrittenText) bool { return w.Kind == of.Kind && w.ID == of.ID }) {
				return domain.InvalidFields([]domain.Fault{{Pointer: fmt.Sprintf("/items/%d", i), Code: "no_texts",
					Detail: fmt.Sprintf("no %s with this id has a text about the home", of.Kind), Fix: "name one that the list of texts shows"}})
			}
			if err := t.eraseTexts(caller, of); err != nil {
				return err
			}
		}
		remain, err = t.homeTexts(home)
		return err
	})
	return remain, err
}

func (t *Tx) eraseTexts(caller domain.Caller, of domain.Subject) error {
	args := Args{"program_id": t.Program, "kind": string(of.Kind), "id": of.ID}
	var held []struct {
		HeldID [16]byte
		Bytes  []byte
	}
	t.Queue(textEraseSQL, args)
	if of.Kind == domain.HomeKind {
		t.setWords(homeWords, of.ID, nil)
	}
	All(t, &held, textHeldSQL, args)
	if err := t.Flush(); err != nil {
		return err
	}
	for _, h := range held {
		t.Queue(textHeldEraseSQL, Args{"program_id": t.Program, "held_id": domain.UUID(h.HeldID), "bytes": withoutTexts(of.Kind, h.Bytes)})
	}
	return t.Audit(caller, "texts_erased", of.ID, string(of.Kind))
}

// withoutTexts is a held item with its texts erased; of what cannot be read
// nothing is left.
func withoutTexts(kind domain.Kind, raw []byte) []byte {
	members := map[string]jsontext.Value{}
	if json.Unmarshal(raw, &members) != nil {
		return []byte{}
	}
	if record, ok := members["record"]; ok {
		body, err := ledger.Canonical(record)
		if err != nil {
			return []byte{}
		}
		bare, _ := domain.SplitTexts(kind, body)
		members["record"] = domain.JoinTexts(kind, bare, nil)
	}
	if _, ok := members["void"]; ok {
		members["void"] = jsontext.Value(`{"reason":"` + domain.ErasedText + `"}`)
	}
	out, err := json.Marshal(members)
	if err != nil {
		return []byte{}
	}
	return out
}
