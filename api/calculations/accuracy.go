package calculations

import "ductledger/domain/leakage"

// How well the instrument and its use are known; absent, ± 3 % flow, ± 1 % pressure, 2 % for a test done again.
type Accuracy struct {
	// ± share of the flow as the certificate states it.
	FlowAccuracyRatio *float64 `json:"flow_accuracy_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// ± share of the pressure as the certificate states it.
	PressureAccuracyRatio *float64 `json:"pressure_accuracy_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// k of a certificate that states one; without, the limits are taken as rectangular.
	CoverageFactor *float64 `json:"coverage_factor,omitzero" validate:"omitempty,gte=1,lte=4"`
	// Standard uncertainty of a test done again.
	RepeatabilityURatio *float64 `json:"repeatability_u_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// Standard uncertainty of an exponent that is assumed.
	ExponentU *float64 `json:"exponent_u,omitzero" validate:"omitempty,gte=0,lte=0.5"`
}

// over lays what was sent over the usual accuracy. Limits without a coverage
// factor are rectangular.
func (b *Accuracy) over(a leakage.Accuracy) leakage.Accuracy {
	if b == nil {
		return a
	}
	standard := leakage.Rectangular
	if b.CoverageFactor != nil {
		standard = func(half float64) float64 { return leakage.Expanded(half, *b.CoverageFactor) }
	}
	if b.FlowAccuracyRatio != nil {
		a.Flow = standard(*b.FlowAccuracyRatio)
	}
	if b.PressureAccuracyRatio != nil {
		a.Pressure = standard(*b.PressureAccuracyRatio)
	}
	if b.RepeatabilityURatio != nil {
		a.Repeatability = *b.RepeatabilityURatio
	}
	if b.ExponentU != nil {
		a.Exponent = *b.ExponentU
	}
	return a
}

// accuracyInputs are the standard uncertainties that were used.
type accuracyInputs struct {
	FlowURatio          float64 `json:"flow_u_ratio"`
	PressureURatio      float64 `json:"pressure_u_ratio"`
	ExponentU           float64 `json:"exponent_u"`
	RepeatabilityURatio float64 `json:"repeatability_u_ratio"`
}

func accuracyOf(a leakage.Accuracy) accuracyInputs {
	return accuracyInputs{a.Flow, a.Pressure, a.Exponent, a.Repeatability}
}

// Relative standard uncertainty, in two parts, since only the second is left between two tests with one instrument.
type RelativeUncertainty struct {
	// The instrument's.
	Calibration float64 `json:"calibration_u_ratio"`
	// Scatter, repeatability, an assumed exponent.
	Random float64 `json:"random_u_ratio"`
	// Both together.
	Relative float64 `json:"relative_u_ratio"`
	// Behind the random part; 0 is as good as infinitely many.
	Freedom float64 `json:"degrees_of_freedom" validate:"gte=0"`
}

func uncertaintyOf(u leakage.Uncertainty) RelativeUncertainty {
	return RelativeUncertainty{u.Calibration, u.Random, u.Relative(), u.Freedom}
}

// usualUncertainty is that of one reading at 25 Pa by common practice, for a
// figure that comes without its own.
func usualUncertainty(cfm25 float64) (leakage.Uncertainty, error) {
	p := leakage.DefaultFanParameters()
	test, err := leakage.Fan([]leakage.Reading{{PressurePa: p.ReferencePa, FlowCFM: cfm25}}, p)
	return test.Uncertainty, err
}
