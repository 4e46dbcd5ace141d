package domain

// Decision is what a review decides.
type Decision string

// The first five move the job; the others answer, and move nothing.
const (
	Accept  Decision = "accept"
	Return  Decision = "return"
	Defer   Decision = "defer"
	Reopen  Decision = "reopen"
	Answer  Decision = "answer"
	Reply   Decision = "reply"
	Exclude Decision = "exclude"
	Include Decision = "include"
	Confirm Decision = "confirm" // the office knows of the job that a crew started
	Correct Decision = "correct" // the office mends its own error on an accepted job
)

// Review is a person's decision about a job. Who decided is the token's holder, outside the record. `accept`,
// `return`, `defer` and `reopen` move the job; `answer` (to a check), `reply` (the contractor's), `exclude` and
// `include` (statistics) move nothing. `correct` mends the office's own error on an accepted job: the records that it
// names come with it in one batch, all of them or none, and what they come to stands from then on. State and month
// stay; readings and photos are not mended so.
type Review struct {
	JobID    UUID     `json:"job_id"`
	Decision Decision `json:"decision"`
	// Why, in short codes; needed to return, defer, reopen, exclude and correct.
	ReasonCodes []string `json:"reason_codes,omitzero" validate:"required_if=Decision correct,required_if=Decision return,required_if=Decision defer,required_if=Decision reopen,required_if=Decision exclude,omitempty,min=1,max=10,unique,dive,snake,min=2,max=60"`
	// The finding that is answered or replied to.
	Finding *FindingRef `json:"finding,omitzero" validate:"required_if=Decision answer"`
	// The records that a correction mends, each an item of the same batch: the job, its home, or a record of its work.
	Items []Subject `json:"items,omitzero" validate:"required_if=Decision correct,omitempty,min=1,max=100,unique,dive"`
	Text  string    `json:"text,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
}

// Names a finding. It is known by its rule and its subjects.
type FindingRef struct {
	Rule string `json:"rule" validate:"snake,min=3,max=60"`
	// The records that the finding is about.
	Subjects []Subject `json:"subjects" validate:"max=100,unique,dive"`
}

func (*Review) Kind() Kind    { return ReviewKind }
func (r *Review) Job() UUID   { return r.JobID }
func (r *Review) Refs() []Ref { return []Ref{{"/job_id", JobKind, r.JobID}} }

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

// CallBack is a complaint after the work was done.
type CallBack struct {
	JobID      UUID `json:"job_id"`
	ReportedOn Date `json:"reported_on"`
	// What was complained about.
	Reason string `json:"reason" validate:"min=1,max=500" text:"free"`
	// The part that it was about.
	Component string `json:"component,omitzero" validate:"omitempty,oneof=boot riser trunk trunk_end furnace_joint branch_takeoff supply_collar crossover wrap other"`
	// What turned out to be the cause, of a short list: what is counted.
	CauseCode CallBackCause `json:"cause_code,omitzero"`
	// The cause in words.
	Cause string `json:"cause,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
	// Whose fault it turned out to be. A complaint that is closed at the crew's takes back what the price schedule says
	// under `call_back`.
	AtFault string `json:"at_fault,omitzero" validate:"omitempty,oneof=crew wear resident other unknown"`
	// The day on which it was settled.
	ClosedOn Date `json:"closed_on,omitzero" validate:"omitempty,notbefore=ReportedOn"`
}

// CallBackCause is what turned out to be behind a complaint.
type CallBackCause string

const (
	CauseSealOpened   CallBackCause = "seal_opened"     // a seal cracked or came off
	CausePartLoose    CallBackCause = "part_came_loose" // a boot, a riser or a collar
	CauseNotSealed    CallBackCause = "not_sealed"      // a leak that was missed
	CauseOutletCutOff CallBackCause = "outlet_cut_off"  // an end closure or a kink starves an outlet
	CauseCrossover    CallBackCause = "crossover"       // it came down, or lies on the soil
	CauseWrapOpen     CallBackCause = "wrap_open"       // an opening of the belly was not closed, or came open
	CauseDamage       CallBackCause = "damaged_by_work" // something of the home
	CauseFurnace      CallBackCause = "furnace"         // not the ducts
	CauseLaterDamage  CallBackCause = "damaged_later"   // by animals, water or others
	CauseNothingFound CallBackCause = "nothing_found"
	CauseOther        CallBackCause = "other"
)

func (*CallBack) Kind() Kind    { return CallBackKind }
func (c *CallBack) Job() UUID   { return c.JobID }
func (c *CallBack) Refs() []Ref { return []Ref{{"/job_id", JobKind, c.JobID}} }
