package domain

// JobState is where a job stands.
type JobState string

// The states of a job. "reported" is no state: it is an accepted job that
// stands in a released package.
const (
	Assigned JobState = "assigned"
	InWork   JobState = "in_work"
	SentIn   JobState = "sent_in"
	Returned JobState = "returned"
	Accepted JobState = "accepted"
	Deferred JobState = "deferred"
)

// Open tells whether the crew may still work on the job.
func (s JobState) Open() bool {
	return s == Assigned || s == InWork || s == SentIn || s == Returned
}

// PayBasis is what the program pays for.
type PayBasis string

const (
	Deemed   PayBasis = "deemed"   // a fixed sum per home
	Measured PayBasis = "measured" // by the leakage removed
)

// Outcome is what came of a job.
type Outcome string

const (
	Completed    Outcome = "completed"
	Partial      Outcome = "partial"
	DeferredWork Outcome = "deferred"
	NotSuitable  Outcome = "not_suitable"
	Refused      Outcome = "refused"
	NothingToDo  Outcome = "nothing_to_do"
)

// DeferCode is why work was put off.
type DeferCode string

const (
	DeferCombustion      DeferCode = "combustion_appliance"
	DeferWiring          DeferCode = "wiring"
	DeferMoisture        DeferCode = "moisture"
	DeferSewage          DeferCode = "sewage"
	DeferAnimals         DeferCode = "animals"
	DeferSuspectMaterial DeferCode = "suspect_material"
	DeferFloor           DeferCode = "unsound_floor"
	DeferPiers           DeferCode = "unsound_piers"
	DeferNoAccess        DeferCode = "no_access"
	DeferWeather         DeferCode = "weather"
	DeferOther           DeferCode = "other"
)

// NoReading is why leakage was not read.
type NoReading string

const (
	NoReadingWeather    NoReading = "weather" // the reading after is put off to another visit
	NoReadingInstrument NoReading = "instrument_failed"
	NoReadingPower      NoReading = "no_power"
	NoReadingResident   NoReading = "resident"
	NoReadingOther      NoReading = "other"
)

// Job is one scope of work at one home by one contractor. Its home never
// changes.
type Job struct {
	HomeID       UUID `json:"home_id"`
	ContractorID UUID `json:"contractor_id"`
	// A fixed sum per home, or by the leakage removed.
	PayBasis PayBasis `json:"pay_basis" set:"office"`
	// Where the job stands. Reviews move it to accepted, returned and deferred; a reported job is an accepted one in a
	// released package.
	State JobState `json:"state"`
	// What came of it, asked when it is sent in.
	Outcome Outcome `json:"outcome,omitzero"`
	// Why it was not completed.
	OutcomeReason string `json:"outcome_reason,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// Why work was put off.
	DeferCodes []DeferCode `json:"defer_codes,omitzero" validate:"omitempty,max=11,unique"`
	// What would let work that was put off begin.
	DeferLiftedBy string `json:"defer_lifted_by,omitzero" validate:"omitempty,min=1,max=2000" text:"free"`
	// Why leakage was not read; weather puts the reading after off to another visit.
	NoReadingReason NoReading `json:"no_reading_reason,omitzero"`
	// The day of the resident's consent. Who gave it stands with the resident.
	ConsentOn Date `json:"consent_on,omitzero"`
	// How the resident consented.
	ConsentKind string `json:"consent_kind,omitzero" validate:"omitempty,oneof=written electronic spoken"`
	// What the work took of a material where that differs from the list of what to cut. What is not named is as listed.
	MaterialsUsed []MaterialUsed `json:"materials_used,omitzero" validate:"omitempty,max=11,dive"`
	// The fund that pays for the job, one of the rule set's. Absent where the program has one alone. Staff set it, as they
	// do `pay_basis`, `due_on` and `priority`; what a crew sends there changes nothing.
	FundSource string `json:"fund_source,omitzero" validate:"omitempty,snake,min=2,max=60" set:"office"`
	// The day by which it should be sent in.
	DueOn Date `json:"due_on,omitzero" set:"office"`
	// Which job goes first; absent means normal.
	Priority string `json:"priority,omitzero" validate:"omitempty,oneof=low normal high" set:"office"`
}

// MaterialUsed is how much of one material a job took.
type MaterialUsed struct {
	// The material, as the list of what to cut names it with its unit.
	Material string `json:"material" validate:"oneof=metal_in2 board_in2 wrap_fabric_in2 mesh_length_in mastic_gal screws_count bands_count nails_count flex_length_ft strap_length_ft metal_strip_length_in"`
	// How much, in that unit.
	Used float64 `json:"used" validate:"gte=0,lte=1000000" step:"0.01"`
}

func (*Job) Kind() Kind { return JobKind }
func (*Job) Job() UUID  { return UUID{} }
func (j *Job) Refs() []Ref {
	return []Ref{{"/home_id", HomeKind, j.HomeID}, {"/contractor_id", ContractorKind, j.ContractorID}}
}
