package storage

import (
	"errors"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Judged is a job that was judged as it is stored.
type Judged struct {
	RuleSetID domain.UUID
	Assembled *rules.Assembled
	Result    rules.Result
	Verdict   rules.Verdict

	facts *facts
}

// JudgeStored judges one job as it is stored.
func (t *Tx) JudgeStored(id domain.UUID) (*Judged, error) {
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
		return nil, err
	}
	zone, err := program.Zone()
	if err != nil {
		return nil, err
	}
	if err := f.decode(zone); err != nil {
		return nil, err
	}
	if len(jobs) == 0 {
		return nil, NotFound(domain.JobKind)
	}
	entries, err := Entries(rows, true)
	if err != nil {
		return nil, err
	}
	j := &judgedJob{jobID: id, entries: entries, touched: &touchedJob{firstRecordedAt: jobs[0].RecordedAt}}
	if err := j.judge(&f); err != nil {
		return nil, err
	}
	return &Judged{RuleSetID: j.setID, Assembled: j.assembled, Result: j.result, Verdict: j.verdict, facts: &f}, nil
}

// CallBacks judges what was done after the acceptance, each call-back by the
// rules of its own day.
func (j *Judged) CallBacks() (verdicts []rules.CallBackVerdict, err error) {
	verdicts = rules.JudgeCallBacks(func(day domain.Date) rules.Set {
		id, own := j.facts.ruleSet(day)
		set, faults := rules.NewSet(id, own)
		if len(faults) > 0 && err == nil {
			err = fmt.Errorf("rule set %s: %w", id, domain.InvalidFields(faults))
		}
		return set
	}, j.Assembled)
	return verdicts, err
}

// ErrVersionMissing says that a result cannot be made again.
var ErrVersionMissing = errors.New("the ledger lacks a version that it was made from")

// Remaking is what a row of job_result is made from again.
type Remaking struct {
	JobID           domain.UUID
	Serial          int
	Inputs          ResultInputs
	Records         []EntryRow // of the job, as they stood
	Outside         []EntryRow // at the positions that the inputs name
	Sets            []EntryRow // the rule set as it stood
	Past            []EntryRow // versions that had been replaced, as ReadReplaced finds them
	FirstRecordedAt time.Time  // of the job
	JudgedAt        Moment

	// As the row says; the acceptance that was corrected gave them.
	AcceptedAt    *time.Time
	AcceptedMonth *string
}

// Remake judges the job of a row again and gives the row that would be written.
func (r *Remaking) Remake(zone *time.Location) (*ResultRow, error) {
	j := &judgedJob{jobID: r.JobID, touched: &touchedJob{}}
	f := facts{zone: zone}
	var err error
	if j.entries, err = Entries(r.Records, true); err != nil {
		return nil, err
	}
	r.Inputs.Facts.setPictures(j.entries)
	if f.entries, err = Entries(r.Sets, true); err != nil {
		return nil, err
	}
	if f.past, err = Entries(r.Past, true); err != nil {
		return nil, err
	}
	elsewhere, err := Entries(r.Outside, true)
	if err != nil {
		return nil, err
	}
	if len(elsewhere) != len(r.Inputs.Outside) {
		return nil, ErrVersionMissing
	}
	j.touched.firstRecordedAt = r.FirstRecordedAt
	if since := r.Inputs.Facts.LateSince; since > 0 {
		j.corrected, j.touched.standing.LateSince = true, &since
	}
	if err := j.judge(&f); err != nil { // finds job, day and rule set; the facts follow
		return nil, err
	}
	set, faults := rules.NewSet(j.setID, j.set)
	if len(faults) > 0 {
		return nil, domain.InvalidFields(faults)
	}
	j.outside = r.Inputs.Facts.outside(zone, elsewhere)
	j.outside.Past = f.past
	if j.assembled, err = rules.Assemble(j.jobID, j.entries, j.outside); err != nil {
		return nil, err
	}
	j.result, j.verdict = rules.ComputeAndJudge(set, j.assembled)
	head := &lockedHead{Head: Head{Position: r.JudgedAt.Position, RecordedAt: r.JudgedAt.RecordedAt}}
	row, err := j.row(head, r.Serial)
	if err == nil && j.corrected { // accepted as before
		row.AcceptedAt, row.AcceptedMonth = r.AcceptedAt, r.AcceptedMonth
	}
	return row, err
}
