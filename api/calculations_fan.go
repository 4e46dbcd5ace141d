package api

import (
	"context"
	"errors"
	"strconv"
	"strings"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/rules"
	"ductledger/domain/stat"
)

// The readings of a fan test.
type fanTestBody struct {
	Readings []fanTestReading `json:"readings" validate:"min=1,max=100,dive"`
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
	// Which way the fan pushes.
	Direction leakage.Direction `json:"direction,omitzero" validate:"required_with=InsideF OutsideF ElevationFt"`
	// Air where the fan takes it when it pressurizes in °F.
	InsideF *float64 `json:"inside_f,omitzero" validate:"required_with=Direction OutsideF,omitempty,gte=-60,lte=140" step:"1"`
	// Air beyond the leaks in °F.
	OutsideF *float64 `json:"outside_f,omitzero" validate:"required_with=Direction InsideF,omitempty,gte=-75,lte=140" step:"1"`
	// Height above the sea in ft.
	ElevationFt *float64      `json:"elevation_ft,omitzero" validate:"omitempty,gte=-1000,lte=15000" step:"1" default:"0"`
	Accuracy    *accuracyBody `json:"accuracy,omitzero"`
}

// A pressure, and the flow as read; or the fan's own pressure and range, from which the flow follows by its equation.
type fanTestReading struct {
	// Pressure in the duct in Pa.
	PressurePa float64 `json:"pressure_pa" validate:"gt=0,lte=500" step:"0.1"`
	// Flow through the fan in cfm.
	FlowCFM *float64 `json:"flow_cfm,omitzero" validate:"omitempty,gt=0,lte=20000" step:"1"`
	// Pressure across the fan in Pa.
	FanPressurePa *float64 `json:"fan_pressure_pa,omitzero" validate:"required_with=Range,omitempty,gt=0,lte=500" step:"0.1"`
	// The fan's range, as its flow equation names it.
	Range string `json:"range,omitzero" validate:"required_with=FanPressurePa,omitempty,min=1,max=20"`
}

// Leakage at the reference pressure, not rounded. Limits are of 95 % intervals. Those of a fit are its t limits;
// `leakage_with_calibration_low_cfm` and `…_high_cfm` add what the fit cannot see, the instrument's calibration.
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
	DegreesOfFreedom *int              `json:"degrees_of_freedom,omitzero"`
	ExponentLow      *float64          `json:"exponent_low,omitzero"`
	ExponentHigh     *float64          `json:"exponent_high,omitzero"`
	CoefficientLow   *float64          `json:"coefficient_low,omitzero"`
	CoefficientHigh  *float64          `json:"coefficient_high,omitzero"`
	LeakageLowCFM    *float64          `json:"leakage_low_cfm,omitzero"`
	LeakageHighCFM   *float64          `json:"leakage_high_cfm,omitzero"`
	WithLowCFM       *float64          `json:"leakage_with_calibration_low_cfm,omitzero"`
	WithHighCFM      *float64          `json:"leakage_with_calibration_high_cfm,omitzero"`
	Uncertainty      uncertaintyAnswer `json:"uncertainty"`
	// good or weak.
	Quality leakage.Quality `json:"quality"`
	// The reference pressure lies outside the readings.
	Extrapolated bool `json:"extrapolated"`
	// What was corrected, in this order: zero_flow_pressure, flow_equation, leak_flow, reference_air.
	Corrections []string `json:"corrections"`
	// Pressure and flow as they went into the computation, where something was corrected.
	Corrected []fanPair `json:"corrected_readings,omitzero"`
	// The version of the computation.
	MethodVersion string        `json:"method_version"`
	Inputs        fanTestInputs `json:"inputs"`
}

type fanPair struct {
	PressurePa float64 `json:"pressure_pa"`
	FlowCFM    float64 `json:"flow_cfm"`
}

// fanTestInputs are the request with the default of each setting.
type fanTestInputs struct {
	Readings            []fanTestReading      `json:"readings"`
	ReferencePressurePa float64               `json:"reference_pressure_pa"`
	AssumedExponent     *float64              `json:"assumed_exponent,omitzero"`
	MinimumReadings     int                   `json:"minimum_readings_count"`
	FlowEquations       []domain.FlowEquation `json:"flow_equations,omitzero"`
	ZeroBeforePa        []float64             `json:"zero_before_pa,omitzero"`
	ZeroAfterPa         []float64             `json:"zero_after_pa,omitzero"`
	Direction           leakage.Direction     `json:"direction,omitzero"`
	InsideF             *float64              `json:"inside_f,omitzero"`
	OutsideF            *float64              `json:"outside_f,omitzero"`
	ElevationFt         *float64              `json:"elevation_ft,omitzero"`
	Accuracy            accuracyInputs        `json:"accuracy"`
}

// fanTest computes leakage from the readings of a fan test. The limits of a
// fit are its own t limits, and beside them those with the calibration; a
// single reading's come from the accuracy of the instrument.
func (s *Server) fanTest(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body fanTestBody
	if err := s.contract.decode("calculateFanTest", r.Body, &body); err != nil {
		return answer{}, err
	}
	if err := domain.InvalidFields(body.faults()); err != nil {
		return answer{}, err
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
	readings, corrections, err := body.corrected()
	if err != nil {
		return answer{}, refused(err)
	}
	test, err := leakage.Fan(readings, p)
	if err != nil {
		return answer{}, refused(err)
	}
	if air := body.air(); air != nil {
		if test, err = air.AtReferenceAir(test); err != nil {
			return answer{}, refused(renamed(err, airPointers()...))
		}
		corrections = append(corrections, "reference_air")
	}
	out := fanAnswer(test)
	out.Corrections = corrections
	if len(corrections) > 0 {
		for _, r := range readings {
			out.Corrected = append(out.Corrected, fanPair(r))
		}
	}
	out.Inputs = fanTestInputs{body.Readings, p.ReferencePa, nil, p.LeastReadings, body.FlowEquations, body.ZeroBeforePa, body.ZeroAfterPa,
		body.Direction, body.InsideF, body.OutsideF, body.ElevationFt, accuracyOf(p.Accuracy)}
	if test.Method == leakage.OnePoint {
		out.Inputs.AssumedExponent = &p.AssumedExponent
	}
	return answer{Body: out}, nil
}

func fanAnswer(test leakage.FanTest) fanTestAnswer {
	out := fanTestAnswer{Method: test.Method, LeakageCFM: test.LeakageCFM, Exponent: test.Exponent, Coefficient: test.Coefficient,
		Uncertainty: uncertaintyOf(test.Uncertainty), Quality: test.Quality, Extrapolated: test.Extrapolated, MethodVersion: leakage.FanTestVersion}
	if test.Limits != nil {
		out.WithLowCFM, out.WithHighCFM = &test.Limits.Low, &test.Limits.High
	}
	if fit := test.Fit; fit != nil {
		out.RSquared, out.ExponentSE, out.LogCoefficientSE = &fit.RSquared, &fit.ExponentSE, &fit.LogCoefficientSE
		out.LogLeakageSE, out.ResidualSD, out.DegreesOfFreedom = &fit.LogLeakageSE, &fit.ResidualSD, &fit.DegreesOfFreedom
		out.ExponentLow, out.ExponentHigh = &fit.ExponentLimits.Low, &fit.ExponentLimits.High
		out.CoefficientLow, out.CoefficientHigh = &fit.CoefficientLimits.Low, &fit.CoefficientLimits.High
		out.LeakageLowCFM, out.LeakageHighCFM = &fit.LeakageLimits.Low, &fit.LeakageLimits.High
	} else if test.Limits != nil {
		out.LeakageLowCFM, out.LeakageHighCFM = &test.Limits.Low, &test.Limits.High
	}
	return out
}

// faults are what only several fields together show.
func (b *fanTestBody) faults() (faults []domain.Fault) {
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
func (b *fanTestBody) corrected() (readings []leakage.Reading, corrections []string, err error) {
	corrections = []string{}
	if readings, err = b.flows(); err != nil {
		return nil, nil, err
	}
	if len(b.ZeroBeforePa)+len(b.ZeroAfterPa) > 0 {
		if readings, err = leakage.SubtractZero(readings, b.ZeroBeforePa, b.ZeroAfterPa); err != nil {
			return nil, nil, err
		}
		corrections = append(corrections, "zero_flow_pressure")
	}
	if len(b.FlowEquations) > 0 {
		corrections = append(corrections, "flow_equation")
	}
	if air := b.air(); air != nil {
		if readings, err = air.LeakReadings(readings); err != nil {
			return nil, nil, renamed(err, airPointers()...)
		}
		corrections = append(corrections, "leak_flow")
	}
	return readings, corrections, nil
}

// flows are the flows as read, or by the certificate's equation of the range.
// Every reading that the certificate does not cover is named.
func (b *fanTestBody) flows() ([]leakage.Reading, error) {
	equation := rules.FlowEquation(b.FlowEquations)
	if len(b.FlowEquations) > 0 {
		if err := equation.Check(); err != nil {
			return nil, equationPlace(err)
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
		if errors.As(renamed(err, "/instrument_pa", "/fan_pressure_pa"), &refusal) {
			moved := *refusal
			moved.Argument = "/readings/" + strconv.Itoa(i) + moved.Argument
			faults = append(faults, faultOf(&moved))
		}
		readings[i].FlowCFM = flow
	}
	return readings, domain.InvalidFields(faults)
}

// equationPlace names a range as the request does.
func equationPlace(err error) error {
	var r *stat.Refusal
	if !errors.As(err, &r) {
		return err
	}
	moved := *r
	for _, word := range [][2]string{{"/name", "/range"}, {"/low_pa", "/lowest_pa"}, {"/high_pa", "/highest_pa"}} {
		if at, ends := strings.CutSuffix(moved.Argument, word[0]); ends {
			moved.Argument = at + word[1]
			break
		}
	}
	return renamed(&moved, "/ranges", "/flow_equations")
}

// Degrees and feet in the units of the standards.
const (
	freezingF     = 32.0
	degreesFPerC  = 1.8
	metresPerFoot = 0.3048
)

// air is the air during the test; nil when it was not told.
func (b *fanTestBody) air() *leakage.TestAir {
	if b.Direction == "" || b.InsideF == nil || b.OutsideF == nil {
		return nil
	}
	elevation := 0.0
	if b.ElevationFt != nil {
		elevation = *b.ElevationFt * metresPerFoot
	}
	celsius := func(f float64) float64 { return (f - freezingF) / degreesFPerC }
	return &leakage.TestAir{
		Inside:    leakage.Air{TemperatureC: celsius(*b.InsideF), ElevationM: elevation},
		Outside:   leakage.Air{TemperatureC: celsius(*b.OutsideF), ElevationM: elevation},
		Direction: b.Direction,
	}
}

func airPointers() []string {
	return []string{"/inside/temperature_c", "/inside_f", "/outside/temperature_c", "/outside_f",
		"/inside/elevation_m", "/elevation_ft", "/outside/elevation_m", "/elevation_ft"}
}
