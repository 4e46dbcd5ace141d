package storage

import (
	"ductledger/domain"
	"ductledger/domain/intake"
)

// A contractor's scope ends where the job leaves it: given to another,
// accepted, voided or deferred. The position tells its devices when to drop it.
const scopeEndSQL = `
UPDATE job_scope SET open = false, ended_position = @position, reason = @reason
WHERE program_id = @program_id AND job_id = @job_id AND open AND contractor_id IS DISTINCT FROM @holder::uuid`

// A job that enters the scope is granted at the position of the version that
// brought it; one that is in it already keeps its grant, unless it is given anew
// since its contractor may see more of it now.
const scopeGrantSQL = `
INSERT INTO job_scope (program_id, contractor_id, job_id, granted_position, last_position, open)
VALUES (@program_id, @holder, @job_id, @granted, @position, true)
ON CONFLICT (program_id, contractor_id, job_id) DO UPDATE SET
    granted_position = CASE WHEN job_scope.open AND NOT @anew::boolean THEN job_scope.granted_position ELSE excluded.granted_position END,
    last_position = excluded.last_position, open = true, ended_position = NULL, reason = NULL`

// A home's new version is news of its open jobs, and of accepted ones, which
// their contractor still reads.
const scopeHomeNewsSQL = `
UPDATE job_scope SET last_position = greatest(last_position, @position)
WHERE program_id = @program_id AND job_id = ANY (ARRAY(SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.home_id = @home_id))
    AND (open OR reason = 'accepted')`

// What comes to an accepted job afterwards is news of its contractor, which
// still reads it.
const scopeLateNewsSQL = `
UPDATE job_scope SET last_position = greatest(last_position, @position)
WHERE program_id = @program_id AND job_id = @job_id AND NOT open AND reason = 'accepted'`

// writeScopes queues who may see the touched jobs from now on.
func (t *Tx) writeScopes(k *known, changes []*jobChange, accepted []intake.Decision) {
	for _, c := range changes {
		job := Args{"program_id": t.Program, "job_id": c.id, "holder": c.job.ContractorID, "position": c.lastAt, "granted": max(c.grantedAt, 1), "anew": c.confirmed()}
		if (c.newVersion || c.called) && c.before != nil { // only then somebody has it in scope
			end := Args{"program_id": t.Program, "job_id": c.id, "holder": c.job.ContractorID, "position": c.grantedAt, "reason": "reassigned"}
			if !c.inScope() {
				end["holder"], end["reason"] = nil, endReason(c.job.State, c.void)
			}
			t.Queue(scopeEndSQL, end)
		}
		switch {
		case c.inScope():
			t.Queue(scopeGrantSQL, job)
		case c.job.State == domain.Accepted:
			t.Queue(scopeLateNewsSQL, job)
		}
		if len(c.inspected) > 0 {
			t.Queue(inspectionFailedSQL, Args{"program_id": t.Program, "job_id": c.id, "failed": k.inspectionFailed(c), "at": t.Now})
		}
		if c.inspection || c.void {
			t.Queue(drawCloseSQL, Args{"program_id": t.Program, "job_id": c.id, "position": c.lastAt, "at": t.Now})
		}
	}
	for i := range accepted {
		if d := &accepted[i]; d.Item.Kind == domain.HomeKind && d.Version > 1 { // a new one has no jobs yet
			t.Queue(scopeHomeNewsSQL, Args{"program_id": t.Program, "home_id": d.Item.ID, "position": d.Position})
		}
	}
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
