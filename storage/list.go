package storage

import (
	"context"

	"ductledger/domain"
)

// Filter restricts a list of one kind. It is the only place where a statement
// is put together, and only from the closed list of clauses below.
type Filter struct {
	JobID        domain.UUID
	HomeID       domain.UUID
	ContractorID domain.UUID
	State        string
	Void         bool        // voided ones too
	After        domain.UUID // the last id of the page before
	Limit        int
}

// A list begins at what it is of: jobs at their table, the records of one job
// at the job, all others at their kind. The first page begins behind the zero id,
// which stands before every other, so that each page is one range of an index.
const listSQL = `
SELECT` + EntryColumns + residentColumns + `
FROM entry AS e` + residentJoinSQL + `
WHERE e.program_id = @program_id AND e.kind = @kind AND e.record_id > @after::uuid AND e.until_position IS NULL
    AND (@void::boolean OR e.voided_at IS NULL) AND` + visibleSQL

const (
	listOfContractorSQL = ` AND e.job_id IS NULL AND e.contractor_id = @of_contractor_id`
	listByDeviceState   = ` AND e.record_id IN (SELECT d.id FROM device AS d WHERE d.program_id = @program_id AND d.state = @state)`
	// Devices that have pulled the job since it was given to their contractor.
	listByHeldJobSQL = ` AND e.record_id IN (SELECT d.id FROM job_scope AS s
    JOIN device AS d ON d.program_id = s.program_id AND d.contractor_id = s.contractor_id
    WHERE s.program_id = @program_id AND s.job_id = @job_id AND s.open AND d.acknowledged_position >= s.granted_position)`
	listOrderSQL = ` ORDER BY e.record_id LIMIT @limit`
)

const listOfJobSQL = `
WITH e AS MATERIALIZED (SELECT e.program_id,` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.job_id = @job_id AND e.kind = @kind AND e.until_position IS NULL)
SELECT` + entryNames + residentColumns + `
FROM e` + residentJoinSQL + `
WHERE e.record_id > @after::uuid AND (@void::boolean OR e.voided_at IS NULL) AND` + visibleSQL + `
ORDER BY e.record_id
LIMIT @limit`

const jobListSQL = `
SELECT` + entryNames + noResidentColumns + `
FROM job AS j
CROSS JOIN LATERAL (SELECT e.program_id,` + entryOwn + ` j.number, NULL::text AS bytes_state,` + EntryTexts + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = 'job' AND e.record_id = j.id AND e.until_position IS NULL OFFSET 0) AS e
WHERE j.program_id = @program_id AND j.id > @after::uuid AND (@void::boolean OR NOT j.void) AND` + visibleSQL

const (
	jobListByIDSQL         = ` AND j.id = @job_id`
	jobListByHomeSQL       = ` AND j.home_id = @home_id`
	jobListByContractorSQL = ` AND j.contractor_id = @of_contractor_id`
	jobListByStateSQL      = ` AND j.state = @state`
	jobListOrderSQL        = ` ORDER BY j.id LIMIT @limit`
)

// sql is the statement of the list.
func (f *Filter) sql(kind domain.Kind) string {
	clause := func(set bool, text string) string {
		if set {
			return text
		}
		return ""
	}
	switch {
	case kind == domain.JobKind:
		return jobListSQL + clause(!f.JobID.IsZero(), jobListByIDSQL) + clause(!f.HomeID.IsZero(), jobListByHomeSQL) +
			clause(!f.ContractorID.IsZero(), jobListByContractorSQL) + clause(f.State != "", jobListByStateSQL) + jobListOrderSQL
	case !f.JobID.IsZero() && kind != domain.DeviceKind:
		return listOfJobSQL
	}
	return listSQL + clause(!f.JobID.IsZero(), listByHeldJobSQL) + clause(!f.ContractorID.IsZero(), listOfContractorSQL) +
		clause(f.State != "", listByDeviceState) + listOrderSQL
}

// List reads the newest versions of a kind in the order of their ids.
func (db *DB) List(ctx context.Context, caller domain.Caller, kind domain.Kind, f Filter) ([]Seen, error) {
	var rows []seenRow
	err := db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, f.sql(kind), scopeArgs(caller, Args{"kind": string(kind), "after": [16]byte(f.After), "void": f.Void, "job_id": f.JobID,
			"home_id": f.HomeID, "of_contractor_id": f.ContractorID, "state": f.State, "limit": f.Limit}))
		return nil
	})
	if err != nil {
		return nil, err
	}
	list := make([]Seen, len(rows))
	for i := range rows {
		if list[i], err = rows[i].seen(); err != nil {
			return nil, err
		}
	}
	return list, nil
}
