package domain

// CallBack is a complaint after the work was done.
type CallBack struct {
	JobID      UUID   `json:"job_id"`
	ReportedOn Date   `json:"reported_on"`
	Reason     string `json:"reason"`
	Component  string `json:"component,omitzero"` // the part that it was about
	Cause      string `json:"cause,omitzero"`
	AtFault    string `json:"at_fault,omitzero"` // crew, wear, resident, other, unknown
	ClosedOn   Date   `json:"closed_on,omitzero" validate:"omitempty,notbefore=ReportedOn"`
}

func (*CallBack) Kind() Kind    { return CallBackKind }
func (c *CallBack) Job() UUID   { return c.JobID }
func (c *CallBack) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }
