package rules

import (
	"slices"
	"time"

	"ductledger/domain"
)

// Shown is what a job shows of itself, whatever it claims: what is paid rests
// on it, and who reads the result sees what was said in one statement.
type Shown struct {
	Work       bool             `json:"work"`                // a visit, a record of work done and a photo
	Trip       bool             `json:"trip"`                // a visit, a coded reason for which work was put off and a photo
	Statements []PartsStatement `json:"statements,omitzero"` // what a crew said once of many parts
}

// PartsStatement is what a crew said once of many parts.
type PartsStatement struct {
	ComponentID domain.UUID          `json:"component_id"`
	Component   domain.ComponentSort `json:"component"` // the sort of the parts
	Section     domain.Section       `json:"section,omitzero"`
	Numbers     []int                `json:"numbers" validate:"dive,gte=1,lte=99"`
	Found       domain.Found         `json:"found,omitzero"`      // the state in which they were found
	RepairIDs   []domain.UUID        `json:"repair_ids,omitzero"` // the repairs that cover them
	MemberID    *domain.UUID         `json:"member_id,omitzero"`  // who said it
	StatedAt    *time.Time           `json:"stated_at,omitzero"`  // when it was said
}

func (a *Assembled) shown() Shown {
	came := len(a.Visits) > 0 && len(a.Photos) > 0
	worked := len(a.Repairs) > 0 || slices.ContainsFunc(a.Crossovers, func(x Of[domain.Crossover]) bool { return x.Record.TakenDownAt != nil }) ||
		slices.ContainsFunc(a.Openings, func(o Of[domain.Opening]) bool { return o.Record.In == domain.InDuct && closed(o.Record) })
	s := Shown{Work: came && worked, Trip: came && len(a.Job.Record.DeferCodes) > 0}
	for _, c := range a.Components {
		r := c.Record
		if len(r.Numbers) == 0 {
			continue
		}
		said := PartsStatement{ComponentID: c.ID, Component: r.Component, Section: r.Section, Numbers: r.Numbers, Found: r.Found, MemberID: r.MemberID, StatedAt: r.StatedAt}
		for repair := range a.repairsOf(c.ID) {
			said.RepairIDs = append(said.RepairIDs, repair.ID)
		}
		s.Statements = append(s.Statements, said)
	}
	return s
}
