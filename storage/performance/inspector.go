package performance

import (
	"fmt"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
)

// Inspectors' readings of jobs assigned in the period, as they stood at the
// position, with the jobs and instruments that they are of. They are few: a job
// says whether it has any.
const inspectedSQL = `
WITH jobs AS (
    SELECT j.id FROM job AS j
    JOIN job_result AS b ON b.program_id = @program_id AND b.job_id = j.id AND b.serial = 1 AND b.assigned_at >= @from AND b.assigned_at < @before
    WHERE j.program_id = @program_id AND j.inspected
), taken AS (
    SELECT DISTINCT e.record_id, e.job_id, (e.body::jsonb ->> 'instrument_id')::uuid AS instrument_id
    FROM jobs JOIN entry AS e ON e.program_id = @program_id AND e.job_id = jobs.id AND e.kind = 'measurement'
    WHERE e.body::jsonb ->> 'stage' = 'inspection'
), wanted AS (
    SELECT 'measurement' AS kind, record_id FROM taken
    UNION SELECT 'job', job_id FROM taken
    UNION SELECT 'instrument', instrument_id FROM taken
)
SELECT` + storage.EntryColumns + `
FROM wanted AS w
JOIN entry AS e ON e.program_id = @program_id AND e.kind = w.kind AND e.record_id = w.record_id
    AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

type methodRow struct {
	JobID  [16]byte
	Method string
}

// Which method the crew's reading after is of, in the same jobs.
const inspectedMethodsSQL = `
SELECT r.job_id, coalesce(r.method, '') AS method
FROM job AS j
JOIN job_result AS b ON b.program_id = @program_id AND b.job_id = j.id AND b.serial = 1 AND b.assigned_at >= @from AND b.assigned_at < @before
JOIN job_result AS r ON r.program_id = @program_id AND r.job_id = j.id
    AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
WHERE j.program_id = @program_id AND j.inspected`

// inspected gives, for each accepted job with an inspector's reading by the
// crew's method, the last of them that decides something by the limits in force, in
// tenths of cfm25.
func (p *Population) inspected() (map[domain.UUID]int64, error) {
	var rows []storage.EntryRow
	var methods []methodRow
	storage.All(p.t, &rows, inspectedSQL, p.args)
	storage.All(p.t, &methods, inspectedMethodsSQL, p.args)
	if err := p.t.Flush(); err != nil {
		return nil, err
	}
	entries, err := storage.Entries(rows, true)
	if err != nil {
		return nil, err
	}
	ofJob, instruments := map[domain.UUID][]domain.Entry{}, []domain.Entry{}
	for _, e := range entries {
		switch r := e.Record.(type) {
		case *domain.Instrument:
			instruments = append(instruments, e)
		case *domain.Measurement:
			ofJob[r.JobID] = append(ofJob[r.JobID], e)
		case *domain.Job:
			ofJob[e.ID] = append(ofJob[e.ID], e)
		}
	}
	set, faults := rules.NewSet(domain.UUID{}, &p.InForce)
	if len(faults) > 0 {
		return nil, fmt.Errorf("the rule set in force: %w", domain.InvalidFields(faults))
	}
	tenths := make(map[domain.UUID]int64, len(methods))
	for _, row := range methods {
		crew, of := domain.Method(row.Method), ofJob[row.JobID]
		if len(of) == 0 {
			continue
		}
		job, err := rules.Assemble(row.JobID, of, rules.Outside{Entries: instruments})
		if err != nil {
			return nil, fmt.Errorf("inspection of job %s: %w", domain.UUID(row.JobID), err)
		}
		var last *domain.Measurement // in force, by the crew's method
		for _, m := range job.Measurements {
			read, decides, known := set.Leakage(job, m)
			if m.Record.Method == crew && known && decides && (last == nil || !m.Record.TakenAt.Before(last.TakenAt)) {
				last, tenths[row.JobID] = m.Record, read
			}
		}
	}
	return tenths, nil
}
