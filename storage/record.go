package storage

import (
	"context"

	"ductledger/domain"

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
        WHERE d.program_id = e.program_id AND d.job_id = e.job_id AND` + inspectsSQL + ` OFFSET 0)
    OR e.kind = 'home' AND @role <> 'inspector' AND EXISTS (SELECT FROM job AS j JOIN job_scope AS s
            ON s.program_id = j.program_id AND s.job_id = j.id AND s.contractor_id = @contractor_id
        WHERE j.program_id = e.program_id AND j.home_id = e.record_id AND (s.open OR @role = 'contractor' AND s.reason = 'accepted') OFFSET 0)
    OR e.kind = 'home' AND @role = 'inspector' AND EXISTS (SELECT FROM job AS j JOIN inspection_draw AS d
            ON d.program_id = j.program_id AND d.job_id = j.id AND` + inspectsSQL + `
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
            ON d.program_id = c.program_id AND d.job_id = c.id AND` + inspectsSQL + `
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
