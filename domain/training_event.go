package domain

// TrainingEvent is a lesson that one crew member had.
type TrainingEvent struct {
	CrewMemberID UUID `json:"crew_member_id"`
	HeldOn       Date `json:"held_on"`
	// What the lesson was about.
	Topic string `json:"topic" validate:"min=1,max=120" text:"free"`
	// Keys of the rules that it was about.
	Rules       []string `json:"rules,omitzero" validate:"omitempty,max=100,unique,dive,snake,min=3,max=60"`
	TrainerName string   `json:"trainer_name,omitzero" validate:"omitempty,min=1,max=120"`
}

func (*TrainingEvent) Kind() Kind { return TrainingEventKind }
func (*TrainingEvent) Job() UUID  { return UUID{} }
func (t *TrainingEvent) Refs() []Ref {
	return []Ref{{"/crew_member_id", CrewMemberKind, t.CrewMemberID}}
}
