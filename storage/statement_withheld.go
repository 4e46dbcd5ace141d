package storage

import (
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/month"
	"ductledger/domain/rules"
)

type statementOpenRow struct {
	JobID     [16]byte
	RuleSetID *[16]byte
}

// Jobs that the contractor held at the position, sent in and not accepted.
const statementOpenSQL = `
SELECT s.job_id, r.rule_set_id
FROM job_scope AS s
JOIN entry AS e ON e.program_id = s.program_id AND e.kind = 'job' AND e.record_id = s.job_id AND e.position <= @position
    AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
    AND e.body::jsonb ->> 'state' IN ('sent_in', 'returned') AND (e.body::jsonb ->> 'contractor_id')::uuid = s.contractor_id
JOIN LATERAL (SELECT r.rule_set_id FROM job_result AS r
    WHERE r.program_id = s.program_id AND r.job_id = s.job_id
    ORDER BY r.serial DESC LIMIT 1) AS r ON true
WHERE s.program_id = @program_id AND s.contractor_id = @contractor AND s.granted_position <= @position
ORDER BY s.job_id`

// notAccepted calls use with what the contractor may expect for jobs that are
// sent in, and what withholds it: each is judged over its records as they stood
// at the position.
func (r *monthReader) notAccepted(contractor domain.UUID, use func(*month.StatementLine) error) error {
	var rows []statementOpenRow
	All(r.t, &rows, statementOpenSQL, r.args)
	if err := r.t.Flush(); err != nil || len(rows) == 0 {
		return err
	}
	past, err := r.t.readPast(r.plan.Zone)
	if err != nil {
		return err
	}
	for batch := range slices.Chunk(rows, previewBatch) {
		asked := make([]previewRow, len(batch))
		for i, row := range batch {
			asked[i] = previewRow{JobID: row.JobID, ContractorID: contractor, AcceptedPosition: r.plan.Position}
		}
		jobs, err := r.t.readPastJobs(past, asked)
		if err != nil {
			return err
		}
		for i, row := range batch {
			if err := expected(row.JobID, &jobs[i], past.sets[IDOf(row.RuleSetID)], use); err != nil {
				return fmt.Errorf("job %s: %w", domain.UUID(row.JobID), err)
			}
		}
	}
	return nil
}

// expected gives the lines of one job that is not accepted.
func expected(id domain.UUID, past *pastJob, set pastSet, use func(*month.StatementLine) error) error {
	assembled, err := rules.Assemble(id, past.entries, past.outside)
	if err != nil {
		return err
	}
	if set.record == nil {
		set.set = rules.DefaultSet()
	}
	j := judgedJob{jobID: id, job: assembled.Job.Record, set: set.record, assembled: assembled}
	j.result, j.verdict = rules.ComputeAndJudge(set.set, assembled)
	work := month.Work{
		Figures: month.Figures{Outcome: j.job.Outcome, PayBasis: j.job.PayBasis, Method: j.result.Method, Undecided: j.result.Quality == leakage.Undecided, BeforeTenths: j.result.BeforeTenths, AfterTenths: j.result.AfterTenths},
	}
	work.Sections = sectionsOf(j.class())
	work.WorkShown, work.TripShown = j.result.Shown.Work, j.result.Shown.Trip
	for _, c := range assembled.Crossovers {
		if c.Record.Action == domain.Replaced {
			work.Crossovers++
		}
	}
	pay, err := month.PayOf(set.record, &work)
	if err != nil {
		return err
	}
	open := []string{}
	if problem := j.notAcceptable(0); problem != nil {
		for _, f := range problem.Faults {
			if !slices.Contains(open, f.Code) {
				open = append(open, f.Code)
			}
		}
	}
	lines := pay.Lines
	if len(lines) == 0 {
		lines = []month.PayLine{{}} // nothing to be paid, and still not accepted
	}
	for i, p := range lines {
		l := month.StatementLine{JobID: id, CountedAs: month.CountedNotAccepted, Number: i + 1, PayLine: p, ExpectedCents: p.AmountCents}
		l.AmountCents, l.HeldBackCents = 0, 0
		if p.State != month.Unpaid {
			l.State, l.Withheld = month.Withheld, slices.Clone(open)
			if p.WithheldBy != "" {
				l.Withheld = append(l.Withheld, p.WithheldBy)
			}
			if len(l.Withheld) == 0 {
				l.Withheld = []string{month.NotAccepted}
			}
		}
		if err := use(&l); err != nil {
			return err
		}
	}
	return nil
}
