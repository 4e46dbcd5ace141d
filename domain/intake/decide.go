package intake

import (
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
)

// decide judges one item against what is stored and accepted so far. The
// order of the questions is part of the contract: a replay is a replay even
// when the caller could no longer write the record, and nothing that the
// caller may not know of is answered otherwise than a random id.
func (w *sorter) decide(item *Item) Decision {
	w.caller = w.sender
	if item.By != nil {
		w.caller = *item.By // with its own rights, not those of who brings the parent
	}
	d := Decision{Item: item}
	if item.Problem != nil {
		return d.rejected(item.Problem)
	}
	head, exists := w.store.Heads[item.Key()]
	if exists && w.knows(item.Key(), head) {
		d.JobID, d.ContractorID = head.JobID, head.ContractorID
	}
	if item.Record != nil {
		if d.ContractorID = w.owner(item.Record); item.Kind == domain.ContractorKind {
			d.ContractorID = item.ID
		}
		if d.JobID = item.Record.Job(); item.Kind == domain.JobKind {
			d.JobID = item.ID
		}
	}
	// What the caller may not know of is decided as if it were not there. Only
	// where that would make a record the id is taken after all.
	unknown := exists && !w.knows(item.Key(), head)
	if unknown {
		head, exists = Head{}, false
	}
	if problem := w.notYours(item, exists); problem != nil {
		return d.rejected(problem)
	}
	if missing, ok := w.missing(item); ok {
		if d = w.waits(d, missing); w.neverComes(item, missing) {
			return d.refused()
		}
		return d
	}
	if problem := w.keepOffice(item, exists); problem != nil {
		return d.rejected(problem)
	}
	if version, ok := w.replayOf(item, head, exists); ok {
		d.Status, d.Version = Replayed, version
		if version != head.Version {
			d.Current = head.Version
		}
		return d
	}
	if problem := w.forbidden(item, head, exists); problem != nil {
		return d.rejected(problem)
	}
	if problem := w.changesWhatStays(item, head, exists); problem != nil {
		return d.rejected(problem)
	}
	if problem := w.notAssigned(item, exists, d.JobID); problem != nil {
		return d.rejected(problem) // before a conflict: there is nothing left to merge with
	}
	if item.BaseVersion != head.Version {
		d.Status, d.Current = Conflict, head.Version
		d.Problem = domain.Errorf(domain.VersionConflict, "the %s stands at version %d, the change was made on version %d", item.Kind, head.Version, item.BaseVersion)
		if !exists {
			d.Problem = domain.Errorf(domain.VersionConflict, "there is no %s with this id, and the change was made on version %d: a new record is made on 0, without If-Match", item.Kind, item.BaseVersion)
		}
		return d
	}
	if problem := w.notListed(item); problem != nil {
		return d.rejected(problem)
	}
	if problem := w.refusedByState(item, head, exists, &d); problem != nil {
		return d.rejected(problem)
	}
	if unknown {
		if d = w.asUnknown(d, item); w.caller.Role == domain.Inspector {
			return d.refused()
		}
		return d
	}
	d.Status, d.Version = Created, head.Version+1
	if exists {
		d.Status = Updated
	}
	return d
}

func (d Decision) rejected(problem *domain.Error) Decision {
	d.Status, d.Problem = Rejected, problem
	return d
}

// ahead tells a change of a version that is still to come.
func (d Decision) ahead() bool { return d.Status == Conflict && d.Item.BaseVersion > d.Current }

// waits keeps an item until what it refers to comes. Who may not write that is
// not told to send it.
func (w *sorter) waits(d Decision, missing domain.Ref) Decision {
	fix := "send the record that it refers to; this one is kept and follows by itself"
	if row, _ := domain.RowOf(missing.Kind); !slices.Contains(row.Writers, w.caller.Role) {
		fix = fmt.Sprintf("ask the agency to record the %s, or name one that it has recorded; this record is kept and follows by itself", strings.ReplaceAll(string(missing.Kind), "_", " "))
	}
	d.Status, d.Missing = Waiting, missing
	d.Problem = &domain.Error{
		Code:   domain.ParentMissing,
		Detail: fmt.Sprintf("the %s that it refers to has not come", missing.Kind),
		Faults: []domain.Fault{{
			Pointer: missing.Pointer, Code: "parent_missing",
			Detail: fmt.Sprintf("no %s with the id %s", missing.Kind, missing.ID),
			Fix:    fix,
		}},
	}
	return d
}

// asUnknown answers about a record that the caller may not know of as about an
// id that nobody has: an item of a job that was never its contractor's waits
// for that job. What belongs to no job cannot wait for anything but itself.
func (w *sorter) asUnknown(d Decision, item *Item) Decision {
	missing := domain.Ref{Pointer: "/id", Kind: item.Kind, ID: item.ID}
	if item.Record != nil {
		for _, ref := range item.Record.Refs() {
			if ref.Kind == domain.JobKind {
				missing = ref
			}
		}
	}
	d.JobID, d.ContractorID = domain.UUID{}, domain.UUID{}
	return w.waits(d, missing)
}

// knows tells whether the caller may know that the record exists.
func (w *sorter) knows(key Key, head Head) bool {
	switch {
	case !w.caller.Scoped():
		return true
	case !head.JobID.IsZero():
		job := w.store.Jobs[head.JobID]
		return job.KnownTo(w.caller)
	case key.Kind == domain.ContractorKind:
		return key.ID == w.caller.Contractor || w.caller.Role == domain.Inspector
	default:
		return head.ContractorID.IsZero() || head.ContractorID == w.caller.Contractor || w.caller.Role == domain.Inspector
	}
}

// missing is the first reference to something that is not there for the caller.
func (w *sorter) missing(item *Item) (domain.Ref, bool) {
	if item.Void != "" {
		if head, exists := w.store.Heads[item.Key()]; !exists || !w.knows(item.Key(), head) {
			return domain.Ref{Pointer: "/id", Kind: item.Kind, ID: item.ID}, true
		}
		return domain.Ref{}, false
	}
	for _, ref := range Refs(item.Record) {
		key := Key{ref.Kind, ref.ID}
		head, exists := w.store.Heads[key]
		itself := key == item.Key() // a circle, not a wait
		if !itself && (!exists || !w.knows(key, head)) {
			return ref, true
		}
	}
	return domain.Ref{}, false
}

// replayOf finds the version that this content already made.
func (w *sorter) replayOf(item *Item, head Head, exists bool) (int64, bool) {
	if !exists {
		return 0, false
	}
	next := VersionKey{item.Key(), item.BaseVersion + 1}
	if content, ok := w.store.Contents[next]; ok && content.says(item) {
		return next.Version, true
	}
	content, ok := w.store.Contents[VersionKey{item.Key(), head.Version}]
	return head.Version, ok && content.says(item)
}

// fixed refuses to change or void a record as a whole.
func fixed(detail, fix string) *domain.Error {
	return &domain.Error{Code: domain.Invalid, Detail: detail, Faults: []domain.Fault{{Code: "fixed", Detail: detail, Fix: fix}}}
}

// changesWhatStays refuses edits of what is fixed for ever.
func (w *sorter) changesWhatStays(item *Item, head Head, exists bool) *domain.Error {
	var faults []domain.Fault
	if item.Record != nil {
		faults = w.strangers(item)
	}
	if exists && item.Record != nil {
		row, _ := domain.RowOf(item.Kind)
		if row.Fixed {
			return fixed(fmt.Sprintf("a %s is never changed once it is recorded", item.Kind),
				"record a new one that names this one in \"replaces\" and says why in \"reason\"")
		}
		switch r := item.Record.(type) {
		case *domain.Job:
			if stored := w.store.Jobs[item.ID].Record; stored.HomeID != r.HomeID {
				faults = append(faults, domain.Fault{Pointer: "/home_id", Code: "fixed", Detail: "a job's home never changes", Fix: "void this job and record another at the other home"})
			}
		default:
			if head.JobID != r.Job() {
				faults = append(faults, domain.Fault{Pointer: "/job_id", Code: "fixed", Detail: "a record's job never changes", Fix: "void this record and record another on the other job"})
			}
		}
	}
	if len(faults) > 0 {
		return domain.InvalidFields(faults).(*domain.Error)
	}
	return nil
}

// replacesPointer is where a reading or a photo names the one that it replaces.
const replacesPointer = "/replaces"

var circle = domain.Fault{Pointer: replacesPointer, Code: string(domain.ReplacesOther),
	Detail: "records that replace each other make a circle", Fix: "name an older record"}

// strangers names the references to parts of another job, and a replaced
// record that does not fit.
func (w *sorter) strangers(item *Item) (faults []domain.Fault) {
	job := item.Record.Job()
	for _, ref := range Refs(item.Record) {
		head := w.store.Heads[Key{ref.Kind, ref.ID}]
		if ref.Kind != domain.JobKind && !head.JobID.IsZero() && head.JobID != job {
			faults = append(faults, domain.Fault{Pointer: ref.Pointer, Code: "other_job", Detail: fmt.Sprintf("this %s belongs to another job", ref.Kind), Fix: "name one of this job"})
		}
	}
	var replaces *domain.UUID
	var method domain.Method
	switch r := item.Record.(type) {
	case *domain.Measurement:
		replaces, method = r.Replaces, r.Method
	case *domain.Photo:
		replaces = r.Replaces
	}
	if replaces == nil {
		return faults
	}
	if old := w.store.Replaced[*replaces]; old.Method != method {
		faults = append(faults, domain.Fault{Pointer: replacesPointer, Code: string(domain.ReplacesOther), Detail: fmt.Sprintf("it replaces a reading by %s with one by %s", old.Method, method), Fix: "replace a reading by one of the same method, or void the old one"})
	}
	for next, seen := *replaces, 0; !next.IsZero(); next, seen = w.store.Replaced[next].Replaces, seen+1 {
		if next == item.ID || seen > len(w.store.Replaced) {
			faults = append(faults, circle)
			break
		}
	}
	return faults
}

// forbidden refuses what the caller's role may not write.
func (w *sorter) forbidden(item *Item, head Head, exists bool) *domain.Error {
	row, _ := domain.RowOf(item.Kind)
	if !slices.Contains(row.Writers, w.caller.Role) {
		return domain.Errorf(domain.Forbidden, "a token of the role %s may not write a %s; %s", w.caller.Role, item.Kind, domain.WhoMay(row.Writers))
	}
	if review, ok := item.Record.(*domain.Review); ok {
		return w.forbiddenReview(review)
	}
	if problem := w.inspectsOwnWork(item); problem != nil {
		return problem
	}
	if item.Kind == domain.WaiverKind && w.caller.Person.IsZero() {
		return domain.Errorf(domain.Forbidden, "a waiver needs a token that names the person who holds it")
	}
	if !w.caller.Scoped() {
		return nil
	}
	if item.Kind == domain.ReviewKind { // the voiding of one
		return domain.Errorf(domain.Forbidden, "a reply stands; a token of the role %s may not void it", w.caller.Role)
	}
	if w.caller.Role == domain.Inspector {
		return forbiddenInspector(item)
	}
	switch r := item.Record.(type) {
	case *domain.Home:
		if exists && !w.store.OwnHomes[item.ID] {
			return domain.Errorf(domain.Forbidden, "a crew may change the facts of a home only while it has an open job there")
		}
	case *domain.Measurement:
		if r.Stage == domain.InspectionStage {
			return domain.Errorf(domain.Forbidden, "a reading of the stage inspection is an inspector's")
		}
	case nil:
		if item.Kind == domain.HomeKind || item.Kind == domain.JobKind {
			return domain.Errorf(domain.Forbidden, "a crew may not void a %s; the agency's staff may", item.Kind)
		}
	}
	return nil
}

func (w *sorter) forbiddenReview(review *domain.Review) *domain.Error {
	if review.Decision == domain.Reply {
		return nil
	}
	if w.caller.Scoped() {
		return domain.Errorf(domain.Forbidden, "a token of the role %s may reply; it may not %s", w.caller.Role, review.Decision)
	}
	if w.caller.Person.IsZero() {
		return domain.Errorf(domain.Forbidden, "a review needs a token that names the person who holds it")
	}
	return nil
}
