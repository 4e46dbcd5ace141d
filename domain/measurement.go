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

// Quantity is what a method reads. Leakage to anywhere and leakage to outside
// are different quantities: they are never added up nor compared.
type Quantity string

const (
	TotalLeakage   Quantity = "total"
	OutsideLeakage Quantity = "outside"
)

// Quantity is what the method reads; empty for pan readings, which are no leakage.
func (m Method) Quantity() Quantity {
	switch m {
	case FanTotal:
		return TotalLeakage
	case FanOutside, Subtraction:
		return OutsideLeakage
	}
	return ""
}

// Stage is when in the job something was read.
type Stage string

const (
	Before          Stage = "before"
	Interim         Stage = "interim"
	After           Stage = "after"
	InspectionStage Stage = "inspection"
)

// Measurement is one test with one instrument. It is never changed: a correction is a new one that names the one it
// replaces and says why. Which fields of a reading a method needs is checked beside this schema.
type Measurement struct {
	JobID UUID `json:"job_id"`
	// How leakage was read. Total leakage and leakage to outside never mix.
	Method Method `json:"method"`
	// When in the job.
	Stage        Stage     `json:"stage"`
	InstrumentID UUID      `json:"instrument_id"`
	TakenAt      time.Time `json:"taken_at"`
	// The lines of the test; a pan pass has one a register.
	Readings []Reading `json:"readings" validate:"min=1,max=40,dive"`
	// Pressure at which the home was held in Pa.
	HousePressurePa *float64 `json:"house_pressure_pa,omitzero" validate:"omitempty,gt=0,lte=100" step:"0.1"`
	// What the gauge showed with the fan covered in Pa.
	ZeroOffsetPa *float64 `json:"zero_offset_pa,omitzero" validate:"omitempty,gte=-50,lte=50" step:"0.1"`
	// What was prepared for the test.
	SetUp []string `json:"set_up,omitzero" validate:"omitempty,max=7,unique,dive,oneof=registers_sealed filter_out blower_off doors_closed house_open combustion_off gauge_zeroed"`
	// Of an interim reading, the repairs that it follows.
	AfterRepairIDs []UUID `json:"after_repair_ids,omitzero" validate:"omitempty,max=40,unique"`
	// Temperature inside in °F.
	InsideF *float64 `json:"inside_f,omitzero" validate:"omitempty,gte=-60,lte=150" step:"1"`
	// Temperature outside in °F.
	OutsideF *float64 `json:"outside_f,omitzero" validate:"omitempty,gte=-80,lte=150" step:"1"`
	// The leakage was below what the instrument can read.
	BelowRange *bool `json:"below_range,omitzero"`
	// The measurement that this one does again, set up anew the same day, before anybody worked on the ducts: both stand,
	// and the pair tells how well a test repeats.
	Repeats *UUID `json:"repeats,omitzero"`
	// The measurement that this one corrects, of the same job and method.
	Replaces *UUID `json:"replaces,omitzero"`
	// Why it is replaced.
	Reason string `json:"reason,omitzero" validate:"required_with_all=Replaces,omitempty,min=1,max=500" text:"free"`
}

// Reading is one line of a test. A fan test has pressure and flow, or the fan's own pressure and range; a subtraction
// whole and masked flows; a pan pass a register and its pressure, or why it was not read.
type Reading struct {
	// Pressure in the duct in Pa.
	PressurePa *float64 `json:"pressure_pa,omitzero" validate:"omitempty,gt=0,lte=500" step:"0.1"`
	// Flow through the fan in cfm.
	FlowCFM *float64 `json:"flow_cfm,omitzero" validate:"omitempty,gt=0,lte=20000" step:"1"`
	// Pressure across the fan in Pa.
	FanPressurePa *float64 `json:"fan_pressure_pa,omitzero" validate:"omitempty,gt=0,lte=500" step:"0.1"`
	// The fan's range, as its flow equation names it.
	Range string `json:"range,omitzero" validate:"omitempty,min=1,max=20"`
	// Flow of the whole home in cfm.
	WholeCFM *float64 `json:"whole_cfm,omitzero" validate:"omitempty,gt=0,lte=20000" step:"1"`
	// Flow with the registers masked in cfm.
	MaskedCFM *float64 `json:"masked_cfm,omitzero" validate:"omitempty,gt=0,lte=20000" step:"1"`
	// Pressure of the home against the masked ducts in Pa.
	HouseToDuctPa *float64 `json:"house_to_duct_pa,omitzero" validate:"omitempty,gt=0,lte=100" step:"0.1"`
	// The register, by its boot.
	ComponentID *UUID `json:"component_id,omitzero"`
	// The register, of a statement about many.
	Number *int `json:"number,omitzero" validate:"omitempty,gte=1,lte=99"`
	// Pressure across the pan in Pa.
	PanPa *float64 `json:"pan_pa,omitzero" validate:"omitempty,gte=0,lte=100" step:"0.1"`
	// Why the register was not read.
	NotReadReason string `json:"not_read_reason,omitzero" validate:"omitempty,min=1,max=500" text:"free"`
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
	return addRef(addRef(refs, "/replaces", MeasurementKind, m.Replaces), "/repeats", MeasurementKind, m.Repeats)
}

// IsFan tells the methods that read a flow at a pressure in the duct.
func (m *Measurement) IsFan() bool { return m.Method == FanTotal || m.Method == FanOutside }
