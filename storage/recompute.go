package storage

import (
	"context"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
)

// Recomputed is one row of job_result, made again from the ledger.
type Recomputed struct {
	JobID   domain.UUID
	Serial  int
	Differs []string // columns whose content differs, with what stands there and what was made
}

// Same tells whether all columns are the same, to the byte.
func (r Recomputed) Same() bool { return len(r.Differs) == 0 }

// recomputePage bounds the rows that are held at once.
const recomputePage = 50

// The newest versions of a job's records at a position; at the head for NULL.
const recomputeRecordsSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.job_id = @job_id AND e.position <= coalesce(@position::bigint, e.position)
    AND (e.until_position IS NULL OR e.until_position > @position)
ORDER BY e.position`

const recomputeOutsideSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.position = ANY (@positions)`

// The rule set as it stood; once in force it does not change.
const recomputeRuleSetSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.record_id = @rule_set_id
    AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// Recompute makes the rows of job_result again, of one job or, with a zero id,
// of all: from the job's records in the ledger, and from the versions and
// facts that job_result.inputs names. each is told of every row. Nothing is
// written. What counts moments on the way and not the state (assigned_at,
// sent_in_at and the counts of that moment, returned_count, counted_at) is
// left out.
func (db *DB) Recompute(ctx context.Context, program, job domain.UUID, each func(Recomputed) error) error {
	return db.In(ctx, program, Survey, func(t *Tx) error {
		settings, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := settings.Zone()
		if err != nil {
			return err
		}
		args := Args{"program_id": program, "job_id": job, "after": domain.UUID{}, "after_serial": 0, "limit": recomputePage}
		for {
			var rows []recomputeRow
			All(t, &rows, recomputeRowsSQL, args)
			if err := t.Flush(); err != nil {
				return err
			}
			if err := t.recompute(zone, rows, each); err != nil {
				return err
			}
			if len(rows) < recomputePage {
				return nil
			}
			last := rows[len(rows)-1]
			args["after"], args["after_serial"] = domain.UUID(last.JobID), last.Serial
		}
	})
}

// remaking is what a row is made from again.
type remaking struct {
	row                    *recomputeRow
	inputs                 resultInputs
	records, outside, sets []EntryRow
}

// recompute makes one page of rows again, reading for all in one round trip.
func (t *Tx) recompute(zone *time.Location, rows []recomputeRow, each func(Recomputed) error) error {
	list := make([]remaking, len(rows))
	for i := range rows {
		row, r := &rows[i], &list[i]
		r.row = row
		if err := json.Unmarshal([]byte(row.Inputs), &r.inputs, json.RejectUnknownMembers(true)); err != nil {
			return fmt.Errorf("the inputs of job %s cannot be read: %w", domain.UUID(row.JobID), err)
		}
		args := Args{"program_id": t.Program, "job_id": domain.UUID(row.JobID), "position": row.JudgedAtPosition,
			"positions": r.inputs.Outside, "rule_set_id": IDOf(row.RuleSetID)}
		All(t, &r.outside, recomputeOutsideSQL, args)
		All(t, &r.sets, recomputeRuleSetSQL, args)
		records := Args{"program_id": t.Program, "job_id": domain.UUID(row.JobID), "position": row.JudgedAtPosition}
		if row.Open { // a version that no judgment saw shows as a difference
			records["position"] = nil
		}
		All(t, &r.records, recomputeRecordsSQL, records)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for i := range list {
		row := list[i].row
		out := Recomputed{JobID: row.JobID, Serial: int(row.Serial)}
		if made, err := t.remake(zone, &list[i]); err != nil {
			out.Differs = []string{"it cannot be made again: " + err.Error()}
		} else {
			out.Differs = row.differs(made)
		}
		if err := each(out); err != nil {
			return err
		}
	}
	return nil
}

// remake judges the job of a row again and gives the row that would be written.
func (t *Tx) remake(zone *time.Location, r *remaking) (*resultRow, error) {
	j := &judgedJob{jobID: r.row.JobID, touched: &touchedJob{}}
	f := facts{zone: zone}
	var err error
	if j.entries, err = Entries(r.records, true); err != nil {
		return nil, err
	}
	if f.entries, err = Entries(r.sets, true); err != nil {
		return nil, err
	}
	elsewhere, err := Entries(r.outside, true)
	if err != nil {
		return nil, err
	}
	if len(elsewhere) != len(r.inputs.Outside) || r.row.FirstRecordedAt == nil || r.row.JudgedAt == nil {
		return nil, fmt.Errorf("the ledger lacks a version that it was made from")
	}
	j.touched.firstRecordedAt = *r.row.FirstRecordedAt
	if since := r.inputs.Facts.LateSince; since > 0 {
		j.corrected, j.touched.standing.LateSince = true, &since
	}
	if err := j.judge(&f); err != nil { // finds job, day and rule set; the facts follow
		return nil, err
	}
	set, faults := rules.NewSet(j.setID, j.set)
	if len(faults) > 0 {
		return nil, domain.InvalidFields(faults)
	}
	j.outside = r.inputs.Facts.outside(zone, elsewhere)
	if j.assembled, err = rules.Assemble(j.jobID, j.entries, j.outside); err != nil {
		return nil, err
	}
	j.result, j.verdict = rules.ComputeAndJudge(set, j.assembled)
	head := &lockedHead{Head: Head{Position: r.row.JudgedAtPosition, RecordedAt: *r.row.JudgedAt}}
	row, err := j.row(head, int(r.row.Serial))
	if err == nil && j.corrected { // accepted as before
		row.AcceptedAt, row.AcceptedMonth = r.row.AcceptedAt, r.row.AcceptedMonth
	}
	return row, err
}
