package judgment

import (
	"context"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/cutlist"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Judgment is what the rules make of a job and what its readings come to.
type Judgment struct {
	RuleSetID  domain.UUID
	AtPosition int64          // the last position of the commit that judged
	Result     jsontext.Value // rules.Result
	Verdict    rules.Verdict
	Acceptance *Acceptance // that froze it; nil while the job is open
	CallBacks  []rules.CallBackVerdict
	// Questions are asked anew each time: what another home shows, or an
	// inspector reads, comes to light after the acceptance too.
	Questions []rules.Question
	// ExpectedCents is what a job that is sent in or returned would come to.
	ExpectedCents *int64
	// InspectorCFM25 is an inspector's own reading after, computed as the crew's is.
	InspectorCFM25 *float64
}

type frozenRow struct {
	RuleSetID        *[16]byte
	JudgedAtPosition int64
	Result           string
	Verdict          *string
}

const judgmentRowSQL = `
SELECT rule_set_id, judged_at_position, result, verdict
FROM job_result WHERE program_id = @program_id AND job_id = @id AND until_position IS NULL`

// Read reads what was frozen at the acceptance of a job; an open one is judged
// as it stands.
func Read(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID) (out Judgment, err error) {
	err = db.In(ctx, caller.Program, storage.Snapshot, func(t *storage.Tx) error {
		visible := false
		var row *frozenRow
		var frozen *acceptanceRow
		t.QueueVisible(&visible, caller, domain.JobKind, id)
		storage.One(t, &row, judgmentRowSQL, storage.Args{"program_id": t.Program, "id": id})
		storage.One(t, &frozen, acceptanceAtSQL, storage.Args{"program_id": t.Program, "id": id, "position": nil})
		if err := t.Flush(); err != nil {
			return err
		}
		if !visible || row == nil {
			return storage.NotFound(domain.JobKind)
		}
		out = Judgment{RuleSetID: storage.IDOf(row.RuleSetID), AtPosition: row.JudgedAtPosition, Result: jsontext.Value(row.Result)}
		if frozen != nil {
			out.Acceptance = frozen.acceptance()
		}
		judged, err := t.JudgeStored(id)
		if err != nil {
			return err
		}
		if caller.Scoped() {
			judged.Assembled.Outside = unnamed(judged.Assembled.Outside)
		}
		out.Questions = rules.Ask(judged.Assembled, judged.Result)
		out.InspectorCFM25 = inspectorReading(judged)
		if row.Verdict != nil {
			if out.CallBacks, err = judged.CallBacks(); err != nil {
				return err
			}
			return json.Unmarshal([]byte(*row.Verdict), &out.Verdict)
		}
		if out.ExpectedCents, err = judged.Expected(); err != nil {
			return err
		}
		out.RuleSetID, out.Verdict = judged.RuleSetID, judged.Verdict
		out.Result, err = json.Marshal(judged.Result)
		return err
	})
	return out, err
}

// inspectorReading is the last reading of an inspector by the method of the crew's,
// in the place of the crew's reading after; nil where there is none.
func inspectorReading(judged *storage.Judged) *float64 {
	job, any := *judged.Assembled, false
	job.Measurements = nil
	for _, m := range judged.Assembled.Measurements {
		switch m.Record.Stage {
		case domain.InspectionStage:
			record := *m.Record
			record.Stage, any = domain.After, true
			m.Record = &record
		case domain.After:
			continue
		}
		job.Measurements = append(job.Measurements, m)
	}
	if !any || judged.Result.Method == "" {
		return nil
	}
	result := rules.Compute(rules.Set{MethodsAsked: []domain.Method{judged.Result.Method}}, &job)
	if result.Method != judged.Result.Method {
		return nil
	}
	return result.AfterCFM25
}

// unnamed keeps other jobs, ids and numbers, from a caller who may not know of them.
func unnamed(o rules.Outside) rules.Outside {
	o.SamePhotos, o.SameTests, o.OtherVisits = slices.Clone(o.SamePhotos), slices.Clone(o.SameTests), slices.Clone(o.OtherVisits)
	for i := range o.SamePhotos {
		o.SamePhotos[i].JobIDs = make([]domain.UUID, min(len(o.SamePhotos[i].JobIDs), 1))
	}
	for i := range o.OtherVisits {
		o.OtherVisits[i].JobID = domain.UUID{}
	}
	o.LikePhotos = slices.Clone(o.LikePhotos)
	for i := range o.LikePhotos {
		o.LikePhotos[i].OtherJobID, o.LikePhotos[i].OtherPhotoID = domain.UUID{}, domain.UUID{}
	}
	o.SameTests = make([]domain.UUID, min(len(o.SameTests), 1))
	return o
}

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

// At reads the verdict and result of the acceptance that stood at a
// position of the ledger. What an open job looked like then is not kept: its
// findings change with each push, and nobody but its crew acted on them.
func At(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID, position int64) (out Judgment, err error) {
	err = db.In(ctx, caller.Program, storage.Snapshot, func(t *storage.Tx) error {
		visible := false
		var row *acceptanceRow
		var at *storage.Moment
		t.QueueVisible(&visible, caller, domain.JobKind, id)
		t.QueueMoment(&at, position)
		storage.One(t, &row, acceptanceAtSQL, storage.Args{"program_id": t.Program, "id": id, "position": position})
		if err := t.Flush(); err != nil {
			return err
		}
		switch {
		case !visible:
			return storage.NotFound(domain.JobKind)
		case at == nil:
			return domain.At("/position", domain.BadQuery, "position: the ledger has no position %d", position)
		case row == nil:
			return domain.Errorf(domain.NotFound, "at position %d no acceptance of this job stood; without a position you get what stands now", position)
		}
		out = Judgment{RuleSetID: storage.IDOf(row.RuleSetID), AtPosition: row.JudgedAtPosition, Result: jsontext.Value(row.Result), Acceptance: row.acceptance()}
		return json.Unmarshal([]byte(row.Verdict), &out.Verdict)
	})
	return out, err
}

// CutList says what to cut for a job, from its records as they stand.
func CutList(ctx context.Context, db *storage.DB, caller domain.Caller, id domain.UUID, p cutlist.Parameters) (out rules.CutList, err error) {
	err = db.In(ctx, caller.Program, storage.Snapshot, func(t *storage.Tx) error {
		visible := false
		t.QueueVisible(&visible, caller, domain.JobKind, id)
		if err := t.Flush(); err != nil {
			return err
		}
		if !visible {
			return storage.NotFound(domain.JobKind)
		}
		judged, err := t.JudgeStored(id)
		if err != nil {
			return err
		}
		out, err = judged.Assembled.CutList(p)
		return err
	})
	return out, err
}
