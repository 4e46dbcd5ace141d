package storage

import (
	"slices"
	"time"

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
func (t *Tx) writeScopes(s *stored, changes []*jobChange, accepted []intake.Decision) {
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
			t.Queue(inspectionFailedSQL, Args{"program_id": t.Program, "job_id": c.id, "failed": s.inspectionFailed(c), "at": t.Now})
		}
		if c.moved && !c.void {
			t.writeDraws(c, s.recordedAt)
		}
		if told, unread := s.hazards(c.id, accepted); told {
			t.Queue(hazardSQL, Args{"program_id": t.Program, "job_id": c.id, "unread": unread, "at": s.recordedAt})
		}
		switch closing := (Args{"program_id": t.Program, "job_id": c.id, "position": c.lastAt, "at": t.Now}); {
		case c.inspection || c.void:
			t.Queue(drawCloseSQL, closing)
		case c.visit:
			t.Queue(visitCloseSQL, closing)
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

// InspectsSQL tells that the draw d is open to the inspector who asks.
const InspectsSQL = ` (d.closed_at IS NULL AND (d.inspector_id IS NULL OR d.inspector_id = @person_id))`

const drawCloseSQL = `
UPDATE inspection_draw SET closed_at = greatest(drawn_at, @at), ended_position = greatest(granted_position, @position)
WHERE program_id = @program_id AND job_id = @job_id AND closed_at IS NULL`

// drawnSQL is the number of a text, made from the seed of the month x as package draws
// makes it: what is below is drawn.
const drawnSQL = ` substring(sha256(x.outer_key || sha256(x.inner_key || convert_to(@text::text, 'UTF8'))) FOR 8) < `

// A job that a crew begins may be drawn for a visit during the work.
const drawVisitSQL = `
INSERT INTO inspection_draw (program_id, job_id, granted_position, drawn_at, during_work)
SELECT @program_id, @job_id, @position, @at, true FROM inspection_seed AS x
WHERE x.program_id = @program_id AND x.from_at <= @at AND x.before_at > @at AND` + drawnSQL + `x.visit_below
ON CONFLICT (program_id, job_id) DO NOTHING`

// A visit ends once it is made; one that nobody made before the work was over is missed.
const visitCloseSQL = `
UPDATE inspection_draw SET closed_at = greatest(drawn_at, @at), ended_position = greatest(granted_position, @position)
WHERE program_id = @program_id AND job_id = @job_id AND during_work AND closed_at IS NULL`

// A job is drawn by the seed of the month in which it was first sent in, once: what was
// opened before for a visit alone opens again.
const drawSentInSQL = `
INSERT INTO inspection_draw AS d (program_id, job_id, granted_position, drawn_at)
SELECT @program_id, @job_id, @position, @at
FROM (SELECT coalesce((SELECT r.sent_in_at FROM job_result AS r WHERE r.program_id = @program_id AND r.job_id = @job_id AND r.serial = 1), @at) AS at) AS first
CROSS JOIN inspection_seed AS x
WHERE x.program_id = @program_id AND x.from_at <= first.at AND x.before_at > first.at AND` + drawnSQL + `x.below
ON CONFLICT (program_id, job_id) DO UPDATE SET during_work = false, inspector_id = NULL, granted_position = excluded.granted_position,
    drawn_at = excluded.drawn_at, closed_at = NULL, ended_position = NULL
WHERE d.during_work`

// writeDraws queues which jobs are drawn as they come, where the program does so.
func (t *Tx) writeDraws(c *jobChange, at time.Time) {
	args := Args{"program_id": t.Program, "job_id": c.id, "position": c.grantedAt, "at": at}
	switch c.job.State {
	case domain.InWork:
		if c.before == nil || c.before.Record.State == domain.Assigned { // after a return nobody comes unawares
			args["text"] = "visit/" + c.id.String()
			t.Queue(drawVisitSQL, args)
		}
	case domain.SentIn:
		t.Queue(visitCloseSQL, args)
		if c.job.Outcome == domain.Completed {
			args["text"] = c.id.String()
			t.Queue(drawSentInSQL, args)
		}
	case domain.Assigned, domain.Returned, domain.Accepted, domain.Deferred:
	}
}

// workersOf are the persons who recorded work on a job as it is stored, and the
// names of the crew members who were there.
func (s *stored) workersOf(job domain.UUID) (persons []domain.UUID, names []string) {
	touched := s.jobs[job]
	if touched == nil {
		return nil, nil
	}
	for i := range touched.entries {
		e := &touched.entries[i]
		switch r := e.Record.(type) {
		case *domain.Visit:
			crew := r.CrewIDs
			if r.LeadID != nil {
				crew = append(slices.Clone(crew), *r.LeadID)
			}
			for j := range s.facts.entries {
				if f := &s.facts.entries[j]; f.Kind == domain.CrewMemberKind && slices.Contains(crew, f.ID) {
					names = append(names, intake.PersonKey(f.Record.(*domain.CrewMember).Name))
				}
			}
		case *domain.Component, *domain.Crossover, *domain.Opening, *domain.Repair, *domain.EnergyIsolation:
		default:
			continue
		}
		if !e.PersonID.IsZero() && e.Void == nil {
			persons = append(persons, e.PersonID)
		}
	}
	return persons, names
}

const inspectionFailedSQL = `
UPDATE job SET inspection_failed_at = CASE WHEN @failed::boolean THEN @at::timestamptz END WHERE program_id = @program_id AND id = @job_id`

// A hazard waits from the moment at which it came, until all are read.
const hazardSQL = `
UPDATE job SET hazard_since = CASE WHEN @unread::boolean THEN coalesce(hazard_since, @at::timestamptz) END WHERE program_id = @program_id AND id = @job_id`

// A Ledger is the program's chain under the lock of its head: the last lock of a
// transaction.
type Ledger struct {
	t    *Tx
	head *lockedHead
}

// LockLedger lets a room write records that the service itself makes.
func (t *Tx) LockLedger() (*Ledger, error) {
	head, err := t.lockHead()
	return &Ledger{t, head}, err
}

// Append queues a version of a record of no job that the service itself makes, and
// gives its position. before is the position of the version that it replaces;
// 0: there is none.
func (l *Ledger) Append(caller domain.Caller, id domain.UUID, record domain.Record, version, before int64) (int64, error) {
	item, err := intake.NewItem(record.Kind(), id, record)
	if err != nil {
		return 0, err
	}
	item.SentBy(caller)
	item.ReceivedAt = l.t.Now
	made := []intake.Decision{{Item: item, Status: intake.Created, Version: version, Body: item.Body}}
	l.t.appendEntries(l.head, made, func(intake.Key) int64 { return before })
	return made[0].Position, nil
}
