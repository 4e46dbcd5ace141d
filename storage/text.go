package storage

import (
	"context"

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

// EraseTexts erases the free texts of all versions of a record with their salt,
// and those of its held items. That there were texts stays known, so no verdict
// moves, and the chain still verifies: it holds their digests. Phones keep their
// copies as long as they keep the job.
func (db *DB) EraseTexts(ctx context.Context, caller domain.Caller, kind domain.Kind, id domain.UUID) (erased int64, err error) {
	err = db.In(ctx, caller.Program, Writing, func(t *Tx) error {
		args := Args{"program_id": t.Program, "kind": string(kind), "id": id}
		var held []struct {
			HeldID [16]byte
			Bytes  []byte
		}
		if _, err := t.record(caller, kind, id); err != nil {
			return err
		}
		t.Queue(textEraseSQL, args).Exec(Affected(&erased))
		All(t, &held, textHeldSQL, args)
		if err := t.Flush(); err != nil {
			return err
		}
		for _, h := range held {
			t.Queue(textHeldEraseSQL, Args{"program_id": t.Program, "held_id": domain.UUID(h.HeldID), "bytes": withoutTexts(kind, h.Bytes)})
		}
		return t.Audit(caller, "texts_erased", id, string(kind))
	})
	return erased, err
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
