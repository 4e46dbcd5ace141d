package intake

import (
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
)

// Refs are the records that have to be there before a record is taken: those
// that it refers to, and of what settles a finding those that the finding is
// about. A device may be known by its id alone.
func Refs(record domain.Record) []domain.Ref {
	refs := record.Refs()
	var finding *domain.FindingRef
	switch r := record.(type) {
	case *domain.Waiver:
		finding = &r.Finding
	case *domain.Review:
		if r.Decision == domain.Answer {
			finding = r.Finding
		}
	}
	if finding == nil {
		return refs
	}
	refs = slices.Clip(refs)
	for i, s := range finding.Subjects {
		if s.Kind != domain.DeviceKind {
			refs = append(refs, domain.Ref{Pointer: fmt.Sprintf("/finding/subjects/%d", i), Kind: s.Kind, ID: s.ID})
		}
	}
	return refs
}

// notListed refuses at once what the program does not have: a fund or a park
// that is in none of its lists, a contractor that has left it. What stood before
// may stay.
func (w *sorter) notListed(item *Item) *domain.Error {
	var faults []domain.Fault
	set := w.store.InForce
	switch r := item.Record.(type) {
	case *domain.Job:
		stored := w.store.Jobs[item.ID].Record
		if funds := set.Funds(); r.FundSource != "" && r.FundSource != stored.FundSource && len(funds) > 0 && !slices.Contains(funds, r.FundSource) {
			faults = append(faults, domain.Fault{Pointer: "/fund_source", Code: "not_listed",
				Detail: fmt.Sprintf("%s is none of the program's funds: %s", r.FundSource, strings.Join(funds, ", ")), Fix: "name one of them"})
		}
		if ended, has := w.store.Ended[r.ContractorID]; has && ended < w.store.Today && r.ContractorID != stored.ContractorID {
			faults = append(faults, domain.Fault{Pointer: "/contractor_id", Code: "ended",
				Detail: fmt.Sprintf("the contractor left the program on %s", ended), Fix: "name a contractor that works for the program"})
		}
	case *domain.Home:
		if set != nil && r.Park != "" && len(set.Parks) > 0 && r.Park != w.store.Homes[item.ID].Park && !slices.Contains(set.Parks, r.Park) {
			faults = append(faults, domain.Fault{Pointer: "/park", Code: "not_listed",
				Detail: "the park is in none of the rule set's parks", Fix: "name one of them, or none"})
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return domain.InvalidFields(faults).(*domain.Error)
}

// unpermitted refuses to assign a job to a contractor as long as the home lacks
// what the program wants first. What a crew began by itself is work that was
// done: it is taken, and a finding says what it lacks.
func (w *sorter) unpermitted(item *Item, r *domain.Job, exists bool) *domain.Error {
	stored := w.store.Jobs[item.ID].Record
	assigns := r.State == domain.Assigned && (!exists || stored.State != domain.Assigned || stored.ContractorID != r.ContractorID)
	if !assigns || w.caller.Role == domain.Field || !w.store.InForce.NeedsToAssign(domain.NeedsPermission) {
		return nil
	}
	fault := domain.Fault{Pointer: "/home_id", Code: "permission_absent", Detail: "the home has no permission of its owner",
		Fix: "record whose permission it is and its day with the home, then assign the job"}
	switch given := w.store.Homes[r.HomeID].Permission; {
	case given == nil:
	case given.GivenOn > w.store.Today:
		fault.Code, fault.Detail = "permission_to_come", fmt.Sprintf("the owner's permission is of %s, after today, %s", given.GivenOn, w.store.Today)
		fault.Fix = "assign the job once the permission is given, or correct its day with the home"
	default:
		return nil
	}
	return &domain.Error{Code: domain.StateNotAllowed, Detail: "the program assigns a job once its home has the owner's permission", Faults: []domain.Fault{fault}}
}
