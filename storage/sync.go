package storage

import (
	"context"
	"slices"

	"ductledger/domain"
	"ductledger/domain/ledger"
)

// Start is what a device needs to begin.
type Start struct {
	Head     Head
	HeldOpen int
	Device   *domain.Device
	Jobs     []JobSum
}

// JobSum tells a device whether its copy of a job is whole.
type JobSum struct {
	JobID    domain.UUID
	Number   int64
	State    domain.JobState
	Count    int
	Checksum ledger.Checksum
}

type sumRow struct {
	JobID    [16]byte
	Number   int64
	State    string
	Kind     string
	RecordID [16]byte
	Version  int64
}

// The newest entries of the caller's open jobs, voided ones too.
const syncSumsSQL = `
SELECT s.job_id, j.number, j.state, h.kind, h.record_id, h.version
FROM job_scope AS s
CROSS JOIN LATERAL (SELECT x.number, x.state FROM job AS x WHERE x.program_id = @program_id AND x.id = s.job_id OFFSET 0) AS j
CROSS JOIN LATERAL (SELECT x.kind, x.record_id, x.version FROM entry AS x
    WHERE x.program_id = @program_id AND x.job_id = s.job_id AND x.until_position IS NULL OFFSET 0) AS h
WHERE s.program_id = @program_id AND s.contractor_id = @contractor_id AND s.open AND (@role <> 'contractor' OR h.kind <> 'photo')
ORDER BY s.job_id`

// Sync reads, in one snapshot, where the program stands and what the
// caller's copy of each open job must come to.
func (db *DB) Sync(ctx context.Context, caller domain.Caller) (start Start, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		var heads []headRow
		var held []countRow
		var rows []sumRow
		var devices []seenRow
		args := scopeArgs(caller, Args{"kind": string(domain.DeviceKind), "id": caller.Device})
		All(t, &heads, headSQL, args)
		t.countHeldOpen(&held, caller)
		if !caller.Contractor.IsZero() {
			All(t, &rows, syncSumsSQL, args)
		}
		if !caller.Device.IsZero() {
			All(t, &devices, recordSQL, args)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		start.Head, start.HeldOpen = heads[0].head(), int(held[0].Count)
		for _, r := range rows {
			n := len(start.Jobs)
			if n == 0 || start.Jobs[n-1].JobID != domain.UUID(r.JobID) {
				start.Jobs = append(start.Jobs, JobSum{JobID: r.JobID, Number: r.Number, State: domain.JobState(r.State)})
				n++
			}
			sum := &start.Jobs[n-1]
			sum.Count++
			sum.Checksum = sum.Checksum.Add(domain.Kind(r.Kind), r.RecordID, r.Version)
		}
		if len(devices) == 1 {
			e, err := devices[0].Entry(true)
			if err != nil {
				return err
			}
			start.Device = e.Record.(*domain.Device)
		}
		return nil
	})
	return start, err
}

const jobEntriesSQL = `
WITH e AS MATERIALIZED (SELECT e.program_id,` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.job_id = @id AND e.until_position IS NULL)
SELECT` + entryNames + `
FROM e
WHERE` + visibleSQL + `
ORDER BY e.record_id`

// JobEntries reads one job whole: the newest version of each of its records.
func (db *DB) JobEntries(ctx context.Context, caller domain.Caller, id domain.UUID) (list []domain.Entry, err error) {
	var rows []EntryRow
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, jobEntriesSQL, scopeArgs(caller, Args{"id": id}))
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, NotFound(domain.JobKind)
	}
	slices.SortStableFunc(rows, func(a, b EntryRow) int { return domain.Kind(a.Kind).Rank() - domain.Kind(b.Kind).Rank() })
	return Entries(rows, false)
}
