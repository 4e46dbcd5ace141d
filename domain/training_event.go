package domain

// TrainingEvent is a lesson that one crew member had.
type TrainingEvent struct {
	CrewMemberID UUID     `json:"crew_member_id"`
	HeldOn       Date     `json:"held_on"`
	Topic        string   `json:"topic"`
	Rules        []string `json:"rules,omitzero"` // keys of the rules that it was about
	TrainerName  string   `json:"trainer_name,omitzero"`
}

func (*TrainingEvent) Kind() Kind { return TrainingEventKind }
func (*TrainingEvent) Job() UUID  { return UUID{} }
func (t *TrainingEvent) Refs() []Ref {
	return []Ref{{"/crew_member_id", CrewMemberKind, t.CrewMemberID}}
}
