package intake

import (
	"fmt"

	"ductledger/domain"
)

// A correction is a review that mends the office's own error on an accepted job,
// and the items that it names: all of them are taken, or none. What they come to
// stands from then on.

// corrections are the items of each correction of a batch, by the record that
// they change.
func corrections(items []*Item) map[Key]*Item {
	var of map[Key]*Item
	for _, item := range items {
		review, ok := item.Record.(*domain.Review)
		if !ok || review.Decision != domain.Correct {
			continue
		}
		if of == nil {
			of = map[Key]*Item{}
		}
		for _, s := range review.Items {
			of[Key{s.Kind, s.ID}] = item
		}
	}
	return of
}

// correction is the review that the item belongs to; nil when it is none of a
// correction.
func (w *sorter) correction(item *Item) *domain.Review {
	of := w.correcting[item.Key()]
	if of == nil {
		return nil
	}
	review, _ := of.Record.(*domain.Review)
	return review
}

// mends tells whether records of the kind can be mended by a correction. What
// was read and photographed was so: only another reading can say otherwise.
func mends(kind domain.Kind) bool {
	switch kind {
	case domain.JobKind, domain.HomeKind, domain.VisitKind, domain.ComponentKind, domain.CrossoverKind, domain.OpeningKind, domain.RepairKind, domain.EnergyIsolationKind:
		return true
	}
	return false
}

// refusedCorrection tells whether a correction can be taken: after its items.
func (w *sorter) refusedCorrection(review *domain.Review, d *Decision) *domain.Error {
	job := w.store.Jobs[review.JobID]
	if job.Record.State != domain.Accepted || job.Void {
		return domain.Errorf(domain.StateNotAllowed, "a job that is %s is changed by its records; only an accepted one is corrected", job.Record.State)
	}
	var faults []domain.Fault
	for i, s := range review.Items {
		key, at := Key{s.Kind, s.ID}, fmt.Sprintf("/items/%d", i)
		switch head := w.store.Heads[key]; {
		case !mends(s.Kind):
			faults = append(faults, domain.Fault{Pointer: at + "/kind", Code: "not_here",
				Detail: fmt.Sprintf("a %s is not mended by a correction", s.Kind), Fix: "re-open the job, so that what was read or shown is replaced by another record"})
		case s.Kind == domain.HomeKind && s.ID != job.Record.HomeID, s.Kind != domain.HomeKind && head.Version > 0 && head.JobID != review.JobID:
			faults = append(faults, domain.Fault{Pointer: at + "/id", Code: "other_job", Detail: fmt.Sprintf("this %s belongs to another job", s.Kind), Fix: "name one of this job"})
		case !w.took(key):
			faults = append(faults, domain.Fault{Pointer: at, Code: "not_taken",
				Detail: fmt.Sprintf("no change of this %s was taken with the correction", s.Kind), Fix: "send the change as an item of the same batch"})
		}
	}
	if len(faults) > 0 {
		return domain.InvalidFields(faults).(*domain.Error)
	}
	d.Corrects = true
	return nil
}

// took tells whether this batch changes the record.
func (w *sorter) took(key Key) bool {
	for i := range w.accepted {
		if w.accepted[i].Item.Key() == key {
			return true
		}
	}
	return false
}

// halved gives each item of a correction that was not taken whole its problem;
// true when there was one that stood by itself.
func halved(decisions []Decision, correcting map[Key]*Item) bool {
	if len(correcting) == 0 {
		return false
	}
	whole := map[*Item]bool{}
	for i := range decisions {
		d := &decisions[i]
		whole[d.Item] = d.Status.Accepted() || d.Status == Replayed
	}
	again := false
	for i := range decisions {
		item := decisions[i].Item
		if of := correcting[item.Key()]; of != nil && decisions[i].Status.Accepted() && !whole[of] {
			item.Problem = domain.Errorf(domain.Invalid, "the correction that it belongs to was not taken")
			again = true
		}
	}
	return again
}
