package rules

import (
	"time"

	"ductledger/domain"
)

// Item is one record of a body that holds a whole job.
type Item struct {
	Kind   domain.Kind   `json:"kind"`
	ID     domain.UUID   `json:"id"`
	Record domain.Record `json:"record"`
}

// Evaluation is a whole job in one body, with its home, contractor, crew,
// credentials and instruments: judged and computed, nothing stored.
type Evaluation struct {
	// The day whose rule set is used.
	RulesOn domain.Date `json:"rules_on"`
	Items   []Item      `json:"items" validate:"min=1,max=500,dive"`
}

// AssembleItems is Assemble for a body with one job. Refused: none or several
// jobs, and what Assemble refuses.
func AssembleItems(zone *time.Location, items []Item) (*Assembled, error) {
	var jobID domain.UUID
	jobs := 0
	entries := make([]domain.Entry, len(items))
	for i, item := range items {
		entries[i] = domain.Entry{Kind: item.Kind, ID: item.ID, Record: item.Record}
		if item.Kind == domain.JobKind {
			jobs++
			jobID = item.ID
		}
	}
	if jobs != 1 {
		return nil, domain.Errorf(domain.Invalid, "items hold %d jobs, exactly 1 is expected", jobs)
	}
	return Assemble(jobID, entries, Outside{Zone: zone})
}
