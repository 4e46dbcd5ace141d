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
	// The owner; absent, it is the agency's own.
	ContractorID *UUID `json:"contractor_id,omitzero"`
	// What it measures with.
	Instrument InstrumentSort `json:"instrument"`
	// The serial number on its plate.
	Serial string `json:"serial" validate:"min=1,max=60"`
	// The day of its calibration.
	CalibratedOn Date `json:"calibrated_on,omitzero"`
	// The last day that the calibration covers.
	CalibratedUntilOn Date `json:"calibrated_until_on,omitzero" validate:"omitempty,notbefore=CalibratedOn"`
	// The day from which on it is not used any more: nobody is told when its calibration ends.
	RetiredOn Date `json:"retired_on,omitzero"`
	// One equation per range of the fan.
	FlowEquations []FlowEquation `json:"flow_equations,omitzero" validate:"omitempty,max=20,dive"`
	// ± share of the flow reading as the certificate states it.
	FlowAccuracyRatio *float64 `json:"flow_accuracy_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
	// ± share of the pressure reading as the certificate states it.
	PressureAccuracyRatio *float64 `json:"pressure_accuracy_ratio,omitzero" validate:"omitempty,gte=0,lte=1" step:"0.001"`
}

// FlowEquation is Q = C·ΔP^n of one range: Q in cfm, ΔP in Pa across the fan.
type FlowEquation struct {
	// The name of the range, as readings repeat it.
	Range string `json:"range" validate:"min=1,max=20"`
	// C in cfm/Pa^n.
	Coefficient float64 `json:"coefficient" validate:"gt=0,lte=10000"`
	// n.
	Exponent float64 `json:"exponent" validate:"gt=0,lte=2"`
	// The least fan pressure in Pa for which the equation holds.
	LowestPa *float64 `json:"lowest_pa,omitzero" validate:"omitempty,gte=0,lte=500" step:"0.1"`
	// The greatest fan pressure in Pa for which it holds.
	HighestPa *float64 `json:"highest_pa,omitzero" validate:"omitempty,gt=0,lte=500,beyond=LowestPa" step:"0.1"`
	// The date of the certificate.
	StatedOn Date `json:"stated_on,omitzero"`
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
