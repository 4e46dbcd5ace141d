package domain

// Waiver lifts one finding, with the consequence that was agreed on.
type Waiver struct {
	JobID             UUID       `json:"job_id"`
	Finding           FindingRef `json:"finding"`
	Reason            string     `json:"reason"`
	AgreedConsequence string     `json:"agreed_consequence"`
}

func (*Waiver) Kind() Kind    { return WaiverKind }
func (w *Waiver) Job() UUID   { return w.JobID }
func (w *Waiver) Refs() []Ref { return []Ref{{"/job_id", JobKind, w.JobID}} }
