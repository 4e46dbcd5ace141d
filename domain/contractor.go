package domain

// Contractor is a firm that the agency pays to seal ducts.
type Contractor struct {
	Name      string `json:"name"`
	StartedOn Date   `json:"started_on,omitzero"`
	EndedOn   Date   `json:"ended_on,omitzero"`
}

func (*Contractor) Kind() Kind  { return ContractorKind }
func (*Contractor) Job() UUID   { return UUID{} }
func (*Contractor) Refs() []Ref { return nil }
