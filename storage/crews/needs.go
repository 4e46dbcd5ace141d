package crews

import (
	"context"
	"fmt"

	"ductledger/domain"
	"ductledger/domain/crews"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

type lookedRow struct {
	JobID        [16]byte
	CrewLeadID   *[16]byte
	ContractorID [16]byte
	Body         string
	Method       *string
	AfterTenths  *int64
}

const lookedRowsSQL = `
SELECT l.job_id, l.crew_lead_id, l.contractor_id, l.body, l.method, l.after_tenths
FROM (` + lookedSQL + `
) AS l
ORDER BY l.job_id`

type doneRow struct {
	JobID   [16]byte
	Repair  string
	Members [][16]byte
	Named   bool
}

// The repairs of jobs that were looked at by kind, up to the day of the inspection, with the
// members whom they name.
const doneSQL = `
SELECT x.job_id, p.repair, coalesce(array_agg(DISTINCT p.member_id) FILTER (WHERE p.member_id IS NOT NULL), '{}') AS members,
    count(*) = count(p.member_id) AS named
FROM unnest(@jobs::uuid[], @days::text[]) AS x(job_id, inspected_on)
CROSS JOIN LATERAL (SELECT r.repair, r.member_id
    FROM entry AS e, jsonb_to_record(e.body::jsonb) AS r(repair text, member_id uuid, done_at text)
    WHERE e.program_id = @program_id AND e.job_id = x.job_id AND e.kind = 'repair' AND e.position <= @position
        AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
        AND left(r.done_at, 10) <= x.inspected_on
    OFFSET 0) AS p
GROUP BY 1, 2
ORDER BY 1, 2`

// The jobs that were looked at, with the inspectors' readings and the instruments that were read.
const readAgainSQL = `
WITH taken AS MATERIALIZED (
    SELECT t.position, (t.body::jsonb ->> 'instrument_id')::uuid AS instrument_id
    FROM unnest(@jobs::uuid[]) AS x(job_id)
    JOIN entry AS t ON t.program_id = @program_id AND t.job_id = x.job_id AND t.kind IN ('job', 'measurement')
        AND t.position <= @position AND (t.until_position IS NULL OR t.until_position > @position) AND t.voided_at IS NULL
    WHERE t.kind = 'job' OR t.body::jsonb ->> 'stage' = 'inspection'
), wanted AS (
    SELECT position FROM taken
    UNION
    SELECT i.position
    FROM (SELECT DISTINCT instrument_id AS id FROM taken WHERE instrument_id IS NOT NULL) AS m
    JOIN entry AS i ON i.program_id = @program_id AND i.kind = 'instrument' AND i.record_id = m.id
        AND i.position <= @position AND (i.until_position IS NULL OR i.until_position > @position)
)
SELECT` + storage.EntryColumns + `
FROM wanted AS w
JOIN entry AS e ON e.program_id = @program_id AND e.position = w.position`

// looks are the homes that an inspector judged after the work.
func (s *survey) looks() ([]crews.Look, error) {
	var rows []lookedRow
	storage.All(s.t, &rows, lookedRowsSQL, s.args)
	if err := s.t.Flush(); err != nil {
		return nil, err
	}
	looks, at := make([]crews.Look, len(rows)), make(map[domain.UUID]*crews.Look, len(rows))
	jobs, days := make([]domain.UUID, len(rows)), make([]string, len(rows))
	for i, r := range rows {
		var found domain.Inspection
		if err := json.Unmarshal([]byte(r.Body), &found); err != nil {
			return nil, fmt.Errorf("inspection of job %s: %w", domain.UUID(r.JobID), err)
		}
		l := &looks[i]
		*l = crews.Look{JobID: r.JobID, ContractorID: r.ContractorID, LeadID: storage.IDOf(r.CrewLeadID), Broken: map[string]bool{}}
		for _, v := range found.Verdicts {
			if v.Verdict == domain.VerdictHolds || v.Verdict == domain.VerdictBroken {
				l.Broken[v.Rule] = l.Broken[v.Rule] || v.Verdict == domain.VerdictBroken
			}
		}
		at[r.JobID], jobs[i], days[i] = l, r.JobID, string(found.InspectedOn)
	}
	args := storage.Args{"program_id": s.t.Program, "position": s.Position, "jobs": jobs, "days": days}
	var done []doneRow
	var read []storage.EntryRow
	storage.All(s.t, &done, doneSQL, args)
	storage.All(s.t, &read, readAgainSQL, args)
	if err := s.t.Flush(); err != nil {
		return nil, err
	}
	for _, d := range done {
		of := crews.Done{Repair: domain.RepairSort(d.Repair), All: d.Named}
		for _, member := range d.Members {
			of.Members = append(of.Members, member)
		}
		at[d.JobID].Repairs = append(at[d.JobID].Repairs, of)
	}
	return looks, readings(rows, read, at)
}

// readings sets the inspectors' readings beside the crews' own.
func readings(rows []lookedRow, read []storage.EntryRow, at map[domain.UUID]*crews.Look) error {
	entries, err := storage.Entries(read, true)
	if err != nil {
		return err
	}
	ofJob, instruments := map[domain.UUID][]domain.Entry{}, []domain.Entry{}
	for _, e := range entries {
		if e.Kind == domain.InstrumentKind {
			instruments = append(instruments, e)
			continue
		}
		ofJob[e.JobID] = append(ofJob[e.JobID], e)
	}
	for _, r := range rows {
		if r.Method == nil || r.AfterTenths == nil {
			continue
		}
		l := at[r.JobID]
		l.CrewTenths = *r.AfterTenths
		if l.InspectorTenths, err = rules.InspectorTenths(r.JobID, domain.Method(*r.Method), ofJob[r.JobID], instruments); err != nil {
			return err
		}
	}
	return nil
}

// ReadNeeds tells what to teach next, from jobs first accepted in a period of days.
func ReadNeeds(ctx context.Context, db *storage.DB, program domain.UUID, from, before domain.Date, position int64) (out Needs, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		s, err := surveyAt(t, from, before, position)
		if err != nil {
			return err
		}
		looks, err := s.looks()
		if err != nil {
			return err
		}
		byRecords, err := t.RuleTallies(s.args) // as frozen: what was mended before the acceptance is in none
		if err != nil {
			return err
		}
		out.Position, out.AsOfAt = s.Position, s.AsOfAt
		found := crews.ByCrew(looks)
		if out.Crews, err = crews.Topics(found, s.firms, s.people); err != nil {
			return err
		}
		if err := crews.Readings(out.Crews, looks); err != nil {
			return err
		}
		if out.Members, out.Unnamed, err = crews.ByMember(looks, s.firms, s.people); err != nil {
			return err
		}
		if out.ByInspectors, err = crews.ProgramTopics(found); err != nil {
			return err
		}
		recorded := make([]crews.Found, len(byRecords))
		for i, r := range byRecords {
			recorded[i] = crews.Found{ContractorID: r.ContractorID, Rule: r.Rule, Judged: r.Judged, Broken: r.Broken}
		}
		out.ByRecords, err = crews.ProgramTopics(recorded)
		return err
	})
	return out, err
}
