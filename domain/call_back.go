package domain

// CallBack is a complaint after the work was done.
type CallBack struct {
	JobID      UUID `json:"job_id"`
	ReportedOn Date `json:"reported_on"`
	// What was complained about.
	Reason string `json:"reason" validate:"min=1,max=500" text:"free"`
	// The part that it was about.
	Component string `json:"component,omitzero" validate:"omitempty,oneof=boot riser trunk trunk_end furnace_joint branch_takeoff supply_collar crossover wrap other"`
	// What turned out to be the cause.
	Cause string `json:"cause,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
	// Whose fault it turned out to be. A complaint that is closed at the crew's takes back what the price schedule says
	// under `call_back`.
	AtFault string `json:"at_fault,omitzero" validate:"omitempty,oneof=crew wear resident other unknown"`
	// The day on which it was settled.
	ClosedOn Date `json:"closed_on,omitzero" validate:"omitempty,notbefore=ReportedOn"`
}

func (*CallBack) Kind() Kind    { return CallBackKind }
func (c *CallBack) Job() UUID   { return c.JobID }
func (c *CallBack) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }
