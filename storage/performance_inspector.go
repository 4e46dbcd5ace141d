package storage

import (
	"fmt"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Inspectors' readings of jobs assigned in the period, as they stood at the
// position, with the jobs and instruments that they are of. They are few; a
// reading's job and stage never change, so the typed table finds them.
const inspectedSQL = `
WITH taken AS (
    SELECT m.id, m.job_id, m.instrument_id FROM measurement AS m
    JOIN job_result AS b ON b.program_id = @program_id AND b.job_id = m.job_id AND b.serial = 1 AND b.assigned_at >= @from AND b.assigned_at < @before
    WHERE m.program_id = @program_id AND m.stage = 'inspection'
), wanted AS (
    SELECT 'measurement'::record_kind AS kind, id AS record_id FROM taken
    UNION SELECT 'job', job_id FROM taken
    UNION SELECT 'instrument', instrument_id FROM taken
)
SELECT DISTINCT ON (l.kind, l.record_id)` + ledgerColumns + `
FROM ledger AS l JOIN wanted USING (kind, record_id)
WHERE l.program_id = @program_id AND l.position <= @position
ORDER BY l.kind, l.record_id, l.version DESC`

type methodRow struct {
	JobID  [16]byte
	Method string
}

// Which method the crew's reading after is of, in the same jobs.
const inspectedMethodsSQL = `
SELECT r.job_id, coalesce(r.method, '') AS method FROM job_result AS r
WHERE r.program_id = @program_id AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
    AND r.job_id IN (
        SELECT m.job_id FROM measurement AS m
        JOIN job_result AS b ON b.program_id = @program_id AND b.job_id = m.job_id AND b.serial = 1 AND b.assigned_at >= @from AND b.assigned_at < @before
        WHERE m.program_id = @program_id AND m.stage = 'inspection')`

// inspected gives, for each accepted job with an inspector's reading by the
// crew's method, the last of them in tenths of cfm25: computed as the crew's
// own reading after is.
func (p *Population) inspected() (map[domain.UUID]int64, error) {
	var rows []entryRow
	var methods []methodRow
	all(p.t, &rows, inspectedSQL, p.args)
	all(p.t, &methods, inspectedMethodsSQL, p.args)
	if err := p.t.flush(); err != nil {
		return nil, err
	}
	entries, err := entriesOf(rows, true)
	if err != nil {
		return nil, err
	}
	ofJob, instruments := map[domain.UUID][]domain.Entry{}, []domain.Entry{}
	for _, e := range entries {
		switch r := e.Record.(type) {
		case *domain.Instrument:
			instruments = append(instruments, e)
		case *domain.Measurement:
			after := *r
			after.Stage = domain.After
			e.Record = &after
			ofJob[r.JobID] = append(ofJob[r.JobID], e)
		case *domain.Job:
			ofJob[e.ID] = append(ofJob[e.ID], e)
		}
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
		result := rules.Compute(rules.Set{MethodsAsked: []domain.Method{crew}}, job)
		if result.AfterTenths != nil && result.Method == crew {
			tenths[row.JobID] = *result.AfterTenths
		}
	}
	return tenths, nil
}
