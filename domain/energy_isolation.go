package domain

import "time"

// EnergyIsolation is one locking out of the furnace: cut, verified, released. The rule that it was done under is named
// by the crew, never assumed. Electricity can kill: local code and licensed people decide how it is done.
type EnergyIsolation struct {
	JobID      UUID       `json:"job_id"`
	IsolatedAt *time.Time `json:"isolated_at,omitzero"`
	// When it was found dead.
	VerifiedAt *time.Time `json:"verified_at,omitzero" validate:"omitempty,notbefore=IsolatedAt"`
	// The crew member who verified.
	VerifiedByID *UUID `json:"verified_by_id,omitzero"`
	// Which furnace was cut, where a home has several: the section that holds it.
	FurnaceSection Section `json:"furnace_section,omitzero"`
	// Points of supply that were found.
	PointsFoundCount *int `json:"points_found_count,omitzero" validate:"omitempty,gte=1,lte=50"`
	// Points of supply that were cut.
	PointsCount *int `json:"points_count,omitzero" validate:"omitempty,gte=1,lte=50"`
	// Every point of supply was cut; electric furnaces often have two or more.
	AllPoints *bool `json:"all_points,omitzero"`
	// The meter was tried on something live before the test, and again after it.
	MeterProven *bool `json:"meter_proven,omitzero"`
	// The rule that the crew worked under.
	RuleWorkedUnder string     `json:"rule_worked_under,omitzero" validate:"omitempty,min=1,max=120" text:"free"`
	ReleasedAt      *time.Time `json:"released_at,omitzero" validate:"omitempty,notbefore=IsolatedAt"`
	// Before energy came back people were clear and every duct was closed, for the time being or for good.
	ClearAtRelease *bool `json:"clear_at_release,omitzero"`
	// The crew member who released it.
	ReleasedByID *UUID `json:"released_by_id,omitzero"`
	// The furnace was seen to run afterwards.
	FurnaceRan *bool `json:"furnace_ran,omitzero"`
	// Why the furnace was handed over without running.
	HandoverReason string `json:"handover_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
}

func (*EnergyIsolation) Kind() Kind  { return EnergyIsolationKind }
func (e *EnergyIsolation) Job() UUID { return e.JobID }
func (e *EnergyIsolation) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, e.JobID}}
	refs = addRef(refs, "/verified_by_id", CrewMemberKind, e.VerifiedByID)
	return addRef(refs, "/released_by_id", CrewMemberKind, e.ReleasedByID)
}
