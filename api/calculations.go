package api

import (
	"context"
	"errors"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

type fanTestBody struct {
	Readings []struct {
		PressurePa float64 `json:"pressure_pa"`
		FlowCFM    float64 `json:"flow_cfm"`
	} `json:"readings"`
	ReferencePressurePa *float64 `json:"reference_pressure_pa,omitzero"`
	Exponent            *float64 `json:"exponent,omitzero"`
}

type fanTestAnswer struct {
	Method           leakage.Method  `json:"method"`
	LeakageCFM       float64         `json:"leakage_cfm"`
	Exponent         float64         `json:"exponent"`
	Coefficient      float64         `json:"coefficient"`
	RSquared         *float64        `json:"r_squared,omitzero"`
	ExponentSE       *float64        `json:"exponent_se,omitzero"`
	LogCoefficientSE *float64        `json:"log_coefficient_se,omitzero"`
	ExponentLow      *float64        `json:"exponent_low,omitzero"`
	ExponentHigh     *float64        `json:"exponent_high,omitzero"`
	CoefficientLow   *float64        `json:"coefficient_low,omitzero"`
	CoefficientHigh  *float64        `json:"coefficient_high,omitzero"`
	LeakageLowCFM    *float64        `json:"leakage_low_cfm,omitzero"`
	LeakageHighCFM   *float64        `json:"leakage_high_cfm,omitzero"`
	Quality          leakage.Quality `json:"quality"`
	Extrapolated     bool            `json:"extrapolated"`
	MethodVersion    string          `json:"method_version"`
}

// fanTest computes leakage from the readings of a fan test. The limits of a
// fit are its own t limits; a single reading's come from the accuracy of
// instruments as a specification states it.
func (s *Server) fanTest(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body fanTestBody
	if err := s.contract.decode("calculateFanTest", r.Body, &body); err != nil {
		return answer{}, err
	}
	p := leakage.DefaultFanParameters()
	if body.ReferencePressurePa != nil {
		p.ReferencePa = *body.ReferencePressurePa
	}
	if body.Exponent != nil {
		if len(body.Readings) > 1 {
			return answer{}, domain.InvalidFields([]domain.Fault{{Pointer: "/exponent", Code: "not_taken",
				Detail: "two and more readings have an exponent of their own", Fix: "leave it out, or send one reading"}})
		}
		p.AssumedExponent = *body.Exponent
	}
	readings := make([]leakage.Reading, len(body.Readings))
	for i, r := range body.Readings {
		readings[i] = leakage.Reading{PressurePa: r.PressurePa, FlowCFM: r.FlowCFM}
	}
	test, err := leakage.Fan(readings, p)
	if err != nil {
		return answer{}, refused(err)
	}
	out := fanTestAnswer{Method: test.Method, LeakageCFM: test.LeakageCFM, Exponent: test.Exponent, Coefficient: test.Coefficient,
		Quality: test.Quality, Extrapolated: test.Extrapolated, MethodVersion: leakage.MethodVersion}
	if fit := test.Fit; fit != nil {
		out.RSquared, out.ExponentSE, out.LogCoefficientSE = &fit.RSquared, &fit.ExponentSE, &fit.LogCoefficientSE
		out.ExponentLow, out.ExponentHigh = &fit.ExponentLimits.Low, &fit.ExponentLimits.High
		out.CoefficientLow, out.CoefficientHigh = &fit.CoefficientLimits.Low, &fit.CoefficientLimits.High
		out.LeakageLowCFM, out.LeakageHighCFM = &fit.LeakageLimits.Low, &fit.LeakageLimits.High
	} else if test.Limits != nil {
		out.LeakageLowCFM, out.LeakageHighCFM = &test.Limits.Low, &test.Limits.High
	}
	return answer{Body: out}, nil
}

type subtractionBody struct {
	HousePressurePa float64  `json:"house_pressure_pa"`
	WholeCFM        float64  `json:"whole_cfm"`
	MaskedCFM       float64  `json:"masked_cfm"`
	HouseToDuctPa   float64  `json:"house_to_duct_pa"`
	Exponent        *float64 `json:"exponent,omitzero"`
}

type subtractionAnswer struct {
	CorrectionFactor float64         `json:"correction_factor"`
	LeakageCFM50     float64         `json:"leakage_cfm50"`
	LeakageCFM25     float64         `json:"leakage_cfm25"`
	LeakageLowCFM25  float64         `json:"leakage_low_cfm25"`
	LeakageHighCFM25 float64         `json:"leakage_high_cfm25"`
	Exponent         float64         `json:"exponent"`
	Quality          leakage.Quality `json:"quality"`
	Why              string          `json:"why,omitzero"`
	MethodVersion    string          `json:"method_version"`
}

// subtraction computes leakage to outside from two blower-door tests.
func (s *Server) subtraction(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body subtractionBody
	if err := s.contract.decode("calculateSubtraction", r.Body, &body); err != nil {
		return answer{}, err
	}
	p := leakage.DefaultSubtractionParameters()
	if body.Exponent != nil {
		p.Exponent = *body.Exponent
	}
	a, err := leakage.Subtract(leakage.SubtractionTest{HousePa: body.HousePressurePa, WholeCFM: body.WholeCFM,
		MaskedCFM: body.MaskedCFM, HouseToDuctPa: body.HouseToDuctPa}, p)
	if err != nil {
		return answer{}, refused(err)
	}
	return answer{Body: subtractionAnswer{a.CorrectionFactor, a.LeakageCFM50, a.LeakageCFM25, a.Limits.Low, a.Limits.High,
		a.Exponent, a.Quality, a.Why, leakage.SubtractionVersion}}, nil
}

// refused turns a computation's refusal into an answer that names the reading.
func refused(err error) error {
	var r *stat.Refusal
	if !errors.As(err, &r) {
		return err
	}
	code := domain.Invalid
	if r.Code == string(domain.ExponentOutside) {
		code = domain.ExponentOutside
	}
	return &domain.Error{Code: code, Detail: r.Detail, Faults: []domain.Fault{{Pointer: r.Argument, Code: r.Code, Detail: r.Detail, Fix: r.Fix}}}
}
