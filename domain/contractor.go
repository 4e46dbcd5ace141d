package domain

// Contractor is a firm that the agency pays to seal ducts.
type Contractor struct {
	Name string `json:"name" validate:"min=1,max=120"`
	// Its first day in the program.
	StartedOn Date `json:"started_on,omitzero"`
	// Its last day in the program.
	EndedOn Date `json:"ended_on,omitzero" validate:"omitempty,notbefore=StartedOn"`
}

func (*Contractor) Kind() Kind  { return ContractorKind }
func (*Contractor) Job() UUID   { return UUID{} }
func (*Contractor) Refs() []Ref { return nil }
