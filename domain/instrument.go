package domain

// InstrumentSort is what an instrument measures with.
type InstrumentSort string

// The instruments of the trade.
const (
	DuctFan    InstrumentSort = "duct_fan"
	BlowerDoor InstrumentSort = "blower_door"
	Gauge      InstrumentSort = "gauge"
	COMeter    InstrumentSort = "co_meter"
)

// Instrument is a fan, gauge or meter with its calibration. The flow equation
// is copied from its certificate, never taken from a maker's table.
type Instrument struct {
	ContractorID          *UUID          `json:"contractor_id,omitzero"` // absent: the agency's own
	Instrument            InstrumentSort `json:"instrument"`
	Serial                string         `json:"serial"`
	CalibratedOn          Date           `json:"calibrated_on,omitzero"`
	CalibratedUntilOn     Date           `json:"calibrated_until_on,omitzero" validate:"omitempty,notbefore=CalibratedOn"`
	FlowEquations         []FlowEquation `json:"flow_equations,omitzero" validate:"dive"`
	FlowAccuracyRatio     *float64       `json:"flow_accuracy_ratio,omitzero"`     // ± of the reading, rectangular
	PressureAccuracyRatio *float64       `json:"pressure_accuracy_ratio,omitzero"` // ± of the reading, rectangular
}

// FlowEquation is Q = C·ΔP^n of one range: Q in cfm, ΔP in Pa across the fan.
type FlowEquation struct {
	Range       string   `json:"range"`
	Coefficient float64  `json:"coefficient"`
	Exponent    float64  `json:"exponent"`
	LowestPa    *float64 `json:"lowest_pa,omitzero"`
	HighestPa   *float64 `json:"highest_pa,omitzero" validate:"omitempty,beyond=LowestPa"`
	StatedOn    Date     `json:"stated_on,omitzero"`
}

func (*Instrument) Kind() Kind { return InstrumentKind }
func (*Instrument) Job() UUID  { return UUID{} }
func (i *Instrument) Refs() []Ref {
	return addRef(nil, "/contractor_id", ContractorKind, i.ContractorID)
}

// CalibrationCovers tells whether the calibration covers a day, and whether
// that is recorded at all.
func (i *Instrument) CalibrationCovers(day Date) (covers, recorded bool) {
	if i.CalibratedUntilOn == "" {
		return false, false
	}
	return i.CalibratedOn <= day && day <= i.CalibratedUntilOn, true
}
