package intake

import (
	"fmt"
	"slices"
	"strings"

	"ductledger/domain"
)

// neverComes tells what an inspector refers to and cannot bring himself: a job
// that is not open to him, a record of the crew's or the office's. To wait for it
// could be to wait for ever, so that it is refused at once; the bytes stay in held,
// where the office can apply them once the job is opened.
func (w *sorter) neverComes(item *Item, missing domain.Ref) bool {
	if w.caller.Role != domain.Inspector {
		return false
	}
	switch missing.Kind {
	case domain.InspectionKind, domain.MeasurementKind, domain.PhotoKind:
		return item.Void != ""
	}
	return true
}

// refused is a decision that waits for what never comes.
func (d Decision) refused() Decision {
	missing := d.Missing
	d.Missing = domain.Ref{}
	fix := "ask the office for it; what was sent is kept, and the office can apply it then"
	detail := fmt.Sprintf("there is no %s with the id %s that is open to an inspector", missing.Kind, missing.ID)
	if missing.Kind == domain.JobKind {
		detail = fmt.Sprintf("no draw and nobody at the office has opened the job %s for inspection", missing.ID)
		fix = "ask the office to open the job; what was sent is kept, and the office can apply it then"
	}
	return d.rejected(&domain.Error{Code: domain.ParentMissing, Detail: detail,
		Faults: []domain.Fault{{Pointer: missing.Pointer, Code: "not_open_to_inspectors", Detail: detail, Fix: fix}}})
}

func forbiddenInspector(item *Item) *domain.Error {
	if r, ok := item.Record.(*domain.Measurement); ok && r.Stage != domain.InspectionStage {
		return domain.Errorf(domain.Forbidden, "an inspector's reading has the stage inspection")
	}
	return nil
}

// inspectsOwnWork refuses the inspection of a job by who worked on it: known by
// the person who recorded work, and by the name of who was there.
func (w *sorter) inspectsOwnWork(item *Item) *domain.Error {
	var job domain.UUID
	own := false
	switch r := item.Record.(type) {
	case *domain.Inspection:
		job = r.JobID
		own = slices.Contains(w.store.Jobs[job].WorkerNames, PersonKey(r.InspectorName))
	case nil:
		return nil
	default:
		job = r.Job()
	}
	if w.caller.Role == domain.Inspector && !w.caller.Person.IsZero() {
		own = own || slices.Contains(w.store.Jobs[job].WorkedBy, w.caller.Person)
	}
	if !own {
		return nil
	}
	return &domain.Error{Code: domain.SamePerson, Detail: "nobody inspects a job that he worked on", Faults: []domain.Fault{{
		Pointer: "/job_id", Code: "own_work", Detail: "the inspector stands among those who worked on the job", Fix: "let another inspector do it"}}}
}

// PersonKey is a name as two are compared: case and spaces make no other person.
func PersonKey(name string) string {
	return strings.ToLower(strings.Join(strings.Fields(name), " "))
}
