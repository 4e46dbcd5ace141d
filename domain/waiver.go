package domain

// Waiver lifts one finding, with the consequence that was agreed on.
type Waiver struct {
	JobID   UUID       `json:"job_id"`
	Finding FindingRef `json:"finding"`
	// Why it is lifted.
	Reason string `json:"reason" validate:"min=1,max=2000" text:"free"`
	// What was agreed on instead.
	AgreedConsequence string `json:"agreed_consequence" validate:"min=1,max=2000" text:"free"`
	// When the crew was talked to. Without it no breach of a rule against injury is lifted.
	SafetyTalkOn Date `json:"safety_talk_on,omitzero"`
}

func (*Waiver) Kind() Kind    { return WaiverKind }
func (w *Waiver) Job() UUID   { return w.JobID }
func (w *Waiver) Refs() []Ref { return []Ref{{"/job_id", JobKind, w.JobID}} }
