package calculations

import (
	"context"
	"errors"
	"strconv"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/rules"
	"ductledger/domain/stat"
)

// The readings of a fan test.
type FanTest struct {
	Readings []FanReading `json:"readings" validate:"min=1,max=100,dive"`
	// The pressure in Pa for which leakage is given.
	ReferencePressurePa *float64 `json:"reference_pressure_pa,omitzero" validate:"omitempty,gt=0,lte=500" default:"25"`
	// n, for one reading only.
	Exponent *float64 `json:"exponent,omitzero" validate:"omitempty,gte=0.5,lte=1" default:"0.6"`
	// Fewer readings are refused.
	MinimumReadings *int `json:"minimum_readings_count,omitzero" validate:"omitempty,gte=1,lte=100" default:"1"`
	// Of the instrument, as its certificate states them.
	FlowEquations []domain.FlowEquation `json:"flow_equations,omitzero" validate:"omitempty,min=1,max=20,dive"`
	// Duct pressures with the fan sealed, before the test.
	ZeroBeforePa []float64 `json:"zero_before_pa,omitzero" validate:"omitempty,min=1,max=20,dive,gte=-50,lte=50"`
	// The same after it.
	ZeroAfterPa []float64 `json:"zero_after_pa,omitzero" validate:"omitempty,min=1,max=20,dive,gte=-50,lte=50"`
	// Which way the fan pushes; with it the flows are corrected for the air.
	Direction leakage.Direction `json:"direction,omitzero" validate:"required_with=InsideF OutsideF FanF ElevationFt FanTakes Quantity"`
	// Which air the fan takes in when it pressurizes; home_air without.
	FanTakes leakage.FanAir `json:"fan_takes,omitzero"`
	// Which leakage is tested when it depressurizes; total without.
	Quantity leakage.Scope `json:"quantity,omitzero"`
	// Air of the home in °F.
	InsideF *float64 `json:"inside_f,omitzero" validate:"required_with=Direction OutsideF,omitempty,gte=-60,lte=140" step:"1"`
	// Air outside in °F.
	OutsideF *float64 `json:"outside_f,omitzero" validate:"required_with=Direction InsideF,omitempty,gte=-75,lte=140" step:"1"`
	// Air that leaves the ducts at a depressurizing fan in °F; home air is assumed without.
	FanF *float64 `json:"fan_f,omitzero" validate:"omitempty,gte=-75,lte=140" step:"1"`
	// Density in kg/m³ for which the flow equation holds, where the gauge has not corrected for the air.
	CalibrationDensity *float64 `json:"calibration_density_kg_m3,omitzero" validate:"omitempty,gte=0.5,lte=2"`
	// Carry the leakage to air of 20 °C at the sea, by ASTM E779.
	ReferenceAir bool `json:"reference_air,omitzero"`
	// Height above the sea in ft.
	ElevationFt *float64  `json:"elevation_ft,omitzero" validate:"omitempty,gte=-1000,lte=15000" step:"1" default:"0"`
	Accuracy    *Accuracy `json:"accuracy,omitzero"`
}

// A pressure, and the flow as read; or the fan's own pressure and range, from which the flow follows by its equation.
type FanReading struct {
	// Pressure in the duct in Pa.
	PressurePa float64 `json:"pressure_pa" validate:"gt=0,lte=500" step:"0.1"`
	// Flow through the fan in cfm.
	FlowCFM *float64 `json:"flow_cfm,omitzero" validate:"required_without=FanPressurePa Range,omitempty,gt=0,lte=20000" step:"1"`
	// Pressure across the fan in Pa.
	FanPressurePa *float64 `json:"fan_pressure_pa,omitzero" validate:"required_with=Range,omitempty,gt=0,lte=500" step:"0.1"`
	// The fan's range, as its flow equation names it.
	Range string `json:"range,omitzero" validate:"required_with=FanPressurePa,omitempty,min=1,max=20"`
}

// Leakage at the reference pressure, not rounded. Limits are of 95 % intervals with all that is not known in them: the
// fit's scatter by Student's t, the instrument's calibration and doing the test again by 1.96. `fit_leakage_…` are of the
// fit alone. The exponent is of the fit alone everywhere: what all readings share does not move it.
type fanTestAnswer struct {
	// one_point, two_point or multi_point.
	Method leakage.Method `json:"method"`
	// cfm at the reference pressure.
	LeakageCFM float64 `json:"leakage_cfm"`
	// n.
	Exponent float64 `json:"exponent"`
	// C in cfm/Pa^n.
	Coefficient float64 `json:"coefficient"`
	// A high one excuses nothing.
	RSquared         *float64 `json:"r_squared,omitzero"`
	ExponentSE       *float64 `json:"exponent_se,omitzero"`
	LogCoefficientSE *float64 `json:"log_coefficient_se,omitzero"`
	// Of ln of the leakage.
	LogLeakageSE *float64 `json:"log_leakage_se,omitzero"`
	// Of ln of the flow.
	ResidualSD *float64 `json:"residual_sd,omitzero"`
	// Readings less 2.
	DegreesOfFreedom *int     `json:"degrees_of_freedom,omitzero"`
	ExponentLow      *float64 `json:"exponent_low,omitzero"`
	ExponentHigh     *float64 `json:"exponent_high,omitzero"`
	CoefficientLow   *float64 `json:"coefficient_low,omitzero"`
	CoefficientHigh  *float64 `json:"coefficient_high,omitzero"`
	LeakageLowCFM    *float64 `json:"leakage_low_cfm,omitzero"`
	LeakageHighCFM   *float64 `json:"leakage_high_cfm,omitzero"`
	FitLowCFM        *float64 `json:"fit_leakage_low_cfm,omitzero"`
	FitHighCFM       *float64 `json:"fit_leakage_high_cfm,omitzero"`
	// Of every low and high here.
	Level float64 `json:"level_ratio"`
	// Between a standard uncertainty and its limits, but for the fit's t.
	Coverage    float64             `json:"coverage_factor"`
	Uncertainty RelativeUncertainty `json:"uncertainty"`
	// good, weak or undecided, by the width of the interval.
	Quality leakage.Quality `json:"quality"`
	// The reference pressure lies outside the readings.
	Extrapolated bool `json:"extrapolated"`
	// What was corrected, in this order: zero_flow_pressure, flow_equation, meter_air, leak_flow, reference_air.
	Corrections []string `json:"corrections"`
	// The air that was reckoned with, where a direction was told.
	Air *airAnswer `json:"air,omitzero"`
	// Pressure and flow as they went into the computation, where something was corrected.
	Corrected []fanPair `json:"corrected_readings,omitzero"`
	// The version of the computation.
	MethodVersion string        `json:"method_version"`
	Inputs        fanTestInputs `json:"inputs"`
}

// The air of the test: which case it is, the factors and the temperatures used.
type airAnswer struct {
	// Which of the four ways in which fan and leaks see air.
	Case leakage.AirCase `json:"case"`
	// On the flow that the meter shows; 1 where none is needed.
	MeterFactor float64 `json:"meter_factor"`
	// From fan flow to leak flow; 1 where there is none.
	LeakFactor float64 `json:"leak_flow_factor"`
	// To air of 20 °C at the sea; 1 where it was not asked for.
	ReferenceFactor float64 `json:"reference_factor"`
	// Air at the fan in °F, as used.
	FanF float64 `json:"fan_f"`
	// Air at the leaks in °F, as used; absent where home and outside air mix there.
	LeaksF *float64 `json:"leaks_f,omitzero"`
	// What is neglected or assumed.
	Says string `json:"says,omitzero"`
}

type fanPair struct {
	PressurePa float64 `json:"pressure_pa"`
	FlowCFM    float64 `json:"flow_cfm"`
}

// fanTestInputs are the request with the default of each setting.
type fanTestInputs struct {
	Readings            []FanReading          `json:"readings"`
	ReferencePressurePa float64               `json:"reference_pressure_pa"`
	AssumedExponent     *float64              `json:"assumed_exponent,omitzero"`
	MinimumReadings     int                   `json:"minimum_readings_count"`
	FlowEquations       []domain.FlowEquation `json:"flow_equations,omitzero"`
	ZeroBeforePa        []float64             `json:"zero_before_pa,omitzero"`
	ZeroAfterPa         []float64             `json:"zero_after_pa,omitzero"`
	Direction           leakage.Direction     `json:"direction,omitzero"`
	InsideF             *float64              `json:"inside_f,omitzero"`
	OutsideF            *float64              `json:"outside_f,omitzero"`
	FanF                *float64              `json:"fan_f,omitzero"`
	FanTakes            leakage.FanAir        `json:"fan_takes,omitzero"`
	Quantity            leakage.Scope         `json:"quantity,omitzero"`
	CalibrationDensity  *float64              `json:"calibration_density_kg_m3,omitzero"`
	ReferenceAir        bool                  `json:"reference_air,omitzero"`
	ElevationFt         *float64              `json:"elevation_ft,omitzero"`
	Accuracy            accuracyInputs        `json:"accuracy"`
}

// calculateFanTest computes leakage from the readings of a fan test. The limits of a
// fit are its own t limits, and beside them those with the calibration; a
// single reading's come from the accuracy of the instrument.
func calculateFanTest(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body FanTest
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	if err := domain.InvalidFields(body.faults()); err != nil {
		return frame.Answer{}, err
	}
	p := leakage.DefaultFanParameters()
	if body.ReferencePressurePa != nil {
		p.ReferencePa = *body.ReferencePressurePa
	}
	if body.Exponent != nil {
		p.AssumedExponent = *body.Exponent
	}
	if body.MinimumReadings != nil {
		p.LeastReadings = *body.MinimumReadings
	}
	p.Accuracy = body.Accuracy.over(p.Accuracy)
	readings, corrections, air, err := body.corrected()
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	test, err := leakage.Fan(readings, p)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	reference := 1.0
	if air != nil && body.ReferenceAir {
		if test, reference, err = air.AtReferenceAir(test); err != nil {
			return frame.Answer{}, frame.Refused(err)
		}
		corrections = append(corrections, "reference_air")
	}
	out := fanAnswer(test)
	out.Level, out.Coverage = p.Confidence, p.Coverage
	if air != nil {
		out.Air = &airAnswer{Case: air.Case, MeterFactor: air.Meter, LeakFactor: air.Leak, ReferenceFactor: reference, FanF: fahrenheit(air.Fan.TemperatureC), Says: air.Says}
		if air.Leaks != nil {
			out.Air.LeaksF = new(fahrenheit(air.Leaks.TemperatureC))
		}
	}
	out.Corrections = corrections
	if len(corrections) > 0 {
		for _, r := range readings {
			out.Corrected = append(out.Corrected, fanPair(r))
		}
	}
	out.Inputs = fanTestInputs{body.Readings, p.ReferencePa, nil, p.LeastReadings, body.FlowEquations, body.ZeroBeforePa, body.ZeroAfterPa,
		body.Direction, body.InsideF, body.OutsideF, body.FanF, body.FanTakes, body.Quantity, body.CalibrationDensity, body.ReferenceAir, body.ElevationFt, accuracyOf(p.Accuracy)}
	if test.Method == leakage.OnePoint {
		out.Inputs.AssumedExponent = &p.AssumedExponent
	}
	return frame.Answer{Body: out}, nil
}

func fanAnswer(test leakage.FanTest) fanTestAnswer {
	out := fanTestAnswer{Method: test.Method, LeakageCFM: test.LeakageCFM, Exponent: test.Exponent, Coefficient: test.Coefficient,
		Uncertainty: uncertaintyOf(test.Uncertainty), Quality: test.Quality, Extrapolated: test.Extrapolated, MethodVersion: leakage.FanTestVersion}
	if test.Limits != nil {
		out.LeakageLowCFM, out.LeakageHighCFM = &test.Limits.Low, &test.Limits.High
	}
	if fit := test.Fit; fit != nil {
		out.RSquared, out.ExponentSE, out.LogCoefficientSE = &fit.RSquared, &fit.ExponentSE, &fit.LogCoefficientSE
		out.LogLeakageSE, out.ResidualSD, out.DegreesOfFreedom = &fit.LogLeakageSE, &fit.ResidualSD, &fit.DegreesOfFreedom
		out.ExponentLow, out.ExponentHigh = &fit.ExponentLimits.Low, &fit.ExponentLimits.High
		out.CoefficientLow, out.CoefficientHigh = &test.Coefficients.Low, &test.Coefficients.High
		out.FitLowCFM, out.FitHighCFM = &fit.LeakageLimits.Low, &fit.LeakageLimits.High
	}
	return out
}

// faults are what only several fields together show.
func (b *FanTest) faults() (faults []domain.Fault) {
	if b.Exponent != nil && len(b.Readings) > 1 {
		faults = append(faults, domain.Fault{Pointer: "/exponent", Code: "not_taken",
			Detail: "two and more readings have an exponent of their own", Fix: "leave it out, or send one reading"})
	}
	for i, r := range b.Readings {
		at := "/readings/" + strconv.Itoa(i)
		if r.FlowCFM != nil && r.FanPressurePa != nil {
			faults = append(faults, domain.Fault{Pointer: at + "/flow_cfm", Code: "not_taken",
				Detail: "the flow is given twice: as read, and by the fan's pressure", Fix: "send one of the two"})
		}
		if r.FanPressurePa != nil && len(b.FlowEquations) == 0 {
			faults = append(faults, domain.Fault{Pointer: "/flow_equations", Code: "required",
				Detail: "reading " + strconv.Itoa(i) + " has the fan's pressure, and no equation says what flow it means",
				Fix:    "send the equations of the instrument's certificate"})
			break
		}
	}
	return faults
}

// corrected are the readings with all that is done to them before the fit.
func (b *FanTest) corrected() (readings []leakage.Reading, corrections []string, air *leakage.Corrections, err error) {
	corrections = []string{}
	if readings, err = b.flows(); err != nil {
		return nil, nil, nil, err
	}
	if len(b.ZeroBeforePa)+len(b.ZeroAfterPa) > 0 {
		if readings, err = leakage.SubtractZero(readings, b.ZeroBeforePa, b.ZeroAfterPa); err != nil {
			return nil, nil, nil, err
		}
		corrections = append(corrections, "zero_flow_pressure")
	}
	if len(b.FlowEquations) > 0 {
		corrections = append(corrections, "flow_equation")
	}
	if b.Direction == "" || b.InsideF == nil || b.OutsideF == nil {
		return readings, corrections, nil, nil
	}
	found, err := b.air().Corrections()
	if err != nil {
		return nil, nil, nil, err
	}
	if readings, err = found.Readings(readings); err != nil {
		return nil, nil, nil, err
	}
	if found.Meter != 1 {
		corrections = append(corrections, "meter_air")
	}
	if found.Leak != 1 {
		corrections = append(corrections, "leak_flow")
	}
	return readings, corrections, &found, nil
}

// flows are the flows as read, or by the certificate's equation of the range.
// Every reading that the certificate does not cover is named.
func (b *FanTest) flows() ([]leakage.Reading, error) {
	equation := rules.FlowEquation(b.FlowEquations)
	if len(b.FlowEquations) > 0 {
		if err := equation.Check(); err != nil {
			return nil, err
		}
	}
	readings := make([]leakage.Reading, len(b.Readings))
	var faults []domain.Fault
	for i, r := range b.Readings {
		readings[i].PressurePa = r.PressurePa
		if r.FlowCFM != nil {
			readings[i].FlowCFM = *r.FlowCFM
			continue
		}
		flow, err := equation.Flow(r.Range, *r.FanPressurePa)
		var refusal *stat.Refusal
		if errors.As(stat.Under("/readings/"+strconv.Itoa(i), err), &refusal) {
			faults = append(faults, frame.FaultOf(refusal))
		}
		readings[i].FlowCFM = flow
	}
	return readings, domain.InvalidFields(faults)
}

// Degrees and feet in the units of the standards.
const (
	freezingF     = 32.0
	degreesFPerC  = 1.8
	metersPerFoot = 0.3048
)

// air is the air during the test.
func (b *FanTest) air() leakage.TestAir {
	elevation := 0.0
	if b.ElevationFt != nil {
		elevation = *b.ElevationFt * metersPerFoot
	}
	at := func(f float64) leakage.Air {
		return leakage.Air{TemperatureC: (f - freezingF) / degreesFPerC, ElevationM: elevation}
	}
	air := leakage.TestAir{Direction: b.Direction, FanTakes: b.FanTakes, Quantity: b.Quantity, Home: at(*b.InsideF), Outside: at(*b.OutsideF)}
	if air.FanTakes == "" {
		air.FanTakes = leakage.HomeAir
	}
	if air.Quantity == "" {
		air.Quantity = leakage.ScopeTotal
	}
	if b.FanF != nil {
		fan := at(*b.FanF)
		air.Fan = &fan
	}
	if b.CalibrationDensity != nil {
		air.CalibrationDensity = *b.CalibrationDensity
	}
	return air
}

func fahrenheit(c float64) float64 { return c*degreesFPerC + freezingF }
