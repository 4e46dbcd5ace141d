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
	// Why it was not finished. Such a job is counted as one without an answer, never replaced.
	NotFinishedReason NotFinishedReason `json:"not_finished_reason,omitzero"`
	// Nobody was told of the visit before. A part of the inspections during the work is.
	Unannounced *bool `json:"unannounced,omitzero"`
}

// Words of purpose and result.
const (
	DuringWork       = "in_progress"
	InspectionPassed = "passed"
	InspectionFailed = "failed"
)

// NotFinishedReason is why an inspection found out nothing.
type NotFinishedReason string

const (
	InspectionRefused  NotFinishedReason = "refused"   // by the resident
	InspectionNoAccess NotFinishedReason = "no_access" // nobody was there, or no way in
	InspectionWeather  NotFinishedReason = "weather"
	InspectionOther    NotFinishedReason = "other"
)

// InspectorVerdict is what an inspector found of a rule.
type InspectorVerdict string

const (
	VerdictHolds        InspectorVerdict = "holds"
	VerdictBroken       InspectorVerdict = "broken"
	VerdictNotVisible   InspectorVerdict = "not_visible"   // closed up, or out of reach; in no denominator
	VerdictChangedSince InspectorVerdict = "changed_since" // somebody changed it after the crew left; in no denominator
)

// RuleVerdict is what the inspector found of one rule.
type RuleVerdict struct {
	Rule string `json:"rule" validate:"snake,min=3,max=60"`
	// What was found of it.
	Verdict InspectorVerdict `json:"verdict"`
}

func (*Inspection) Kind() Kind    { return InspectionKind }
func (i *Inspection) Job() UUID   { return i.JobID }
func (i *Inspection) Refs() []Ref { return []Ref{{"/job_id", JobKind, i.JobID}} }

// DrawState is how far a draw of inspections is.
type DrawState string

const (
	DrawPublished DrawState = "published" // frame, chances and the seed's digest are told; nothing is drawn, or only jobs as they come
	DrawDrawn     DrawState = "drawn"     // the seed is told, and the drawn jobs are open to inspectors
	DrawByHand    DrawState = "by_hand"   // a job was opened by a person, outside every estimate
)

// InspectionDraw says which jobs of a month are inspected, so that nobody chooses them. Only the service writes it. Each
// contractor's jobs that were sent in for the first time in the month are a stratum; everybody can draw again: u is the first 53 bits
// of HMAC-SHA256(seed, job_id) as a fraction, and of each stratum the `stratum_drawn_count` jobs with the smallest u are
// drawn, equal ones by id; by its risk a job is drawn where u of "risk/" + job_id is below `by_risk_ratio`.
type InspectionDraw struct {
	State DrawState `json:"state"`
	// The month in which the jobs were first sent in, such as 2026-10.
	Month Month `json:"month,omitzero"`
	// The contractor whose jobs alone are drawn from; all without.
	ContractorID *UUID `json:"contractor_id,omitzero"`
	// Share of each contractor's jobs that is drawn at random, in percent, rounded up to a whole job.
	SharePercent int `json:"share_percent,omitzero" validate:"omitempty,gte=5,lte=100"`
	// Jobs are drawn as they are sent in: those whose u is below `share_percent` / 100. Once the month is over each
	// stratum is filled up to its share, and what it was drawn to counts as its `stratum_drawn_count`. The service made the seed.
	AsSentIn bool `json:"as_sent_in,omitzero"`
	// Share of the jobs that a crew began in the month which is visited unannounced during the work, in percent: those for which
	// u of "visit/" + job_id is below it. In no estimate.
	VisitPercent int `json:"visit_percent,omitzero" validate:"omitempty,gte=0,lte=100"`
	// Jobs that are drawn by their risk on average.
	TopUpCount float64 `json:"top_up_count,omitzero" validate:"omitempty,gte=0,lte=10000"`
	// Of the seed's bytes, told before anything is drawn.
	SeedSHA256 string `json:"seed_sha256,omitzero" validate:"omitempty,sha256"`
	// The seed's bytes in hexadecimal, told with the draw.
	Seed string `json:"seed,omitzero" validate:"omitempty,min=32,max=128"`
	// Of the frame: a line `job_id contractor_id risk_count` for each job, each ended by a line feed.
	FrameSHA256 string `json:"frame_sha256,omitzero" validate:"omitempty,sha256"`
	// The frame by id, drawn or not; the one job that was opened by hand.
	Jobs []DrawJob `json:"jobs,omitzero" validate:"omitempty,max=100000,dive"`
	// The jobs that a crew began in the month, by id, told with the seed: which were to be visited.
	Visits []DrawVisit `json:"visits,omitzero" validate:"omitempty,max=100000,dive"`
	// Why a job was opened by hand, in short codes.
	ReasonCodes []string `json:"reason_codes,omitzero" validate:"omitempty,min=1,max=10,unique,dive,snake,min=2,max=60"`
	// The person who alone inspects; any inspector without.
	InspectorID *UUID `json:"inspector_id,omitzero"`
}

// DrawJob is a job that may be drawn, with its chances.
type DrawJob struct {
	JobID        UUID `json:"job_id"`
	ContractorID UUID `json:"contractor_id,omitzero"`
	// Questions that the screens asked of the job.
	RiskCount int `json:"risk_count,omitzero" validate:"omitempty,gte=0,lte=1000"`
	// Jobs of its contractor in the frame.
	StratumCount int `json:"stratum_count,omitzero" validate:"omitempty,gte=1"`
	// Jobs that are drawn of them at random.
	StratumDrawnCount int `json:"stratum_drawn_count,omitzero" validate:"omitempty,gte=1"`
	// The chance to be drawn by its risk, as a fraction.
	ByRiskRatio float64 `json:"by_risk_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// The chance to be drawn at all, as a fraction.
	ChanceRatio float64 `json:"chance_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// It was drawn at random.
	DrawnAtRandom bool `json:"drawn_at_random,omitzero"`
	// It was drawn by its risk.
	DrawnByRisk bool `json:"drawn_by_risk,omitzero"`
}

// DrawVisit is a job that a crew began.
type DrawVisit struct {
	JobID        UUID `json:"job_id"`
	ContractorID UUID `json:"contractor_id"`
	// It was drawn for an unannounced visit during the work.
	Drawn bool `json:"drawn,omitzero"`
}

// Drawn tells whether the job is to be inspected.
func (j *DrawJob) Drawn() bool { return j.DrawnAtRandom || j.DrawnByRisk }

func (*InspectionDraw) Kind() Kind  { return InspectionDrawKind }
func (*InspectionDraw) Job() UUID   { return UUID{} }
func (*InspectionDraw) Refs() []Ref { return nil }
