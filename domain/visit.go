package domain

import "time"

// Visit is one day of one crew at one home.
type Visit struct {
	JobID      UUID             `json:"job_id"`
	VisitedOn  Date             `json:"visited_on"`
	LeadID     *UUID            `json:"lead_id,omitzero"`
	CrewIDs    []UUID           `json:"crew_ids,omitzero"`
	ArrivedAt  *time.Time       `json:"arrived_at,omitzero"`
	LeftAt     *time.Time       `json:"left_at,omitzero" validate:"omitempty,notbefore=ArrivedAt"`
	CallBackID *UUID            `json:"call_back_id,omitzero"`
	Stops      []Stop           `json:"stops,omitzero" validate:"dive"`
	Combustion *CombustionCheck `json:"combustion,omitzero"`
	Air        *AirCheck        `json:"air,omitzero"`
	Weather    string           `json:"weather,omitzero"`
}

// Stop is a reason for which work had to stop, and who lifted it.
type Stop struct {
	Reason    string     `json:"reason"`
	At        time.Time  `json:"at"`
	ClearedAt *time.Time `json:"cleared_at,omitzero" validate:"omitempty,notbefore=At"`
	ClearedBy string     `json:"cleared_by,omitzero"`
}

// CombustionCheck is what was read in a home with a combustion appliance: the
// air before entry, and the combustion safety test after sealing.
type CombustionCheck struct {
	AmbientCOPpm *float64   `json:"ambient_co_ppm,omitzero"`
	AmbientCOAt  *time.Time `json:"ambient_co_at,omitzero"`
	TestedAt     *time.Time `json:"tested_at,omitzero"`
	TestResult   string     `json:"test_result,omitzero"` // passed, failed
	CredentialID *UUID      `json:"credential_id,omitzero"`
	TestedBy     string     `json:"tested_by,omitzero"`
}

// AirCheck is what was felt at the outlets when the furnace ran again.
type AirCheck struct {
	FeltAt      *time.Time `json:"felt_at,omitzero"`
	EveryOutlet *bool      `json:"every_outlet,omitzero"`                                   // air came from each of them
	WithoutIDs  []UUID     `json:"without_ids,omitzero" validate:"omitempty,max=40,unique"` // the parts from which none came
}

func (*Visit) Kind() Kind  { return VisitKind }
func (v *Visit) Job() UUID { return v.JobID }
func (v *Visit) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, v.JobID}}
	refs = addRef(refs, "/lead_id", CrewMemberKind, v.LeadID)
	for i := range v.CrewIDs {
		refs = append(refs, Ref{pointerAt("/crew_ids", i), CrewMemberKind, v.CrewIDs[i]})
	}
	refs = addRef(refs, "/call_back_id", CallBackKind, v.CallBackID)
	if v.Air != nil {
		for i := range v.Air.WithoutIDs {
			refs = append(refs, Ref{pointerAt("/air/without_ids", i), ComponentKind, v.Air.WithoutIDs[i]})
		}
	}
	if v.Combustion != nil {
		refs = addRef(refs, "/combustion/credential_id", CredentialKind, v.Combustion.CredentialID)
	}
	return refs
}
