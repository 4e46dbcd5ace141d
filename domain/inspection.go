package domain

// Inspection is a look at a job by somebody who did not do it. Whether the
// inspector was independent is derived from the visits, not stated.
type Inspection struct {
	JobID UUID `json:"job_id"`
	// In_progress, final, monitoring.
	Purpose       string `json:"purpose" validate:"oneof=in_progress final monitoring"`
	InspectedOn   Date   `json:"inspected_on"`
	InspectorName string `json:"inspector_name" validate:"min=1,max=120"`
	// What the inspector found of each rule.
	Verdicts []RuleVerdict `json:"verdicts,omitzero" validate:"omitempty,max=100,dive"`
	// Passed, failed, not_finished.
	Result string `json:"result" validate:"oneof=passed failed not_finished"`
}

// RuleVerdict is what the inspector found of one rule.
type RuleVerdict struct {
	Rule string `json:"rule" validate:"snake,min=3,max=60"`
	// Holds, broken, not_seen.
	Verdict string `json:"verdict" validate:"oneof=holds broken not_seen"`
}

func (*Inspection) Kind() Kind    { return InspectionKind }
func (i *Inspection) Job() UUID   { return i.JobID }
func (i *Inspection) Refs() []Ref { return []Ref{{"/job_id", JobKind, i.JobID}} }
