package domain

import "time"

// Method is how leakage was read.
type Method string

const (
	FanTotal    Method = "fan_total"
	FanOutside  Method = "fan_outside"
	Subtraction Method = "subtraction"
	Pan         Method = "pan"
)

// Stage is when in the job something was read.
type Stage string

const (
	Before          Stage = "before"
	Interim         Stage = "interim"
	After           Stage = "after"
	InspectionStage Stage = "inspection"
)

// Measurement is one test with one instrument. It is never changed: a
// correction is a new one that names the one it replaces and says why.
type Measurement struct {
	JobID           UUID      `json:"job_id"`
	Method          Method    `json:"method"`
	Stage           Stage     `json:"stage"`
	InstrumentID    UUID      `json:"instrument_id"`
	TakenAt         time.Time `json:"taken_at"`
	Readings        []Reading `json:"readings"`
	HousePressurePa *float64  `json:"house_pressure_pa,omitzero"`
	ZeroOffsetPa    *float64  `json:"zero_offset_pa,omitzero"`
	SetUp           []string  `json:"set_up,omitzero"` // ticks: what was prepared for the test
	AfterRepairIDs  []UUID    `json:"after_repair_ids,omitzero"`
	InsideF         *float64  `json:"inside_f,omitzero"`
	OutsideF        *float64  `json:"outside_f,omitzero"`
	BelowRange      *bool     `json:"below_range,omitzero"`
	Replaces        *UUID     `json:"replaces,omitzero"`
	Reason          string    `json:"reason,omitzero" validate:"required_with=Replaces"`
}

// Reading is one line of a test. Which of its fields are there depends on the
// method: a fan test has pressure and flow, or the fan's own pressure and
// range; a subtraction whole and masked flows; a pan pass one line a register.
type Reading struct {
	PressurePa    *float64 `json:"pressure_pa,omitzero"`
	FlowCFM       *float64 `json:"flow_cfm,omitzero"`
	FanPressurePa *float64 `json:"fan_pressure_pa,omitzero"`
	Range         string   `json:"range,omitzero"`
	WholeCFM      *float64 `json:"whole_cfm,omitzero"`
	MaskedCFM     *float64 `json:"masked_cfm,omitzero"`
	HouseToDuctPa *float64 `json:"house_to_duct_pa,omitzero"`
	ComponentID   *UUID    `json:"component_id,omitzero"`
	Number        *int     `json:"number,omitzero" validate:"omitempty,gte=1,lte=99"` // the register, of a statement about many
	PanPa         *float64 `json:"pan_pa,omitzero"`
	NotReadReason string   `json:"not_read_reason,omitzero"`
}

func (*Measurement) Kind() Kind  { return MeasurementKind }
func (m *Measurement) Job() UUID { return m.JobID }
func (m *Measurement) Refs() []Ref {
	refs := []Ref{{"/job_id", JobKind, m.JobID}, {"/instrument_id", InstrumentKind, m.InstrumentID}}
	for i := range m.AfterRepairIDs {
		refs = append(refs, Ref{pointerAt("/after_repair_ids", i), RepairKind, m.AfterRepairIDs[i]})
	}
	for i := range m.Readings {
		refs = addRef(refs, pointerAt("/readings", i)+"/component_id", ComponentKind, m.Readings[i].ComponentID)
	}
	return addRef(refs, "/replaces", MeasurementKind, m.Replaces)
}

// IsFan tells the methods that read a flow at a pressure in the duct.
func (m *Measurement) IsFan() bool { return m.Method == FanTotal || m.Method == FanOutside }
