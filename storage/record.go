package storage

import (
	"context"

	"ductledger/domain"
)

// visibleSQL is the one statement of what a scoped caller may see of a record:
// those of its jobs, its contractor's, and the agency's own reference data. A
// crew sees open jobs, a contractor also the accepted ones, an inspector the
// drawn ones. Homes are seen through their jobs.
const visibleSQL = `
    (NOT @scoped::boolean
    OR h.job_id IS NOT NULL AND @role <> 'inspector' AND EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = h.program_id AND s.contractor_id = @contractor_id AND s.job_id = h.job_id
            AND (s.open OR @role = 'contractor' AND s.reason = 'accepted')) AND (@role <> 'contractor' OR h.kind <> 'photo')
    OR h.job_id IS NOT NULL AND @role = 'inspector' AND EXISTS (SELECT FROM inspection_draw AS d
        WHERE d.program_id = h.program_id AND d.job_id = h.job_id AND d.closed_at IS NULL)
    OR h.kind = 'home' AND @role <> 'inspector' AND EXISTS (SELECT FROM job AS j JOIN job_scope AS s
            ON s.program_id = j.program_id AND s.job_id = j.id AND s.contractor_id = @contractor_id
        WHERE j.program_id = h.program_id AND j.home_id = h.record_id AND (s.open OR @role = 'contractor' AND s.reason = 'accepted'))
    OR h.kind = 'home' AND @role = 'inspector' AND EXISTS (SELECT FROM job AS j JOIN inspection_draw AS d
            ON d.program_id = j.program_id AND d.job_id = j.id AND d.closed_at IS NULL
        WHERE j.program_id = h.program_id AND j.home_id = h.record_id)
    OR h.kind = 'contractor' AND @role = 'inspector'
    OR h.job_id IS NULL AND h.contractor_id = @contractor_id
    OR h.kind IN ('rule_set', 'instrument') AND h.contractor_id IS NULL)`

// Seen is a record's newest version with what may be shown beside it.
type Seen struct {
	Entry    domain.Entry
	Resident *Resident // of a home, for a crew with an open job there and for the agency
}

type seenRow struct {
	entryRow
	Name   *string
	Phone  *string
	Street *string
}

func (r *seenRow) seen() (s Seen, err error) {
	s.Entry, err = r.entry(false)
	s.Resident = residentOf(r.Name, r.Phone, r.Street)
	return s, err
}

// maySeeContacts tells the roles that read a resident beside a home.
func maySeeContacts(caller domain.Caller) bool {
	return caller.Role == domain.Field || caller.Role == domain.Staff || caller.Role == domain.Admin
}

const residentJoinSQL = `
LEFT JOIN resident AS r ON @contacts::boolean AND l.kind::text = 'home' AND r.program_id = @program_id AND r.home_id = l.record_id`

const recordSQL = `
SELECT` + ledgerColumns + residentColumns + `
FROM record_head AS h` + ledgerAtSQL + residentJoinSQL + `
WHERE h.program_id = @program_id AND h.kind = @kind AND h.record_id = @id AND` + visibleSQL

// Record reads the newest version of one record. What the caller may not know
// of is not found, as if nobody had made it.
func (db *DB) Record(ctx context.Context, caller domain.Caller, kind domain.Kind, id domain.UUID) (s Seen, err error) {
	err = db.in(ctx, caller.Program, reading, func(t *tx) error {
		s, err = t.record(caller, kind, id)
		return err
	})
	return s, err
}

func (t *tx) record(caller domain.Caller, kind domain.Kind, id domain.UUID) (Seen, error) {
	var rows []seenRow
	all(t, &rows, recordSQL, scopeArgs(caller, named{"kind": string(kind), "id": id}))
	if err := t.flush(); err != nil {
		return Seen{}, err
	}
	if len(rows) == 0 {
		return Seen{}, notFound(kind)
	}
	return rows[0].seen()
}

func notFound(kind domain.Kind) error {
	return domain.Errorf(domain.NotFound, "there is no such %s", kind)
}

// scopeArgs are the arguments of a statement that holds visibleSQL.
func scopeArgs(caller domain.Caller, more named) named {
	more["program_id"], more["scoped"], more["role"], more["contractor_id"] = caller.Program, caller.Scoped(), string(caller.Role), caller.Contractor
	more["contacts"] = maySeeContacts(caller)
	return more
}

const versionsSQL = `
SELECT` + ledgerColumns + `
FROM record_head AS h
JOIN ledger AS l ON l.program_id = h.program_id AND l.kind = h.kind AND l.record_id = h.record_id
WHERE h.program_id = @program_id AND h.kind = @kind AND h.record_id = @id AND l.version > @after AND` + visibleSQL + `
ORDER BY l.version
LIMIT @limit`

// Versions reads the history of one record after a version, oldest first.
func (db *DB) Versions(ctx context.Context, caller domain.Caller, kind domain.Kind, id domain.UUID, after int64, limit int) (list []domain.Entry, err error) {
	var rows []entryRow
	err = db.in(ctx, caller.Program, reading, func(t *tx) error {
		all(t, &rows, versionsSQL, scopeArgs(caller, named{"kind": string(kind), "id": id, "after": after, "limit": limit}))
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 && after == 0 {
		return nil, notFound(kind)
	}
	return entriesOf(rows, false)
}
