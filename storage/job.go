package storage

import (
	"cmp"
	"maps"
	"slices"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// Each statement is of one job: a push touches one, seldom more, and a row
// found by its whole key is found by it whatever the planner knows. A new job
// takes the next number under the lock of the program's head, so none is given
// twice; the first is 1001, since people read short ones as years or doors.
const jobInsertSQL = `
INSERT INTO job (program_id, id, home_id, contractor_id, state, void, due_on, recorded_at, state_since, late_count, called_back, inspected, started_by_crew,
    began_at, number)
SELECT @program_id, @id, @home_id, @contractor_id, @state, @void, @due_on, @at, @at, @late_count, @called_back, @inspected, @started_by_crew,
    CASE WHEN @state::text = 'in_work' THEN @at::timestamptz END, 1 + coalesce((SELECT j.number FROM job AS j WHERE j.program_id = @program_id ORDER BY j.number DESC LIMIT 1), 1000)`

const jobUpdateSQL = `
UPDATE job SET contractor_id = @contractor_id, state = @state, void = @void, due_on = @due_on,
    state_since = CASE WHEN @moved THEN @at ELSE state_since END, late_count = late_count + @late_count,
    called_back = @called_back, inspected = @inspected, started_by_crew = @started_by_crew,
    began_at = coalesce(began_at, CASE WHEN @state::text = 'in_work' THEN @at::timestamptz END)
WHERE program_id = @program_id AND id = @id`

const jobInstrumentInsertSQL = `
INSERT INTO job_instrument (program_id, instrument_id, job_id)
SELECT @program_id, x.instrument_id, x.job_id FROM unnest(@instruments::uuid[], @jobs::uuid[]) AS x(instrument_id, job_id)
ON CONFLICT (program_id, instrument_id, job_id) DO NOTHING`

const jobInstrumentDeleteSQL = `
DELETE FROM job_instrument WHERE program_id = @program_id AND job_id = ANY (@jobs)`

// jobNumbersSQL are the numbers of jobs whose records are answered.
const jobNumbersSQL = `
SELECT j.id, j.number FROM job AS j WHERE j.program_id = @program_id AND j.id = ANY (@jobs)`

type jobNumber struct {
	ID     [16]byte
	Number int64
}

// JobNumbers are the numbers of jobs, as people call them.
func (t *Tx) JobNumbers(jobs []domain.UUID) (map[domain.UUID]int64, error) {
	var rows []jobNumber
	if len(jobs) > 0 {
		All(t, &rows, jobNumbersSQL, Args{"program_id": t.Program, "jobs": jobs})
	}
	if err := t.Flush(); err != nil {
		return nil, err
	}
	numbers := make(map[domain.UUID]int64, len(rows))
	for _, r := range rows {
		numbers[r.ID] = r.Number
	}
	return numbers, nil
}

// readNumbers queues the numbers of the jobs whose records were accepted.
func (t *Tx) readNumbers(s *stored, accepted []intake.Decision) {
	var jobs []domain.UUID
	for i := range accepted {
		if accepted[i].Item.Kind == domain.JobKind {
			jobs = append(jobs, accepted[i].Item.ID)
		}
	}
	if len(jobs) > 0 {
		All(t, &s.numbers, jobNumbersSQL, Args{"program_id": t.Program, "jobs": jobs})
	}
}

// jobChange is what a push makes of one job.
type jobChange struct {
	id     domain.UUID
	before *intake.Job // nil: it is new
	job    domain.Job
	void   bool

	newVersion bool // of the job itself
	moved      bool // it passed another state
	called     bool // a call-back came or was closed
	callBacks  map[domain.UUID]bool
	inspection bool                               // one of the finished work is finished
	visit      bool                               // any is
	inspected  map[domain.UUID]*domain.Inspection // those that came; nil: voided
	byCrew     bool                               // a crew started it and the office has not confirmed it
	late       int32
	readings   []*domain.Measurement

	grantedAt, lastAt int64
}

// changesOf are the touched jobs in the order in which they were touched.
func (s *stored) changesOf(accepted []intake.Decision) (list []*jobChange) {
	byID := map[domain.UUID]*jobChange{}
	for i := range accepted {
		d := &accepted[i]
		if d.JobID.IsZero() {
			continue
		}
		c := byID[d.JobID]
		if c == nil {
			c = &jobChange{id: d.JobID, callBacks: s.openCallBacks(d.JobID)}
			if before, stored := s.store.Jobs[d.JobID]; stored {
				c.before, c.job, c.void, c.byCrew = &before, before.Record, before.Void, before.StartedByCrew
			}
			byID[d.JobID] = c
			list = append(list, c)
		}
		c.take(d)
	}
	return list
}

func (c *jobChange) take(d *intake.Decision) {
	c.lastAt = d.Position
	if d.Late {
		c.late++
	}
	switch r := d.Item.Record.(type) {
	case *domain.Job:
		c.moved = c.moved || r.State != c.job.State
		c.job, c.void = *r, d.Void != nil
	case *domain.Inspection:
		if d.Void == nil && finished(r) {
			c.inspection, c.visit = c.inspection || r.Purpose != domain.DuringWork, true
		}
	case *domain.Measurement:
		c.readings = append(c.readings, r)
	}
	switch d.Item.Kind {
	case domain.JobKind:
		c.newVersion, c.grantedAt, c.byCrew = true, d.Position, d.StartedByCrew
		c.void = d.Void != nil
	case domain.InspectionKind:
		if c.inspected == nil {
			c.inspected = map[domain.UUID]*domain.Inspection{}
		}
		c.inspected[d.Item.ID], _ = d.Item.Record.(*domain.Inspection)
		if d.Void != nil {
			c.inspected[d.Item.ID] = nil
		}
	case domain.CallBackKind:
		r, ok := d.Item.Record.(*domain.CallBack)
		c.callBacks[d.Item.ID] = ok && r.ClosedOn == ""
		c.called, c.grantedAt = true, d.Position
	}
}

func (c *jobChange) calledBack() bool {
	for _, open := range c.callBacks {
		if open {
			return true
		}
	}
	return false
}

func finished(i *domain.Inspection) bool {
	return i.Result == domain.InspectionPassed || i.Result == domain.InspectionFailed
}

// inspectionsOf are the day of the last inspection after the work that passed, and
// those that failed.
func (s *stored) inspectionsOf(job domain.UUID) (passed domain.Date, failed []domain.UUID) {
	touched := s.jobs[job]
	if touched == nil {
		return "", nil
	}
	for i := range touched.entries {
		e := &touched.entries[i]
		r, ok := e.Record.(*domain.Inspection)
		switch {
		case !ok || e.Void != nil || r.Purpose == domain.DuringWork:
		case r.Result == domain.InspectionPassed:
			passed = max(passed, r.InspectedOn)
		case r.Result == domain.InspectionFailed:
			failed = append(failed, e.ID)
		}
	}
	return passed, failed
}

// inspectionFailed tells whether the last inspection by its day failed, in
// whatever order they came.
func (s *stored) inspectionFailed(c *jobChange) bool {
	all := maps.Clone(c.inspected)
	if touched := s.jobs[c.id]; touched != nil {
		for i := range touched.entries {
			e := &touched.entries[i]
			if r, ok := e.Record.(*domain.Inspection); ok && e.Void == nil {
				if _, replaced := all[e.ID]; !replaced {
					all[e.ID] = r
				}
			}
		}
	}
	var last *domain.Inspection
	var lastID domain.UUID
	for id, r := range all {
		if r != nil && finished(r) && (last == nil || cmp.Or(cmp.Compare(r.InspectedOn, last.InspectedOn), id.Compare(lastID)) > 0) {
			last, lastID = r, id
		}
	}
	return last != nil && last.Result == domain.InspectionFailed
}

// hazards tells whether visits of the job tell or told of a hazard, and whether
// one of these is unread: nobody has answered or lifted the finding about it
// since the visit's newest version. What was added afterwards is read again.
func (s *stored) hazards(job domain.UUID, accepted []intake.Decision) (told, unread bool) {
	newest := map[intake.Key]domain.Entry{}
	take := func(e domain.Entry) {
		if e.Kind != domain.VisitKind && e.Kind != domain.ReviewKind && e.Kind != domain.WaiverKind {
			return
		}
		newest[intake.Key{Kind: e.Kind, ID: e.ID}] = e
		visit, ok := e.Record.(*domain.Visit)
		told = told || ok && len(visit.Hazards) > 0
	}
	if touched := s.jobs[job]; touched != nil {
		for _, e := range touched.entries {
			take(e)
		}
	}
	for i := range accepted {
		if d := &accepted[i]; d.JobID == job {
			take(domain.Entry{Kind: d.Item.Kind, ID: d.Item.ID, Position: d.Position, Record: d.Item.Record, Void: d.Void})
		}
	}
	if !told {
		return false, false
	}
	read := map[domain.UUID]int64{} // up to which position, by visit
	for _, e := range newest {
		var finding *domain.FindingRef
		switch r := e.Record.(type) {
		case *domain.Review:
			if r.Decision == domain.Answer {
				finding = r.Finding
			}
		case *domain.Waiver:
			finding = &r.Finding
		}
		if finding == nil || finding.Rule != rules.HazardRead || e.Void != nil {
			continue
		}
		for _, of := range finding.Subjects {
			read[of.ID] = max(read[of.ID], e.Position)
		}
	}
	for _, e := range newest {
		if visit, ok := e.Record.(*domain.Visit); ok && e.Void == nil && len(visit.Hazards) > 0 && read[e.ID] < e.Position {
			unread = true
		}
	}
	return told, unread
}

// inScope tells whether the job's contractor has it to work on: an open
// call-back shows the job again, its state stays.
func (c *jobChange) inScope() bool { return (c.job.State.Open() || c.calledBack()) && !c.void }

// confirmed tells that the office has just said that it knows of the job.
func (c *jobChange) confirmed() bool { return c.before != nil && c.before.StartedByCrew && !c.byCrew }

func (c *jobChange) open() bool { return c.job.State.Open() && !c.void }

func (c *jobChange) wasOpen() bool {
	return c.before != nil && c.before.Record.State.Open() && !c.before.Void
}

// writeJobs queues the rows of the touched jobs that are new or changed.
func (t *Tx) writeJobs(s *stored, changes []*jobChange) {
	var instruments, instrumentJobs, closed []domain.UUID
	for _, c := range changes {
		inspected := slices.ContainsFunc(c.readings, func(m *domain.Measurement) bool { return m.Stage == domain.InspectionStage })
		sql := jobInsertSQL
		if was := c.before; was != nil {
			changed := c.newVersion || c.called || c.late > 0 || inspected && !was.Inspected
			sql, inspected = jobUpdateSQL, inspected || was.Inspected
			if !changed {
				sql = ""
			}
		}
		if sql != "" {
			t.mustChange(sql, Args{"program_id": t.Program, "id": c.id, "home_id": c.job.HomeID, "contractor_id": c.job.ContractorID,
				"state": string(c.job.State), "void": c.void, "due_on": OrNull(string(c.job.DueOn)), "at": s.recordedAt, "moved": c.moved,
				"late_count": c.late, "called_back": c.calledBack(), "inspected": inspected, "started_by_crew": c.byCrew}, 1)
		}
		used := c.readings
		switch {
		case !c.open():
			used = nil
			if c.wasOpen() {
				closed = append(closed, c.id)
			}
		case c.before != nil && !c.wasOpen(): // it is open again
			used = append(s.readingsOf(c.id), used...)
		}
		for _, m := range used {
			instruments, instrumentJobs = append(instruments, m.InstrumentID), append(instrumentJobs, c.id)
		}
	}
	if len(closed) > 0 {
		t.Queue(jobInstrumentDeleteSQL, Args{"program_id": t.Program, "jobs": closed})
	}
	if len(instruments) > 0 {
		t.Queue(jobInstrumentInsertSQL, Args{"program_id": t.Program, "instruments": instruments, "jobs": instrumentJobs})
	}
}

func (s *stored) readingsOf(job domain.UUID) (list []*domain.Measurement) {
	if touched := s.jobs[job]; touched != nil {
		for i := range touched.entries {
			if m, ok := touched.entries[i].Record.(*domain.Measurement); ok {
				list = append(list, m)
			}
		}
	}
	return list
}

// openCallBacks are those of a job as it was before the push.
func (s *stored) openCallBacks(job domain.UUID) map[domain.UUID]bool {
	open := map[domain.UUID]bool{}
	if touched := s.jobs[job]; touched != nil {
		for i := range touched.entries {
			e := &touched.entries[i]
			if r, ok := e.Record.(*domain.CallBack); ok {
				open[e.ID] = r.ClosedOn == "" && e.Void == nil
			}
		}
	}
	return open
}

// An application that is told again keeps the job that was made for its home; one for a
// home that is worked on has it from the first.
const waitingUpsertSQL = `
INSERT INTO waiting_home (program_id, application_id, home_id, priority, applied_on, waiting, job_id)
SELECT @program_id, @id, @home_id, @priority, @applied_on::date, @waiting,
    (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.home_id = @home_id AND j.open ORDER BY j.id LIMIT 1)
ON CONFLICT (program_id, application_id) DO UPDATE SET home_id = excluded.home_id, priority = excluded.priority, applied_on = excluded.applied_on,
    waiting = excluded.waiting, job_id = coalesce(waiting_home.job_id, excluded.job_id)`

const waitingVoidSQL = `
UPDATE waiting_home SET waiting = false WHERE program_id = @program_id AND application_id = @id`

const waitingServedSQL = `
UPDATE waiting_home SET job_id = @job_id WHERE program_id = @program_id AND home_id = @home_id AND waiting AND job_id IS NULL`

// A void job is taken back: its home waits again, in its old place.
const waitingAgainSQL = `
UPDATE waiting_home SET job_id = NULL WHERE program_id = @program_id AND job_id = @job_id AND job_id IS NOT NULL`

// writeWaiting queues which homes wait for a job from now on.
func (t *Tx) writeWaiting(changes []*jobChange, accepted []intake.Decision) {
	for _, c := range changes {
		switch {
		case c.before == nil && !c.void:
			t.Queue(waitingServedSQL, Args{"program_id": t.Program, "home_id": c.job.HomeID, "job_id": c.id})
		case c.before != nil && c.void && !c.before.Void:
			t.Queue(waitingAgainSQL, Args{"program_id": t.Program, "job_id": c.id})
		}
	}
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind != domain.ApplicationKind {
			continue
		}
		r, ok := d.Item.Record.(*domain.Application)
		if !ok || d.Void != nil {
			t.Queue(waitingVoidSQL, Args{"program_id": t.Program, "id": d.Item.ID})
			continue
		}
		t.Queue(waitingUpsertSQL, Args{"program_id": t.Program, "id": d.Item.ID, "home_id": r.HomeID, "priority": priorityBits(r.PriorityFacts),
			"applied_on": string(r.AppliedOn), "waiting": r.State == domain.ApplicationWaiting})
	}
}

// priorityBits has a bit for each fact, in the order of domain.PriorityFacts.
func priorityBits(facts []domain.PriorityFact) (bits int) {
	for i, fact := range domain.PriorityFacts {
		if slices.Contains(facts, fact) {
			bits |= 1 << i
		}
	}
	return bits
}
