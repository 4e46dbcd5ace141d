package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
)

// A blower door test of the whole home, then with registers masked.
type SubtractionTest struct {
	// Pressure at which the home was held in Pa.
	HousePressurePa float64 `json:"house_pressure_pa" validate:"gt=0,lte=100" step:"0.1"`
	// Flow of the whole home in cfm.
	WholeCFM float64 `json:"whole_cfm" validate:"gt=0,lte=20000" step:"1"`
	// Flow with the registers masked in cfm.
	MaskedCFM float64 `json:"masked_cfm" validate:"gt=0,lte=20000" step:"1"`
	// Pressure of the home against the masked ducts in Pa.
	HouseToDuctPa float64 `json:"house_to_duct_pa" validate:"gt=0,lte=100" step:"0.1"`
	// n.
	Exponent *float64  `json:"exponent,omitzero" validate:"omitempty,gte=0.5,lte=1" default:"0.65"`
	Accuracy *Accuracy `json:"accuracy,omitzero"`
}

// Leakage to outside by subtraction, not rounded. Limits are of 95 % intervals with all that is not known in them: the
// meters' calibration, doing the tests again, the pressure between home and ducts, and the exponent.
type subtractionAnswer struct {
	// subtraction.
	Method           domain.Method `json:"method"`
	CorrectionFactor float64       `json:"correction_factor"`
	// cfm at 50 Pa.
	LeakageCFM50 float64 `json:"leakage_cfm50"`
	// cfm at 25 Pa.
	LeakageCFM25     float64 `json:"leakage_cfm25"`
	LeakageLowCFM25  float64 `json:"leakage_low_cfm25"`
	LeakageHighCFM25 float64 `json:"leakage_high_cfm25"`
	// Of every low and high here.
	Level float64 `json:"level_ratio"`
	// Between the standard uncertainty and its limits; where below_limit, the limits are 0 and limit_cfm25.
	Coverage float64 `json:"coverage_factor"`
	// Standard uncertainty of the leakage at 25 Pa.
	UncertaintyCFM25 float64 `json:"uncertainty_cfm25"`
	// n as used.
	Exponent float64 `json:"exponent"`
	// good, weak or undecided.
	Quality leakage.Quality `json:"quality"`
	// Why the quality is not good.
	Why string `json:"why,omitzero"`
	// The two tests differ by no more than their uncertainty: the leakage is some value up to the limit.
	BelowLimit bool `json:"below_limit"`
	// What the method can tell at least; where below_limit.
	LimitCFM25 *float64 `json:"limit_cfm25,omitzero"`
	// The version of the computation.
	MethodVersion string            `json:"method_version"`
	Inputs        subtractionInputs `json:"inputs"`
}

type subtractionInputs struct {
	HousePressurePa float64        `json:"house_pressure_pa"`
	WholeCFM        float64        `json:"whole_cfm"`
	MaskedCFM       float64        `json:"masked_cfm"`
	HouseToDuctPa   float64        `json:"house_to_duct_pa"`
	Exponent        float64        `json:"exponent"`
	Accuracy        accuracyInputs `json:"accuracy"`
}

// calculateSubtraction computes leakage to outside from two blower-door tests, says
// how well it is known, and why where that is not well.
func calculateSubtraction(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body SubtractionTest
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	p := leakage.DefaultSubtractionParameters()
	if body.Exponent != nil {
		p.Exponent = *body.Exponent
	}
	p.Accuracy = body.Accuracy.over(p.Accuracy)
	a, err := leakage.Subtract(leakage.SubtractionTest{HousePa: body.HousePressurePa, WholeCFM: body.WholeCFM,
		MaskedCFM: body.MaskedCFM, HouseToDuctPa: body.HouseToDuctPa}, p)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	var limit *float64
	if a.BelowLimit {
		limit = &a.LimitCFM25
	}
	return frame.Answer{Body: subtractionAnswer{domain.Subtraction, a.CorrectionFactor, a.LeakageCFM50, a.LeakageCFM25, a.Limits.Low, a.Limits.High,
		leakage.Level95, p.Coverage, a.UncertaintyCFM25, a.Exponent, a.Quality, a.Why, a.BelowLimit, limit, leakage.SubtractionVersion,
		subtractionInputs{body.HousePressurePa, body.WholeCFM, body.MaskedCFM, body.HouseToDuctPa, p.Exponent, accuracyOf(p.Accuracy)}}}, nil
}
