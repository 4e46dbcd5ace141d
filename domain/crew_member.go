package domain

// CrewMember is a person who works for a contractor.
type CrewMember struct {
	ContractorID UUID   `json:"contractor_id"`
	Name         string `json:"name" validate:"min=1,max=120"`
	// Homes led before the program began to record them. What it has recorded since is counted by the service and comes on
	// top.
	HomesLedBeforeCount *int `json:"homes_led_before_count,omitzero" validate:"omitempty,gte=0,lte=10000"`
	// The last day with the contractor.
	LeftOn Date `json:"left_on,omitzero"`
}

func (*CrewMember) Kind() Kind { return CrewMemberKind }
func (*CrewMember) Job() UUID  { return UUID{} }
func (c *CrewMember) Refs() []Ref {
	return []Ref{{"/contractor_id", ContractorKind, c.ContractorID}}
}
