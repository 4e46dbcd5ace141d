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

const listSQL = `
SELECT` + ledgerColumns + residentColumns + `
FROM record_head AS h` + ledgerAtSQL + residentJoinSQL + `
WHERE h.program_id = @program_id AND h.kind = @kind AND (@after::uuid IS NULL OR h.record_id > @after)
    AND (@void::boolean OR NOT h.void) AND` + visibleSQL

const (
	listByJobSQL        = ` AND h.job_id = @job_id`
	listByHomeSQL       = ` AND h.record_id IN (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.home_id = @home_id)`
	listByContractorSQL = ` AND h.record_id IN (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.contractor_id = @of_contractor_id)`
	// Devices that have pulled the job since it was given to their contractor.
	listByHeldJobSQL = ` AND h.record_id IN (SELECT d.id FROM device AS d
    JOIN device_sign AS g ON g.program_id = d.program_id AND g.device_id = d.id
    JOIN job_scope AS s ON s.program_id = d.program_id AND s.contractor_id = d.contractor_id AND s.job_id = @job_id AND s.open
    WHERE d.program_id = @program_id AND g.acknowledged_position >= s.granted_position)`
	listOfContractorSQL = ` AND h.contractor_id = @of_contractor_id`
	listByStateSQL      = ` AND h.record_id IN (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.state = @state)`
	listByDeviceState   = ` AND h.record_id IN (SELECT d.id FROM device AS d WHERE d.program_id = @program_id AND d.state = @state)`
	listOrderSQL        = ` ORDER BY h.record_id LIMIT @limit`
)

// List reads the newest versions of a kind in the order of their ids.
func (db *DB) List(ctx context.Context, caller domain.Caller, kind domain.Kind, f Filter) ([]Seen, error) {
	sql := listSQL
	switch {
	case f.JobID.IsZero():
	case kind == domain.DeviceKind:
		sql += listByHeldJobSQL
	default:
		sql += listByJobSQL
	}
	if !f.HomeID.IsZero() {
		sql += listByHomeSQL
	}
	if !f.ContractorID.IsZero() {
		if kind == domain.JobKind {
			sql += listByContractorSQL
		} else {
			sql += listOfContractorSQL
		}
	}
	if f.State != "" {
		if kind == domain.JobKind {
			sql += listByStateSQL
		} else {
			sql += listByDeviceState
		}
	}
	var rows []seenRow
	err := db.in(ctx, caller.Program, reading, func(t *tx) error {
		all(t, &rows, sql+listOrderSQL, scopeArgs(caller, named{"kind": string(kind), "after": f.After, "void": f.Void, "job_id": f.JobID,
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
