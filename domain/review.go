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
)

// Review is a person's decision about a job. Who decided is the token's
// holder, outside the record.
type Review struct {
	JobID       UUID        `json:"job_id"`
	Decision    Decision    `json:"decision"`
	ReasonCodes []string    `json:"reason_codes,omitzero" validate:"required_if=Decision return,required_if=Decision defer,required_if=Decision reopen,required_if=Decision exclude"`
	Finding     *FindingRef `json:"finding,omitzero" validate:"required_if=Decision answer"`
	Text        string      `json:"text,omitzero"`
}

// FindingRef names a finding: it is known by its rule and its subjects.
type FindingRef struct {
	Rule     string    `json:"rule"`
	Subjects []Subject `json:"subjects"`
}

func (*Review) Kind() Kind    { return ReviewKind }
func (r *Review) Job() UUID   { return r.JobID }
func (r *Review) Refs() []Ref { return []Ref{{"/job_id", JobKind, r.JobID}} }
