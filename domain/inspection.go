package domain

// Inspection is a look at a job by somebody who did not do it. Whether the
// inspector was independent is derived from the visits, not stated.
type Inspection struct {
	JobID         UUID          `json:"job_id"`
	Purpose       string        `json:"purpose"` // in_progress, final, monitoring
	InspectedOn   Date          `json:"inspected_on"`
	InspectorName string        `json:"inspector_name"`
	Verdicts      []RuleVerdict `json:"verdicts,omitzero"`
	Result        string        `json:"result"` // passed, failed, not_finished
}

// RuleVerdict is what the inspector found of one rule.
type RuleVerdict struct {
	Rule    string `json:"rule"`
	Verdict string `json:"verdict"` // holds, broken, not_seen
}

func (*Inspection) Kind() Kind    { return InspectionKind }
func (i *Inspection) Job() UUID   { return i.JobID }
func (i *Inspection) Refs() []Ref { return []Ref{{"/job_id", JobKind, i.JobID}} }
