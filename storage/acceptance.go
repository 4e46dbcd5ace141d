package storage

import (
	"context"
	"time"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Acceptance is what was frozen when a job was accepted.
type Acceptance struct {
	Serial      int // of the job's results, 1 for the first
	Position    int64
	AcceptedAt  time.Time
	Month       string // in the program's zone
	InputDigest []byte // over the records and facts that were judged
	Until       int64  // where it ended by re-opening or voiding; 0 while it stands
}

type acceptanceRow struct {
	Serial           int32
	RuleSetID        *[16]byte
	JudgedAtPosition int64
	Result           string
	Verdict          string
	AcceptedPosition int64
	AcceptedAt       time.Time
	AcceptedMonth    string
	InputDigest      []byte
	UntilPosition    *int64
}

// Of a job that was re-opened and accepted again each acceptance keeps its
// verdict; at any position at most one stands. Without a position it is the
// one that stands now.
const acceptanceAtSQL = `
SELECT (SELECT count(DISTINCT f.judged_at_position) FROM job_result AS f WHERE f.program_id = r.program_id AND f.job_id = r.job_id
        AND f.accepted_position IS NOT NULL AND f.judged_at_position <= r.judged_at_position)::integer AS serial,
    r.rule_set_id, r.judged_at_position, r.result, r.verdict, r.judged_at_position AS accepted_position, r.accepted_at, r.accepted_month,
    r.input_digest, r.until_position
FROM job_result AS r
WHERE r.program_id = @program_id AND r.job_id = @id AND r.accepted_position IS NOT NULL
    AND (@position::bigint IS NULL AND r.until_position IS NULL
        OR r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position))`

func (r *acceptanceRow) acceptance() *Acceptance {
	a := &Acceptance{Serial: int(r.Serial), Position: r.AcceptedPosition, AcceptedAt: r.AcceptedAt, Month: r.AcceptedMonth, InputDigest: r.InputDigest}
	if r.UntilPosition != nil {
		a.Until = *r.UntilPosition
	}
	return a
}

// JudgmentAt reads the verdict and result of the acceptance that stood at a
// position of the ledger. What an open job looked like then is not kept: its
// findings change with each push, and nobody but its crew acted on them.
func (db *DB) JudgmentAt(ctx context.Context, caller domain.Caller, id domain.UUID, position int64) (out Judgment, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		var seen []seenRow
		var row *acceptanceRow
		var at *Moment
		All(t, &seen, recordSQL, scopeArgs(caller, Args{"kind": string(domain.JobKind), "id": id}))
		t.QueueMoment(&at, position)
		One(t, &row, acceptanceAtSQL, Args{"program_id": t.Program, "id": id, "position": position})
		if err := t.Flush(); err != nil {
			return err
		}
		switch {
		case len(seen) == 0:
			return NotFound(domain.JobKind)
		case at == nil:
			return domain.Errorf(domain.BadQuery, "position: the ledger has no position %d", position)
		case row == nil:
			return domain.Errorf(domain.NotFound, "at position %d no acceptance of this job stood; without a position you get what stands now", position)
		}
		out = Judgment{RuleSetID: IDOf(row.RuleSetID), AtPosition: row.JudgedAtPosition, Result: jsontext.Value(row.Result), Acceptance: row.acceptance()}
		return json.Unmarshal([]byte(row.Verdict), &out.Verdict)
	})
	return out, err
}
