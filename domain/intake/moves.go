package intake

import (
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/ledger"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// refusedByState refuses what the state of the job does not allow, and marks
// work that comes too late for the frozen verdict.
func (w *sorter) refusedByState(item *Item, head Head, exists bool, d *Decision) *domain.Error {
	if r, ok := item.Record.(*domain.Job); ok {
		return w.refusedMove(item, r, exists)
	}
	if item.Kind == domain.RuleSetKind {
		return w.refusedRuleSet(item, exists)
	}
	if r, ok := item.Record.(*domain.Device); ok {
		return w.refusedDevice(item.ID, r.State)
	}
	if d.JobID.IsZero() {
		return nil
	}
	job := w.store.Jobs[d.JobID]
	if review, ok := item.Record.(*domain.Review); ok {
		return w.refusedReview(review, item, d)
	}
	if r, ok := item.Record.(*domain.Inspection); ok {
		return w.reopens(item, r, d)
	}
	if m, ok := item.Record.(*domain.Measurement); ok && m.Stage == domain.InspectionStage {
		return nil // no work of the crew's
	}
	d.Late = job.Record.State == domain.Accepted && isWork(item.Kind) && w.correction(item) == nil
	return nil
}

// notAssigned refuses a crew's work on a job that once was its contractor's.
// The job's own record is asked for its contractor alone; its moves say the rest.
func (w *sorter) notAssigned(item *Item, exists bool, jobID domain.UUID) *domain.Error {
	ofJob := item.Kind == domain.JobKind
	if w.caller.Role != domain.Field || !item.AppliedBy.IsZero() || jobID.IsZero() || ofJob && !exists {
		return nil
	}
	job := w.store.Jobs[jobID]
	if job.Record.ContractorID == w.caller.Contractor && (ofJob || job.Record.State != domain.Deferred && !job.Void) {
		return nil
	}
	return domain.Errorf(domain.JobNotAssigned, "the job is no longer assigned to your contractor; the agency's staff can still apply this record")
}

// refusedReview tells whether the job can make the move that is decided.
func (w *sorter) refusedReview(review *domain.Review, item *Item, d *Decision) *domain.Error {
	from := w.store.Jobs[d.JobID].Record.State
	if review.Decision == domain.Correct {
		return w.refusedCorrection(review, d)
	}
	if review.Decision == domain.Confirm {
		if !w.store.Jobs[d.JobID].StartedByCrew {
			return domain.At("/decision", domain.StateNotAllowed, "the office knows of this job already: it was not started by a crew, or was confirmed")
		}
		var problem *domain.Error
		d.moves, problem = w.moved(item, d.JobID, from) // the job's new version is what tells the crew
		return problem
	}
	if !movesJob(review.Decision) {
		return nil
	}
	to, moves := target(review.Decision, from)
	if !moves {
		return domain.At("/decision", domain.StateNotAllowed, "a job that is %s cannot be moved by %q", from, review.Decision)
	}
	var problem *domain.Error
	d.moves, problem = w.moved(item, d.JobID, to)
	return problem
}

// reopens moves an accepted job back to its crew when an inspection of the finished work
// fails, where the program has it so: once for each failure, and not for one that a
// later inspection outlived.
func (w *sorter) reopens(item *Item, r *domain.Inspection, d *Decision) (problem *domain.Error) {
	job := w.store.Jobs[d.JobID]
	if !w.store.InForce.ReopensFailed() || r.Result != domain.InspectionFailed || r.Purpose == domain.DuringWork ||
		job.Record.State != domain.Accepted || job.Void || job.PassedOn >= r.InspectedOn || slices.Contains(job.Failures, item.ID) {
		return nil
	}
	d.moves, problem = w.moved(item, d.JobID, domain.Returned)
	return problem
}

// isWork tells the kinds that a crew's work is made of.
func isWork(kind domain.Kind) bool {
	switch kind {
	case domain.ReviewKind, domain.WaiverKind, domain.InspectionKind, domain.CallBackKind, domain.AppointmentKind:
		return false
	}
	return true
}

// refusedRuleSet keeps the sets that are in force as they are: none may change
// a result that exists. A program's first set begins before everything.
func (w *sorter) refusedRuleSet(item *Item, exists bool) *domain.Error {
	r, ok := item.Record.(*domain.RuleSet)
	if !ok {
		if from, stored := w.store.RuleSets[item.ID]; stored && from <= w.store.Today {
			return fixed("a rule set that is in force is never voided", "record another that begins later")
		}
		return nil
	}
	if exists {
		return fixed("a rule set is never changed", "record another that begins later")
	}
	if r.FromOn <= w.store.Today {
		return domain.InvalidFields([]domain.Fault{{Pointer: "/from_on", Code: "too_small",
			Detail: fmt.Sprintf("a rule set begins on a later day than it is recorded: after %s", w.store.Today), Fix: "name a coming day"}}).(*domain.Error)
	}
	for _, from := range w.store.RuleSets {
		if from == r.FromOn { // a job is judged by one
			return domain.InvalidFields([]domain.Fault{{Pointer: "/from_on", Code: "taken", Detail: "another rule set begins on that day", Fix: "name another day"}}).(*domain.Error)
		}
	}
	return nil
}

// refusedDevice lets a device close and be revoked, and never come back: what
// a lost phone still holds must not become good again.
func (w *sorter) refusedDevice(id domain.UUID, to domain.DeviceState) *domain.Error {
	life := []domain.DeviceState{domain.DeviceActive, domain.DeviceIsClosing, domain.DeviceIsRevoked}
	if from, stored := w.store.Devices[id]; stored && slices.Index(life, to) < slices.Index(life, from) {
		return domain.At("/state", domain.StateNotAllowed, "a device that is %s does not become %s again; a phone that comes back is a new device", from, to)
	}
	return nil
}

// notYours holds a crew to its own contractor's jobs. It never looks whether the
// other contractor is there.
func (w *sorter) notYours(item *Item, exists bool) *domain.Error {
	r, ok := item.Record.(*domain.Job)
	if !ok || w.caller.Role != domain.Field || r.ContractorID == w.caller.Contractor {
		return nil
	}
	if exists && w.store.Jobs[item.ID].Record.ContractorID != w.caller.Contractor {
		return nil // no longer its own: notAssigned says so
	}
	return domain.InvalidFields([]domain.Fault{{Pointer: "/contractor_id", Code: "not_yours",
		Detail: "a crew works on jobs of its own contractor", Fix: "name your contractor"}}).(*domain.Error)
}

// refusedMove tells whether a PUT may bring the job into this state.
func (w *sorter) refusedMove(item *Item, r *domain.Job, exists bool) *domain.Error {
	field := w.caller.Role == domain.Field
	if !exists {
		allowed := r.State == domain.Assigned || field && r.State == domain.InWork
		if !allowed {
			problem := domain.At("/state", domain.StateNotAllowed, "a new job cannot be %s", r.State)
			problem.Faults[0].Fix = "begin it as assigned"
			if field {
				problem.Faults[0].Fix = "begin it as assigned or in_work"
			}
			return problem
		}
		if field && w.store.OpenHomes[r.HomeID] {
			return domain.At("/home_id", domain.HomeHasOpenJob, "the home has an open job already; the agency's staff can assign a second one")
		}
		return w.unpermitted(item, r, exists)
	}
	stored := w.store.Jobs[item.ID]
	if field && item.AppliedBy.IsZero() && (!stored.Record.State.Open() || stored.Void) {
		return domain.Errorf(domain.JobNotAssigned, "the job is no longer open; the agency's staff can still apply this record")
	}
	from, to := stored.Record.State, r.State
	if (to == domain.SentIn || from == to && to == domain.Accepted) && r.Outcome == "" {
		return domain.InvalidFields([]domain.Fault{{Pointer: "/outcome", Code: "required", Detail: "a job that is sent in has an outcome", Fix: "say what came of it"}}).(*domain.Error)
	}
	if from == to {
		if to == domain.Accepted && w.correction(item) == nil {
			return changesMoney(&stored.Record, r)
		}
		return w.unpermitted(item, r, exists)
	}
	if field && (from == domain.Assigned && to == domain.InWork ||
		from == domain.Assigned && to == domain.SentIn || // both steps in one evening without a signal
		from == domain.InWork && to == domain.SentIn ||
		from == domain.Returned && (to == domain.InWork || to == domain.SentIn)) {
		return nil
	}
	if !field && to == domain.Assigned && (from == domain.InWork || from == domain.Returned) {
		return w.unpermitted(item, r, exists)
	}
	return domain.At("/state", domain.StateNotAllowed, "a job cannot be moved from %s to %s here; acceptance, return, deferral and re-opening are reviews", from, to)
}

// changesMoney refuses to change by the way what an accepted job was paid by.
func changesMoney(stored, r *domain.Job) *domain.Error {
	var faults []domain.Fault
	for _, f := range []struct {
		pointer string
		same    bool
	}{{"/fund_source", stored.FundSource == r.FundSource}, {"/pay_basis", stored.PayBasis == r.PayBasis}, {"/outcome", stored.Outcome == r.Outcome}} {
		if !f.same {
			faults = append(faults, domain.Fault{Pointer: f.pointer, Code: "accepted", Detail: "the job is accepted, and is paid by this",
				Fix: "send it with a review whose decision is correct, or re-open the job"})
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return &domain.Error{Code: domain.StateNotAllowed, Detail: "what an accepted job is paid by changes by a correction", Faults: faults}
}

func movesJob(d domain.Decision) bool {
	return d == domain.Accept || d == domain.Return || d == domain.Defer || d == domain.Reopen
}

// target is the state into which a review moves a job.
func target(decision domain.Decision, from domain.JobState) (domain.JobState, bool) {
	switch {
	case decision == domain.Accept && from == domain.SentIn:
		return domain.Accepted, true
	case decision == domain.Return && from == domain.SentIn:
		return domain.Returned, true
	case decision == domain.Defer && from.Open():
		return domain.Deferred, true
	case decision == domain.Reopen && (from == domain.Accepted || from == domain.Deferred):
		return domain.Returned, true
	}
	return from, false
}

// moved is the item that brings the job into the state that a review decides:
// a new version of the job in the reviewer's name, in the same transaction.
// Nothing of the job's record but its state is touched.
func (w *sorter) moved(review *Item, jobID domain.UUID, state domain.JobState) (*Item, *domain.Error) {
	job := w.store.Jobs[jobID]
	record := job.Record
	record.State = state
	members := map[string]jsontext.Value{}
	if err := json.Unmarshal(job.Body, &members); err != nil {
		return nil, domain.Errorf(domain.Internal, "the body of job %s cannot be read: %v", jobID, err)
	}
	members["state"] = jsontext.Value(`"` + string(state) + `"`)
	raw, err := json.Marshal(members)
	if err == nil {
		raw, err = ledger.Canonical(raw)
	}
	if err != nil {
		return nil, domain.Errorf(domain.Internal, "the body of job %s cannot be written: %v", jobID, err)
	}
	item := *review
	item.Kind, item.ID = domain.JobKind, jobID
	item.BaseVersion = job.Version
	item.Index, item.Resolves, item.HeldID = -1, domain.UUID{}, domain.UUID{}
	item.Take(&record, raw)
	return &item, nil
}
