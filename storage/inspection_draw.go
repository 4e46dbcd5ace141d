package storage

import (
	"slices"

	"ductledger/domain"
	"ductledger/domain/intake"
)

// inspectsSQL tells that the draw d is open to the inspector who asks.
const inspectsSQL = ` (d.closed_at IS NULL AND (d.inspector_id IS NULL OR d.inspector_id = @person_id))`

const drawCloseSQL = `
UPDATE inspection_draw SET closed_at = greatest(drawn_at, @at), ended_position = greatest(granted_position, @position)
WHERE program_id = @program_id AND job_id = @job_id AND closed_at IS NULL`

// workersOf are the persons who recorded work on a job as it is stored, and the
// names of the crew members who were there.
func (k *known) workersOf(job domain.UUID) (persons []domain.UUID, names []string) {
	touched := k.jobs[job]
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
			for j := range k.facts.entries {
				if f := &k.facts.entries[j]; f.Kind == domain.CrewMemberKind && slices.Contains(crew, f.ID) {
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
