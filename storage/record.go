package storage

import (
	"context"
	"fmt"

	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
)

// visibleSQL is the one statement of what a scoped caller may see of a record:
// those of its jobs, its contractor's, and the agency's own reference data. A
// crew sees open jobs, a contractor also the accepted ones, an inspector the
// drawn ones. Homes are seen through their jobs. OFFSET 0 keeps each question one
// of the record in hand: it would else be answered for all records beforehand.
const visibleSQL = `
    (NOT @scoped::boolean
    OR e.job_id IS NOT NULL AND @role <> 'inspector' AND EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = e.program_id AND s.contractor_id = @contractor_id AND s.job_id = e.job_id
            AND (s.open OR @role = 'contractor' AND s.reason = 'accepted') OFFSET 0) AND (@role <> 'contractor' OR e.kind <> 'photo')
    OR e.job_id IS NOT NULL AND @role = 'inspector' AND EXISTS (SELECT FROM inspection_draw AS d
        WHERE d.program_id = e.program_id AND d.job_id = e.job_id AND` + InspectsSQL + ` OFFSET 0)
    OR e.kind = 'home' AND @role <> 'inspector' AND EXISTS (SELECT FROM job AS j JOIN job_scope AS s
            ON s.program_id = j.program_id AND s.job_id = j.id AND s.contractor_id = @contractor_id
        WHERE j.program_id = e.program_id AND j.home_id = e.record_id AND (s.open OR @role = 'contractor' AND s.reason = 'accepted') OFFSET 0)
    OR e.kind = 'home' AND @role = 'inspector' AND EXISTS (SELECT FROM job AS j JOIN inspection_draw AS d
            ON d.program_id = j.program_id AND d.job_id = j.id AND` + InspectsSQL + `
        WHERE j.program_id = e.program_id AND j.home_id = e.record_id OFFSET 0)
    OR e.kind = 'contractor' AND @role = 'inspector'
    OR e.job_id IS NULL AND e.contractor_id = @contractor_id
    OR e.kind IN ('rule_set', 'instrument') AND e.contractor_id IS NULL)`

// Seen is a record's newest version with what may be shown beside it.
type Seen struct {
	Entry    domain.Entry
	Resident *Resident // of a home, for a crew with an open job there, an inspector with a drawn one and the agency
}

type seenRow struct {
	EntryRow
	residentRow
}

func (r *seenRow) seen() (s Seen, err error) {
	s.Entry, err = r.Entry(false)
	s.Resident = r.residentRow.resident()
	return s, err
}

// maySeeContacts tells the roles that read a resident beside a home.
func maySeeContacts(caller domain.Caller) bool {
	return caller.Role == domain.Field || caller.Role == domain.Inspector || caller.Role == domain.Staff || caller.Role == domain.Admin
}

// residentJoinSQL shows a crew who lives where the office has sent it. A job that
// it started itself shows nobody until the office confirms the job: else any
// home's resident could be asked for by starting a job there. An inspector has to
// call at the homes of the jobs that are open to him.
const residentJoinSQL = `
LEFT JOIN resident AS r ON @contacts::boolean AND e.kind = 'home' AND r.program_id = @program_id AND r.home_id = e.record_id
    AND (NOT @scoped::boolean OR EXISTS (SELECT FROM job AS c JOIN job_scope AS o
            ON o.program_id = c.program_id AND o.job_id = c.id AND o.contractor_id = @contractor_id AND o.open
        WHERE c.program_id = @program_id AND c.home_id = e.record_id AND NOT c.started_by_crew OFFSET 0)
        OR @role = 'inspector' AND EXISTS (SELECT FROM job AS c JOIN inspection_draw AS d
            ON d.program_id = c.program_id AND d.job_id = c.id AND` + InspectsSQL + `
        WHERE c.program_id = @program_id AND c.home_id = e.record_id OFFSET 0))`

const recordSQL = `
SELECT` + EntryColumns + residentColumns + `
FROM entry AS e` + residentJoinSQL + `
WHERE e.program_id = @program_id AND e.kind = @kind AND e.record_id = @id AND e.until_position IS NULL AND` + visibleSQL + `
ORDER BY e.version DESC
LIMIT 1`

// Record reads the newest version of one record. What the caller may not know
// of is not found, as if nobody had made it.
func (db *DB) Record(ctx context.Context, caller domain.Caller, kind domain.Kind, id domain.UUID) (s Seen, err error) {
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		s, err = t.Record(caller, kind, id)
		return err
	})
	return s, err
}

// Record is DB.Record in a transaction.
func (t *Tx) Record(caller domain.Caller, kind domain.Kind, id domain.UUID) (Seen, error) {
	var rows []seenRow
	All(t, &rows, recordSQL, scopeArgs(caller, Args{"kind": string(kind), "id": id}))
	if err := t.Flush(); err != nil {
		return Seen{}, err
	}
	if len(rows) == 0 {
		return Seen{}, NotFound(kind)
	}
	return rows[0].seen()
}

// QueueVisible queues the question whether the caller may see a record.
func (t *Tx) QueueVisible(into *bool, caller domain.Caller, kind domain.Kind, id domain.UUID) {
	t.Queue(recordSQL, scopeArgs(caller, Args{"kind": string(kind), "id": id})).Query(func(rows pgx.Rows) error {
		*into = rows.Next()
		return rows.Err()
	})
}

// NotFound says that there is no such record, or none that the caller may see.
func NotFound(kind domain.Kind) error {
	return domain.Errorf(domain.NotFound, "there is no such %s", kind)
}

// scopeArgs are the arguments of a statement that holds visibleSQL.
func scopeArgs(caller domain.Caller, more Args) Args {
	more["program_id"], more["scoped"], more["role"], more["contractor_id"] = caller.Program, caller.Scoped(), string(caller.Role), caller.Contractor
	more["contacts"], more["person_id"] = maySeeContacts(caller), caller.Person
	return more
}

// Who may see the newest version may see them all.
const versionsSQL = `
SELECT` + entryNames + `
FROM (SELECT` + visibleSQL + ` AS visible FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = @kind AND e.record_id = @id AND e.until_position IS NULL OFFSET 0) AS h
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e
    WHERE h.visible AND e.program_id = @program_id AND e.kind = @kind AND e.record_id = @id AND e.version > @after OFFSET 0) AS e
ORDER BY e.version
LIMIT @limit`

// Versions reads the history of one record after a version, oldest first.
func (db *DB) Versions(ctx context.Context, caller domain.Caller, kind domain.Kind, id domain.UUID, after int64, limit int) (list []domain.Entry, err error) {
	var rows []EntryRow
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, versionsSQL, scopeArgs(caller, Args{"kind": string(kind), "id": id, "after": after, "limit": limit}))
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 && after == 0 {
		return nil, NotFound(kind)
	}
	return Entries(rows, false)
}

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

type nameRow struct {
	RecordID [16]byte
	Body     string
}

// Contractors as they stood at the position; a voided one is left out unless
// it has accepted jobs.
const contractorNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'contractor' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND (e.voided_at IS NULL OR EXISTS (SELECT FROM job_result AS r WHERE r.program_id = @program_id AND r.contractor_id = e.record_id AND r.accepted_position <= @position OFFSET 0))`

// ContractorNames are the names of contractors as they stood at the position,
// of voided ones only where they have accepted jobs.
func (t *Tx) ContractorNames(position int64) (map[domain.UUID]string, error) {
	return names(t, contractorNamesSQL, position, func(c *domain.Contractor) string { return c.Name })
}

// Crew members as they stood at the position.
const crewNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'crew_member' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// CrewNames are the names of crew members as they stood at the position.
func (t *Tx) CrewNames(position int64) (map[domain.UUID]string, error) {
	return names(t, crewNamesSQL, position, func(m *domain.CrewMember) string { return m.Name })
}

func names[R any](t *Tx, sql string, position int64, name func(*R) string) (map[domain.UUID]string, error) {
	var rows []nameRow
	All(t, &rows, sql, Args{"program_id": t.Program, "position": position})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	list := make(map[domain.UUID]string, len(rows))
	for _, row := range rows {
		var record R
		if err := json.Unmarshal([]byte(row.Body), &record); err != nil {
			return nil, fmt.Errorf("name of %s: %w", domain.UUID(row.RecordID), err)
		}
		list[row.RecordID] = name(&record)
	}
	return list, nil
}
