package domain

import "time"

// EnergyIsolation is one locking out of the furnace: cut, verified, released.
// The rule that it was done under is named by the crew, never assumed.
type EnergyIsolation struct {
	JobID           UUID       `json:"job_id"`
	IsolatedAt      *time.Time `json:"isolated_at,omitzero"`
	VerifiedAt      *time.Time `json:"verified_at,omitzero" validate:"omitempty,notbefore=IsolatedAt"`
	VerifiedByID    *UUID      `json:"verified_by_id,omitzero"`
	PointsCount     *int       `json:"points_count,omitzero"`
	AllPoints       *bool      `json:"all_points,omitzero"` // every point of supply, electric furnaces often have two or more
	RuleWorkedUnder string     `json:"rule_worked_under,omitzero"`
	ReleasedAt      *time.Time `json:"released_at,omitzero" validate:"omitempty,notbefore=IsolatedAt"`
	ReleasedByID    *UUID      `json:"released_by_id,omitzero"`
	FurnaceRan      *bool      `json:"furnace_ran,omitzero"`
	HandoverReason  string     `json:"handover_reason,omitzero"`
}

func (*EnergyIsolation) Kind() Kind  { return EnergyIsolationKind }
func (e *EnergyIsolation) Job() UUID { return e.JobID }
func (e *EnergyIsolation) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, e.JobID}}
	refs = addRef(refs, "/verified_by_id", CrewMemberKind, e.VerifiedByID)
	return addRef(refs, "/released_by_id", CrewMemberKind, e.ReleasedByID)
}
