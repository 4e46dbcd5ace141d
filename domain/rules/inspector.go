package rules

import (
	"fmt"

	"ductledger/domain"
)

// InspectorTenths is the inspector's last reading by the crew's method in tenths of cfm25,
// computed as the crew's own after is; 0 where there is none. Of are the job and the readings of its
// inspections.
func InspectorTenths(id domain.UUID, method domain.Method, of, instruments []domain.Entry) (int64, error) {
	var records []domain.Entry
	read := false
	for _, e := range of {
		switch m := e.Record.(type) {
		case *domain.Measurement:
			after := *m
			after.Stage, read = domain.After, true
			e.Record = &after
			records = append(records, e)
		case *domain.Job:
			records = append(records, e)
		}
	}
	if !read {
		return 0, nil
	}
	job, err := Assemble(id, records, Outside{Entries: instruments})
	if err != nil {
		return 0, fmt.Errorf("inspection of job %s: %w", id, err)
	}
	result := Compute(Set{MethodsAsked: []domain.Method{method}}, job)
	if result.AfterTenths == nil || result.Method != method {
		return 0, nil
	}
	return *result.AfterTenths, nil
}
