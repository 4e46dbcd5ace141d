package storage

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// judgedJob is a touched job with what its records come to after the push.
type judgedJob struct {
	jobID   domain.UUID
	touched *touchedJob
	entries []domain.Entry // newest versions after the push, in the order of their ids
	job     *domain.Job
	void    bool
	day     domain.Date // of the work
	setID   domain.UUID
	set     *domain.RuleSet
	limits  rules.Set // the same, as jobs are judged by it
	outside rules.Outside
	past    []domain.Entry // versions that this push replaces

	assembled     *rules.Assembled
	sentIn        bool // by this push, even if it moved on
	corrected     bool // by this push, and accepted as before
	changedLate   bool // a record that counted was changed since the acceptance
	returnedCount int
	leadRows      []leadRow

	result  rules.Result
	verdict rules.Verdict
}

// decide lets intake decide and judges the touched jobs. An acceptance that
// the verdict does not allow is rejected, and all is decided again without it.
func (s *stored) decide(caller domain.Caller, items []*intake.Item, now time.Time) ([]intake.Decision, []*judgedJob, error) {
	for {
		decisions := intake.Decide(caller, items, &s.store)
		if s.refuseCrowding(decisions) {
			continue
		}
		entries, err := s.acceptedEntries(decisions, now)
		if err != nil {
			return nil, nil, err
		}
		judged, err := s.judge(entries, correctedBy(decisions), now)
		if err != nil {
			return nil, nil, err
		}
		if !s.refuseAcceptances(decisions, judged) {
			return decisions, judged, nil
		}
	}
}

// acceptedEntries are the accepted versions as entries, not yet numbered.
func (s *stored) acceptedEntries(decisions []intake.Decision, now time.Time) ([]domain.Entry, error) {
	entries := make([]domain.Entry, 0, len(decisions)) // as many at most: last points into it
	last := make(map[intake.Key]*domain.Entry, len(decisions))
	for i := range decisions {
		d := &decisions[i]
		if !d.Status.Accepted() {
			continue
		}
		item := d.Item
		e := domain.Entry{
			Kind: item.Kind, ID: item.ID, Version: d.Version, JobID: d.JobID,
			DeviceID: item.DeviceID, TokenID: item.TokenID, PersonID: item.PersonID, AppliedBy: item.AppliedBy, AppliedByPerson: item.AppliedByPerson,
			ReceivedAt: item.ReceivedAt.UTC().Truncate(time.Microsecond), RecordedAt: now, Late: d.Late, ClockOffsetS: item.ClockOffsetS,
			Body: item.Body, Record: item.Record,
		}
		before := last[item.Key()]
		if before == nil {
			before = s.entries[item.Key()]
		}
		if len(item.Keep) > 0 && before != nil && item.Record != nil {
			if item.AsSent != nil {
				if err := item.Overrule(before.Body); err != nil {
					return nil, err
				}
			}
			body, err := intake.Keep(item.Body, before.Body, item.Keep)
			if err != nil {
				return nil, err
			}
			if e.Record, err = domain.Decode(item.Kind, body); err != nil {
				return nil, err
			}
			e.Body = body
		}
		if item.Record == nil { // a voided record keeps its body
			e.Body, e.Record = before.Body, before.Record
			e.Void = &domain.Void{Reason: item.Void, VoidedAt: now}
		}
		if before != nil {
			e.BytesState = before.BytesState
		} else if item.Kind == domain.PhotoKind {
			e.BytesState = domain.BytesAwaited
		}
		entries = append(entries, e)
		last[item.Key()] = &entries[len(entries)-1]
		d.Body, d.Void = e.Body, e.Void
	}
	return entries, nil
}

// judge assembles and judges each job that the accepted entries touch.
func (s *stored) judge(accepted []domain.Entry, corrected map[domain.UUID]bool, now time.Time) ([]*judgedJob, error) {
	touched := map[domain.UUID]*judgedJob{}
	f := s.facts
	f.entries = slices.Clone(f.entries)
	f.overlay(accepted)
	add := func(id domain.UUID) *judgedJob {
		j := touched[id]
		if j == nil {
			j = &judgedJob{jobID: id, touched: s.jobs[id]}
			if j.touched == nil {
				j.touched = &touchedJob{firstRecordedAt: now}
			}
			j.entries = append(make([]domain.Entry, 0, len(j.touched.entries)+len(accepted)), j.touched.entries...)
			touched[id] = j
		}
		return j
	}
	for i := range accepted {
		if e := &accepted[i]; !e.JobID.IsZero() {
			j := add(e.JobID)
			if i := slices.IndexFunc(j.entries, func(x domain.Entry) bool { return x.Kind == e.Kind && x.ID == e.ID }); i >= 0 {
				j.replaced(&j.entries[i])
				j.entries[i] = *e
			} else {
				j.entries = append(j.entries, *e)
			}
		}
	}
	for id := range s.rejudge {
		add(id)
	}
	judged := make([]*judgedJob, 0, len(touched))
	for _, j := range touched {
		j.corrected = corrected[j.jobID]
		if err := j.judge(&f); err != nil {
			return nil, err
		}
		judged = append(judged, j)
	}
	slices.SortFunc(judged, func(a, b *judgedJob) int { return a.jobID.Compare(b.jobID) })
	return judged, nil
}

// judge computes and judges one job by the set in force on the day of the work.
func (j *judgedJob) judge(f *facts) error {
	slices.SortFunc(j.entries, func(a, b domain.Entry) int {
		return cmp.Or(a.ID.Compare(b.ID), cmp.Compare(a.Kind.Rank(), b.Kind.Rank()))
	})
	for i := range j.entries {
		if job, ok := j.entries[i].Record.(*domain.Job); ok && j.entries[i].ID == j.jobID {
			j.job, j.void = job, j.entries[i].Void != nil
		}
	}
	if j.job == nil {
		return fmt.Errorf("job %s has records but no job", j.jobID)
	}
	j.day = dayOfWork(j.entries, domain.DateOf(j.touched.firstRecordedAt, f.zone))
	j.setID, j.set = f.ruleSet(j.day)
	var faults []domain.Fault
	if j.limits, faults = rules.NewSet(j.setID, j.set); len(faults) > 0 {
		return fmt.Errorf("rule set %s: %w", j.setID, domain.InvalidFields(faults))
	}
	j.outside = f.outside(j.jobID, j.job, j.entries)
	if j.corrected {
		j.leaveOutLate()
	}
	j.outside.Past = append(j.outside.Past, j.past...)
	if j.returnsNow() { // what was replaced since the return before has been seen
		j.outside.Past = slices.DeleteFunc(j.outside.Past, func(e domain.Entry) bool { return !firstOfTimed(&e) })
	}
	assembled, err := rules.Assemble(j.jobID, j.entries, j.outside)
	if err != nil {
		return fmt.Errorf("assemble job %s: %w", j.jobID, err)
	}
	j.assembled = assembled
	j.result, j.verdict = rules.ComputeAndJudge(j.limits, assembled)
	return nil
}

// returnsNow tells whether this push sends the job back to its crew.
func (j *judgedJob) returnsNow() bool {
	return slices.ContainsFunc(j.entries, func(e domain.Entry) bool {
		r, ok := e.Record.(*domain.Review)
		return ok && r.Decision == domain.Return && e.Void == nil && e.Position == 0
	})
}

// correctedBy are the jobs that a correction lets begin anew.
func correctedBy(decisions []intake.Decision) map[domain.UUID]bool {
	corrected := map[domain.UUID]bool{}
	for i := range decisions {
		if decisions[i].Corrects && decisions[i].Status.Accepted() {
			corrected[decisions[i].JobID] = true
		}
	}
	return corrected
}

// leaveOutLate leaves out the work that came after the acceptance which a
// correction mends: it moves no figure until the job is opened again.
func (j *judgedJob) leaveOutLate() {
	since := j.touched.standing.LateSince
	if since == nil {
		return
	}
	j.entries = slices.DeleteFunc(j.entries, func(e domain.Entry) bool {
		late := e.Late && (e.Position == 0 || e.Position > *since)
		j.changedLate = j.changedLate || late && e.Version > 1
		return late
	})
}

// dayOfWork is the first work visit's day; before any, the day on which the
// job was first recorded. A visit for a call-back is judged by its own date.
func dayOfWork(entries []domain.Entry, recorded domain.Date) domain.Date {
	var first domain.Date
	for i := range entries {
		visit, ok := entries[i].Record.(*domain.Visit)
		if ok && entries[i].Void == nil && visit.CallBackID == nil && (first == "" || visit.VisitedOn < first) {
			first = visit.VisitedOn
		}
	}
	if first == "" {
		return recorded
	}
	return first
}

// refuseCrowding gives each new record beyond the most that a job may have its
// problem; true when there was one. Judging compares the records of a job with
// each other, so its time grows with their square.
func (s *stored) refuseCrowding(decisions []intake.Decision) bool {
	if s.mostOfJob == 0 {
		return false
	}
	refused := false
	counts := map[domain.UUID]int64{}
	for i := range decisions {
		d := &decisions[i]
		if !d.Status.Accepted() || d.Version > 1 || d.JobID.IsZero() || d.Item.Kind == domain.ReviewKind {
			continue // a job can always be reviewed
		}
		if counts[d.JobID]++; counts[d.JobID] == 1 && s.jobs[d.JobID] != nil {
			counts[d.JobID] += int64(len(s.jobs[d.JobID].entries))
		}
		if counts[d.JobID] > s.mostOfJob {
			d.Item.Problem = domain.InvalidFields([]domain.Fault{{Pointer: "/job_id", Code: "too_many_items",
				Detail: fmt.Sprintf("the job has %d records, which is the most that one may have", s.mostOfJob), Fix: "look for what sends the same record under new ids"}}).(*domain.Error)
			refused = true
		}
	}
	return refused
}

// refuseAcceptances gives each accepting review and each correction that the
// verdict does not allow its problem; true when there was one.
func (s *stored) refuseAcceptances(decisions []intake.Decision, judged []*judgedJob) bool {
	refused := false
	for i := range decisions {
		d := &decisions[i]
		review, ok := d.Item.Record.(*domain.Review)
		if !ok || !d.Status.Accepted() || review.Decision != domain.Accept && !d.Corrects {
			continue
		}
		for _, j := range judged {
			if j.jobID != review.JobID {
				continue
			}
			if problem := j.notAcceptable(s.heldOf[j.jobID]); problem != nil {
				d.Item.Problem, refused = problem, true
			}
		}
	}
	return refused
}

// notAcceptable says what stops the acceptance of a job; nil when nothing does.
func (j *judgedJob) notAcceptable(heldOpen int) *domain.Error {
	faults := openFaults(j.set, j.assembled, j.verdict, heldOpen)
	faults = append(faults, j.inspectionOwed()...)
	if j.changedLate {
		faults = append(faults, domain.Fault{Code: "late_work", Detail: "a record of the work was changed after the acceptance, and a correction does not count it", Fix: "re-open the job"})
	}
	if len(faults) == 0 {
		return nil
	}
	detail := "one thing is still open"
	if len(faults) > 1 {
		detail = fmt.Sprintf("%d things are still open", len(faults))
	}
	return &domain.Error{Code: domain.NotAcceptable, Detail: detail, Faults: faults}
}

// inspectionOwed stops the acceptance of a drawn job before its inspection, where the
// program has it so. The newest finished one by its day speaks; a resident's refusal lets
// the office decide without.
func (j *judgedJob) inspectionOwed() []domain.Fault {
	if !j.set.InspectsBeforeAcceptance() || j.corrected {
		return nil
	}
	if !j.touched.monthDraws {
		return []domain.Fault{{Code: "no_draw", Detail: "jobs of this month are drawn as they are sent in, and no draw of it has begun: nobody knows whether this one is to be inspected",
			Fix: "begin the month's draw with as_sent_in"}}
	}
	if !j.touched.drawn {
		return nil
	}
	var last *domain.Inspection
	refused := false
	for i := range j.assembled.Inspections {
		r := j.assembled.Inspections[i].Record
		switch {
		case r.Purpose == domain.DuringWork:
		case finished(r) && (last == nil || r.InspectedOn >= last.InspectedOn):
			last = r
		case r.NotFinishedReason == domain.InspectionRefused:
			refused = true
		}
	}
	if last != nil && last.Result == domain.InspectionPassed || last == nil && refused {
		return nil
	}
	return []domain.Fault{{Code: "inspection_owed", Detail: "the job is drawn for inspection, and no inspection after the work has passed", Fix: "inspect it first"}}
}

// openFaults are what stops the acceptance of a job by its verdict, its held
// items and what the rule set asks for besides.
func openFaults(set *domain.RuleSet, job *rules.Assembled, verdict rules.Verdict, heldOpen int) (faults []domain.Fault) {
	for _, f := range verdict.Open(job.Reviews) {
		fault := domain.Fault{Pointer: "", Code: f.Rule, Detail: f.Detail, Fix: f.Fix}
		if f.Severity == rules.Check && fault.Fix == "" {
			fault.Fix = "answer it with a review"
		}
		faults = append(faults, fault)
	}
	if heldOpen > 0 {
		detail := "one item of this job is held and open"
		if heldOpen > 1 {
			detail = fmt.Sprintf("%d items of this job are held and open", heldOpen)
		}
		faults = append(faults, domain.Fault{Code: "held_open", Detail: detail, Fix: "apply, settle or dismiss them"})
	}
	if set != nil && set.AcceptNeeds == "final_inspection" && !slices.ContainsFunc(job.Inspections, func(i rules.Of[domain.Inspection]) bool {
		return i.Record.Purpose == "final" && i.Record.Result == "passed"
	}) {
		faults = append(faults, domain.Fault{Code: "final_inspection", Detail: "the program accepts a job after a passed final inspection", Fix: "record the final inspection"})
	}
	return faults
}

// Judged is a job that was judged as it is stored.
type Judged struct {
	RuleSetID domain.UUID
	Assembled *rules.Assembled
	Result    rules.Result
	Verdict   rules.Verdict

	facts *facts
	set   *domain.RuleSet
}

// JudgeStored judges one job as it is stored.
func (t *Tx) JudgeStored(id domain.UUID) (*Judged, error) {
	plan := &plan{jobs: []domain.UUID{id}}
	args := Args{"program_id": t.Program, "jobs": plan.jobs, "homes": plan.homes}
	var rows []EntryRow
	var jobs []jobOf
	var f facts
	All(t, &rows, jobsEntriesSQL, args)
	All(t, &jobs, pushJobsSQL, args)
	t.readFacts(&f, plan, args)
	program, err := t.Settings()
	if err != nil {
		return nil, err
	}
	zone, err := program.Zone()
	if err != nil {
		return nil, err
	}
	if err := f.decode(zone); err != nil {
		return nil, err
	}
	if len(jobs) == 0 {
		return nil, NotFound(domain.JobKind)
	}
	entries, err := Entries(rows, true)
	if err != nil {
		return nil, err
	}
	j := &judgedJob{jobID: id, entries: entries, touched: &touchedJob{firstRecordedAt: jobs[0].RecordedAt}}
	if err := j.judge(&f); err != nil {
		return nil, err
	}
	return &Judged{RuleSetID: j.setID, Assembled: j.assembled, Result: j.result, Verdict: j.verdict, facts: &f, set: j.set}, nil
}

// Expected is what the job would come to once it is accepted, in cents; nil of
// one that waits for no acceptance, or for which no rules name a price.
func (j *Judged) Expected() (*int64, error) {
	job := j.Assembled.Job.Record
	if j.set == nil || job.State != domain.SentIn && job.State != domain.Returned {
		return nil, nil
	}
	pay, err := PastSet{Record: j.set}.Pay(j.Assembled, &j.Result)
	if err != nil || len(pay.Lines) == 0 {
		return nil, err
	}
	sum := int64(0)
	for _, l := range pay.Lines {
		sum += l.AmountCents
	}
	return &sum, nil
}

// CallBacks judges what was done after the acceptance, each call-back by the
// rules of its own day.
func (j *Judged) CallBacks() (verdicts []rules.CallBackVerdict, err error) {
	verdicts = rules.JudgeCallBacks(func(day domain.Date) rules.Set {
		id, own := j.facts.ruleSet(day)
		set, faults := rules.NewSet(id, own)
		if len(faults) > 0 && err == nil {
			err = fmt.Errorf("rule set %s: %w", id, domain.InvalidFields(faults))
		}
		return set
	}, j.Assembled)
	return verdicts, err
}

// ErrVersionMissing says that a result cannot be made again.
var ErrVersionMissing = errors.New("the ledger lacks a version that it was made from")

// Remaking is what a row of job_result is made from again.
type Remaking struct {
	JobID           domain.UUID
	Serial          int
	Inputs          ResultInputs
	Records         []EntryRow // of the job, as they stood
	Outside         []EntryRow // at the positions that the inputs name
	Sets            []EntryRow // the rule set as it stood
	Past            []EntryRow // versions that had been replaced, as ReadReplaced finds them
	FirstRecordedAt time.Time  // of the job
	JudgedAt        Moment

	// As the row says; the acceptance that was corrected gave them.
	AcceptedAt    *time.Time
	AcceptedMonth *string
}

// Remake judges the job of a row again and gives the row that would be written.
func (r *Remaking) Remake(zone *time.Location) (*ResultRow, error) {
	j := &judgedJob{jobID: r.JobID, touched: &touchedJob{}}
	f := facts{zone: zone}
	var err error
	if j.entries, err = Entries(r.Records, true); err != nil {
		return nil, err
	}
	r.Inputs.Facts.setPictures(j.entries)
	if f.entries, err = Entries(r.Sets, true); err != nil {
		return nil, err
	}
	if f.past, err = Entries(r.Past, true); err != nil {
		return nil, err
	}
	elsewhere, err := Entries(r.Outside, true)
	if err != nil {
		return nil, err
	}
	if len(elsewhere) != len(r.Inputs.Outside) {
		return nil, ErrVersionMissing
	}
	j.touched.firstRecordedAt = r.FirstRecordedAt
	if since := r.Inputs.Facts.LateSince; since > 0 {
		j.corrected, j.touched.standing.LateSince = true, &since
	}
	if err := j.judge(&f); err != nil { // finds job, day and rule set; the facts follow
		return nil, err
	}
	j.outside = r.Inputs.Facts.outside(zone, elsewhere)
	j.outside.Past = f.past
	if j.assembled, err = rules.Assemble(j.jobID, j.entries, j.outside); err != nil {
		return nil, err
	}
	j.result, j.verdict = rules.ComputeAndJudge(j.limits, j.assembled)
	head := &lockedHead{Head: Head{Position: r.JudgedAt.Position, RecordedAt: r.JudgedAt.RecordedAt}}
	row, err := j.row(head, r.Serial)
	if err == nil && j.corrected { // accepted as before
		row.AcceptedAt, row.AcceptedMonth = r.AcceptedAt, r.AcceptedMonth
	}
	return row, err
}
