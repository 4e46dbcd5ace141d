package storage

import (
	"context"
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/rules"

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

// Judgment reads what was frozen at the acceptance of a job; an open one is
// judged as it stands.
func (db *DB) Judgment(ctx context.Context, caller domain.Caller, id domain.UUID) (out Judgment, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		var seen []seenRow
		var row *frozenRow
		var frozen *acceptanceRow
		All(t, &seen, recordSQL, scopeArgs(caller, Args{"kind": string(domain.JobKind), "id": id}))
		One(t, &row, judgmentRowSQL, Args{"program_id": t.Program, "id": id})
		One(t, &frozen, acceptanceAtSQL, Args{"program_id": t.Program, "id": id, "position": nil})
		if err := t.Flush(); err != nil {
			return err
		}
		if len(seen) == 0 || row == nil {
			return NotFound(domain.JobKind)
		}
		out = Judgment{RuleSetID: IDOf(row.RuleSetID), AtPosition: row.JudgedAtPosition, Result: jsontext.Value(row.Result)}
		if frozen != nil {
			out.Acceptance = frozen.acceptance()
		}
		judged, f, err := t.judgeStored(id)
		if err != nil {
			return err
		}
		if caller.Scoped() {
			judged.assembled.Outside = unnamed(judged.assembled.Outside)
		}
		out.Questions = rules.Ask(judged.assembled, judged.result)
		if row.Verdict != nil {
			if out.CallBacks, err = judged.callBacks(f); err != nil {
				return err
			}
			return json.Unmarshal([]byte(*row.Verdict), &out.Verdict)
		}
		out.RuleSetID, out.Verdict = judged.setID, judged.verdict
		out.Result, err = json.Marshal(judged.result)
		return err
	})
	return out, err
}

// unnamed keeps the ids of other jobs from a caller who may not know of them.
func unnamed(o rules.Outside) rules.Outside {
	o.SamePhotos, o.SameTests, o.OtherVisits = slices.Clone(o.SamePhotos), slices.Clone(o.SameTests), slices.Clone(o.OtherVisits)
	for i := range o.SamePhotos {
		o.SamePhotos[i].JobIDs = make([]domain.UUID, min(len(o.SamePhotos[i].JobIDs), 1))
	}
	for i := range o.OtherVisits {
		o.OtherVisits[i].JobID = domain.UUID{}
	}
	o.SameTests = make([]domain.UUID, min(len(o.SameTests), 1))
	return o
}

// judgeStored judges one job as it is stored.
func (t *Tx) judgeStored(id domain.UUID) (*judgedJob, *facts, error) {
	plan := &plan{jobs: []domain.UUID{id}}
	args := Args{"program_id": t.Program, "jobs": plan.jobs, "homes": plan.homes}
	var rows []EntryRow
	var jobs []jobOf
	var f facts
	All(t, &rows, jobsEntriesSQL, args)
	All(t, &jobs, pushJobsSQL, args)
	t.readFacts(&f, plan, args)
	program, err := t.Settings()
	if err != nil {
		return nil, nil, err
	}
	zone, err := program.Zone()
	if err != nil {
		return nil, nil, err
	}
	if err := f.decode(zone); err != nil {
		return nil, nil, err
	}
	if len(jobs) == 0 {
		return nil, nil, NotFound(domain.JobKind)
	}
	entries, err := Entries(rows, true)
	if err != nil {
		return nil, nil, err
	}
	j := &judgedJob{jobID: id, entries: entries, touched: &touchedJob{firstRecordedAt: jobs[0].RecordedAt}}
	return j, &f, j.judge(&f)
}

// callBacks judges what was done after the acceptance, each call-back by the
// rules of its own day.
func (j *judgedJob) callBacks(f *facts) (verdicts []rules.CallBackVerdict, err error) {
	verdicts = rules.JudgeCallBacks(func(day domain.Date) rules.Set {
		id, own := f.ruleSet(day)
		set, faults := rules.NewSet(id, own)
		if len(faults) > 0 && err == nil {
			err = fmt.Errorf("rule set %s: %w", id, domain.InvalidFields(faults))
		}
		return set
	}, j.assembled)
	return verdicts, err
}
