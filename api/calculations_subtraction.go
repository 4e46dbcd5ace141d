package api

import (
	"context"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

type subtractionBody struct {
	HousePressurePa float64       `json:"house_pressure_pa"`
	WholeCFM        float64       `json:"whole_cfm"`
	MaskedCFM       float64       `json:"masked_cfm"`
	HouseToDuctPa   float64       `json:"house_to_duct_pa"`
	Exponent        *float64      `json:"exponent,omitzero"`
	Accuracy        *accuracyBody `json:"accuracy,omitzero"`
}

type subtractionAnswer struct {
	Method           domain.Method     `json:"method"`
	CorrectionFactor float64           `json:"correction_factor"`
	LeakageCFM50     float64           `json:"leakage_cfm50"`
	LeakageCFM25     float64           `json:"leakage_cfm25"`
	LeakageLowCFM25  float64           `json:"leakage_low_cfm25"`
	LeakageHighCFM25 float64           `json:"leakage_high_cfm25"`
	UncertaintyCFM25 float64           `json:"uncertainty_cfm25"`
	Exponent         float64           `json:"exponent"`
	Quality          leakage.Quality   `json:"quality"`
	Why              string            `json:"why,omitzero"`
	MethodVersion    string            `json:"method_version"`
	Inputs           subtractionInputs `json:"inputs"`
}

type subtractionInputs struct {
	HousePressurePa float64        `json:"house_pressure_pa"`
	WholeCFM        float64        `json:"whole_cfm"`
	MaskedCFM       float64        `json:"masked_cfm"`
	HouseToDuctPa   float64        `json:"house_to_duct_pa"`
	Exponent        float64        `json:"exponent"`
	Accuracy        accuracyInputs `json:"accuracy"`
}

// subtraction computes leakage to outside from two blower-door tests, says
// how well it is known, and why where that is not well.
func (s *Server) subtraction(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body subtractionBody
	if err := s.contract.decode("calculateSubtraction", r.Body, &body); err != nil {
		return answer{}, err
	}
	p := leakage.DefaultSubtractionParameters()
	if body.Exponent != nil {
		p.Exponent = *body.Exponent
	}
	p.Accuracy = body.Accuracy.over(p.Accuracy)
	a, err := leakage.Subtract(leakage.SubtractionTest{HousePa: body.HousePressurePa, WholeCFM: body.WholeCFM,
		MaskedCFM: body.MaskedCFM, HouseToDuctPa: body.HouseToDuctPa}, p)
	if err != nil {
		return answer{}, refused(err)
	}
	return answer{Body: subtractionAnswer{domain.Subtraction, a.CorrectionFactor, a.LeakageCFM50, a.LeakageCFM25, a.Limits.Low, a.Limits.High,
		a.UncertaintyCFM25, a.Exponent, a.Quality, a.Why, leakage.SubtractionVersion,
		subtractionInputs{body.HousePressurePa, body.WholeCFM, body.MaskedCFM, body.HouseToDuctPa, p.Exponent, accuracyOf(p.Accuracy)}}}, nil
}
