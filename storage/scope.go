package storage

import (
	"maps"
	"slices"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// A contractor's scope ends where the job leaves it: given to another,
// accepted, voided or deferred. The position tells its devices when to drop it.
const scopeEndSQL = `
UPDATE job_scope AS s SET open = false, ended_position = x.position, reason = x.reason
FROM unnest(@jobs::uuid[], @holders::uuid[], @positions::bigint[], @reasons::text[]) AS x(job_id, holder, position, reason)
WHERE s.program_id = @program_id AND s.job_id = x.job_id AND s.open AND s.contractor_id IS DISTINCT FROM x.holder`

// A job that enters the scope is granted at the position of the version that
// brought it; one that is in it already keeps its grant.
const scopeGrantSQL = `
INSERT INTO job_scope (program_id, contractor_id, job_id, granted_position, last_position, open)
SELECT @program_id, x.holder, x.job_id, x.granted, x.last, true
FROM unnest(@jobs::uuid[], @holders::uuid[], @granted::bigint[], @last::bigint[]) AS x(job_id, holder, granted, last)
ON CONFLICT (program_id, contractor_id, job_id) DO UPDATE SET
    granted_position = CASE WHEN job_scope.open THEN job_scope.granted_position ELSE excluded.granted_position END,
    last_position = excluded.last_position, open = true, ended_position = NULL, reason = NULL`

// A home's new version is news of its open jobs, and of accepted ones, which
// their contractor still reads.
const scopeHomeNewsSQL = `
UPDATE job_scope AS s SET last_position = greatest(s.last_position, x.position)
FROM unnest(@homes::uuid[], @positions::bigint[]) AS x(home_id, position)
JOIN job AS j ON j.program_id = @program_id AND j.home_id = x.home_id
WHERE s.program_id = @program_id AND s.job_id = j.id AND (s.open OR s.reason = 'accepted')`

// What comes to an accepted job afterwards is news of its contractor, which
// still reads it.
const scopeLateNewsSQL = `
UPDATE job_scope AS s SET last_position = greatest(s.last_position, x.position)
FROM unnest(@jobs::uuid[], @positions::bigint[]) AS x(job_id, position)
WHERE s.program_id = @program_id AND s.job_id = x.job_id AND NOT s.open AND s.reason = 'accepted'`

// writeScopes queues who may see the touched jobs from now on.
func (t *tx) writeScopes(k *known, accepted []intake.Decision) {
	type state struct {
		job           domain.Job
		void, moved   bool
		stored        bool                 // before this push: only then somebody has it in scope
		callBacks     map[domain.UUID]bool // open ones: the job is shown again, its state stays
		granted, last int64
	}
	touched := map[domain.UUID]*state{}
	var order []domain.UUID
	var homes, inspected []domain.UUID
	var homesAt []int64
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind == domain.HomeKind && d.Version > 1 { // a new one has no jobs yet
			homes, homesAt = append(homes, d.Item.ID), append(homesAt, d.Position)
		}
		if d.JobID.IsZero() {
			continue
		}
		s := touched[d.JobID]
		if s == nil {
			before, stored := k.store.Jobs[d.JobID]
			s = &state{job: before.Record, void: before.Void, stored: stored, callBacks: k.openCallBacks(d.JobID)}
			touched[d.JobID] = s
			order = append(order, d.JobID)
		}
		s.last = d.Position
		if r, ok := d.Item.Record.(*domain.Inspection); ok && (r.Result == "passed" || r.Result == "failed") {
			inspected = append(inspected, d.JobID)
		}
		if d.Item.Kind == domain.CallBackKind {
			r, ok := d.Item.Record.(*domain.CallBack)
			s.callBacks[d.Item.ID] = ok && r.ClosedOn == ""
			s.moved, s.granted = true, d.Position
		}
		if d.Item.Kind != domain.JobKind {
			continue
		}
		s.granted, s.moved = d.Position, true
		if job, ok := d.Item.Record.(*domain.Job); ok {
			s.job, s.void = *job, false
		} else {
			s.void = true
		}
	}
	var ended, endedHolders []*[16]byte
	var endedAt []int64
	var reasons []string
	var jobs, holders []domain.UUID
	var granted, last []int64
	var closed []domain.UUID
	var closedAt []int64
	for _, id := range order {
		s := touched[id]
		calledBack := slices.Contains(slices.Collect(maps.Values(s.callBacks)), true)
		open := (s.job.State.Open() || calledBack) && !s.void
		if s.moved && s.stored {
			holder, reason := idArg(s.job.ContractorID), "reassigned"
			if !open {
				holder, reason = nil, endReason(s.job.State, s.void)
			}
			ended, endedHolders = append(ended, idArg(id)), append(endedHolders, holder)
			endedAt, reasons = append(endedAt, s.granted), append(reasons, reason)
		}
		if !open && s.job.State == domain.Accepted {
			closed, closedAt = append(closed, id), append(closedAt, s.last)
		}
		if open {
			jobs, holders = append(jobs, id), append(holders, s.job.ContractorID)
			granted, last = append(granted, max(s.granted, 1)), append(last, s.last)
		}
	}
	if len(ended) > 0 {
		t.queue(scopeEndSQL, named{"program_id": t.program, "jobs": ended, "holders": endedHolders, "positions": endedAt, "reasons": reasons})
	}
	if len(closed) > 0 {
		t.queue(scopeLateNewsSQL, named{"program_id": t.program, "jobs": closed, "positions": closedAt})
	}
	if len(inspected) > 0 {
		t.queue(drawCloseSQL, named{"program_id": t.program, "jobs": inspected, "at": t.now})
	}
	if len(homes) > 0 {
		t.queue(scopeHomeNewsSQL, named{"program_id": t.program, "homes": homes, "positions": homesAt})
	}
	if len(jobs) > 0 {
		t.queue(scopeGrantSQL, named{"program_id": t.program, "jobs": jobs, "holders": holders, "granted": granted, "last": last})
	}
}

// openCallBacks are those of a job as it was before the push.
func (k *known) openCallBacks(job domain.UUID) map[domain.UUID]bool {
	open := map[domain.UUID]bool{}
	if touched := k.jobs[job]; touched != nil {
		for i := range touched.entries {
			e := &touched.entries[i]
			if r, ok := e.Record.(*domain.CallBack); ok {
				open[e.ID] = r.ClosedOn == "" && e.Void == nil
			}
		}
	}
	return open
}

func endReason(state domain.JobState, void bool) string {
	switch {
	case void:
		return "void"
	case state == domain.Accepted:
		return "accepted"
	}
	return "ended"
}

const jobLateSQL = `
UPDATE job AS j SET late_count = j.late_count + x.count
FROM unnest(@jobs::uuid[], @counts::integer[]) AS x(job_id, count)
WHERE j.program_id = @program_id AND j.id = x.job_id`

// countLate queues the count of records that came after the acceptance.
func (t *tx) countLate(accepted []intake.Decision) {
	counts := map[domain.UUID]int32{}
	var jobs []domain.UUID
	for i := range accepted {
		if d := &accepted[i]; d.Late {
			if counts[d.JobID] == 0 {
				jobs = append(jobs, d.JobID)
			}
			counts[d.JobID]++
		}
	}
	if len(jobs) == 0 {
		return
	}
	list := make([]int32, len(jobs))
	for i, id := range jobs {
		list[i] = counts[id]
	}
	t.queue(jobLateSQL, named{"program_id": t.program, "jobs": jobs, "counts": list})
}
