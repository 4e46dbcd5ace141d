package storage

import (
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

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
