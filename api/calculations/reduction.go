package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// One test before the work and one after it.
type ReductionTests struct {
	Before leakageFigure `json:"before"`
	After  leakageFigure `json:"after"`
	// One gauge, fan and ring did both, so that their calibration cancels.
	SameInstrument bool `json:"same_instrument,omitzero" default:"false"`
	// Heated floor area in ft².
	FloorAreaFt2 *float64 `json:"floor_area_ft2,omitzero" validate:"omitempty,gt=0,lte=10000" step:"1"`
}

// Leakage at 25 Pa with its uncertainty; absent, that of one reading at 25 Pa by common practice.
type leakageFigure struct {
	// Leakage to anywhere or to outside.
	Quantity leakage.Scope `json:"quantity"`
	// cfm at 25 Pa.
	LeakageCFM25 float64 `json:"leakage_cfm25" validate:"gt=0,lte=20000"`
	// The part of the instrument.
	CalibrationU *float64 `json:"calibration_u_ratio,omitzero" validate:"required_with=RandomU,omitempty,gte=0,lte=1"`
	// The rest.
	RandomU *float64 `json:"random_u_ratio,omitzero" validate:"required_with=CalibrationU Freedom,omitempty,gte=0,lte=1"`
	// Behind the random part; 0 is as good as infinitely many.
	Freedom *float64 `json:"degrees_of_freedom,omitzero" validate:"omitempty,gte=0,lte=100000000"`
}

// uncertainty is the figure's own, or the usual one.
func (f *leakageFigure) uncertainty() (leakage.Uncertainty, error) {
	return uncertaintyFrom(f.LeakageCFM25, f.CalibrationU, f.RandomU, f.Freedom)
}

func uncertaintyFrom(cfm25 float64, calibration, random *float64, freedom *float64) (leakage.Uncertainty, error) {
	if calibration == nil || random == nil {
		return usualUncertainty(cfm25)
	}
	u := leakage.Uncertainty{Calibration: *calibration, Random: *random}
	if freedom != nil {
		u.Freedom = *freedom
	}
	return u, nil
}

// What changed, not rounded. Limits are of 95 % intervals; uncertainties are standard.
type reductionAnswer struct {
	// reduction.
	Method string `json:"method"`
	// Before less after.
	ReductionCFM25     float64 `json:"reduction_cfm25"`
	ReductionCFM25U    float64 `json:"reduction_cfm25_u"`
	ReductionCFM25Low  float64 `json:"reduction_cfm25_low"`
	ReductionCFM25High float64 `json:"reduction_cfm25_high"`
	// 1 − after/before.
	Ratio     float64 `json:"reduction_ratio"`
	RatioU    float64 `json:"reduction_ratio_u"`
	RatioLow  float64 `json:"reduction_ratio_low"`
	RatioHigh float64 `json:"reduction_ratio_high"`
	// ln of before over after.
	Log             float64  `json:"log_reduction"`
	LogU            float64  `json:"log_reduction_u"`
	LogLow          float64  `json:"log_reduction_low"`
	LogHigh         float64  `json:"log_reduction_high"`
	BeforePer100Ft2 *float64 `json:"before_cfm25_per_100ft2,omitzero"`
	AfterPer100Ft2  *float64 `json:"after_cfm25_per_100ft2,omitzero"`
	// Per 100 ft² of floor.
	PerArea     *float64 `json:"reduction_cfm25_per_100ft2,omitzero"`
	PerAreaU    *float64 `json:"reduction_cfm25_per_100ft2_u,omitzero"`
	PerAreaLow  *float64 `json:"reduction_cfm25_per_100ft2_low,omitzero"`
	PerAreaHigh *float64 `json:"reduction_cfm25_per_100ft2_high,omitzero"`
	// The smallest reduction that these tests could have told from none.
	SmallestRatio float64 `json:"smallest_reduction_ratio"`
	// reduced, increased or not_distinguishable.
	Change leakage.Change `json:"change"`
	// The change, from none, by these tests.
	Distinguishable bool `json:"distinguishable"`
	// What to say where it is not.
	Note string `json:"note,omitzero"`
	// Of every low and high here.
	Level float64 `json:"level_ratio"`
	// Between standard uncertainties and limits: 1.96, or Student's t where a fit has few degrees of freedom.
	Coverage float64 `json:"coverage_factor"`
	// Behind it; 0 is as good as infinitely many.
	Freedom float64 `json:"degrees_of_freedom"`
	// The version of the computation.
	MethodVersion string          `json:"method_version"`
	Inputs        reductionInputs `json:"inputs"`
}

type reductionInputs struct {
	Quantity          leakage.Scope       `json:"quantity"`
	BeforeCFM25       float64             `json:"before_cfm25"`
	BeforeUncertainty RelativeUncertainty `json:"before_uncertainty"`
	AfterCFM25        float64             `json:"after_cfm25"`
	AfterUncertainty  RelativeUncertainty `json:"after_uncertainty"`
	SharedCalibration float64             `json:"shared_calibration"`
	FloorAreaFt2      *float64            `json:"floor_area_ft2,omitzero"`
}

// quantitiesDiffer is the code of a refusal to compare two quantities.
const quantitiesDiffer = "quantities_differ"

// calculateReduction compares two figures of one quantity.
func calculateReduction(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body ReductionTests
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	if body.Before.Quantity != body.After.Quantity {
		return frame.Answer{}, frame.Refused(stat.Refuse(quantitiesDiffer, "/after/quantity", "compare two tests of one quantity",
			"before is leakage %s and after is leakage %s: they never mix in one reduction", named(body.Before.Quantity), named(body.After.Quantity)))
	}
	before, err := body.Before.uncertainty()
	if err != nil {
		return frame.Answer{}, frame.Refused(stat.Under("/before", err))
	}
	after, err := body.After.uncertainty()
	if err != nil {
		return frame.Answer{}, frame.Refused(stat.Under("/after", err))
	}
	p := leakage.DefaultReductionParameters()
	if body.SameInstrument {
		p.SharedCalibration = 1
	}
	if body.FloorAreaFt2 != nil {
		p.FloorAreaFt2 = *body.FloorAreaFt2
	}
	change, err := reduce(body.Before.Quantity, body.Before.LeakageCFM25, before, body.After.LeakageCFM25, after, p)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	out := reductionOf(change)
	out.Inputs = reductionInputs{body.Before.Quantity, body.Before.LeakageCFM25, uncertaintyOf(before), body.After.LeakageCFM25, uncertaintyOf(after),
		p.SharedCalibration, body.FloorAreaFt2}
	return frame.Answer{Body: out}, nil
}

func named(quantity leakage.Scope) string {
	if quantity == leakage.ScopeTotal {
		return "to anywhere"
	}
	return "to outside"
}

// reduce picks the quantity, whose two types do not mix.
func reduce(quantity leakage.Scope, before float64, u leakage.Uncertainty, after float64, v leakage.Uncertainty, p leakage.ReductionParameters) (leakage.Reduction, error) {
	if quantity == leakage.ScopeTotal {
		return leakage.Reduce(leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(before), Uncertainty: u},
			leakage.Measured[leakage.TotalLeakage]{CFM25: leakage.TotalLeakage(after), Uncertainty: v}, p)
	}
	return leakage.Reduce(leakage.Measured[leakage.OutsideLeakage]{CFM25: leakage.OutsideLeakage(before), Uncertainty: u},
		leakage.Measured[leakage.OutsideLeakage]{CFM25: leakage.OutsideLeakage(after), Uncertainty: v}, p)
}

func reductionOf(r leakage.Reduction) reductionAnswer {
	out := reductionAnswer{
		Method:         "reduction",
		ReductionCFM25: r.Absolute.Value, ReductionCFM25U: r.Absolute.U, ReductionCFM25Low: r.Absolute.Limits.Low, ReductionCFM25High: r.Absolute.Limits.High,
		Ratio: r.Ratio.Value, RatioU: r.Ratio.U, RatioLow: r.Ratio.Limits.Low, RatioHigh: r.Ratio.Limits.High,
		Log: r.Log.Value, LogU: r.Log.U, LogLow: r.Log.Limits.Low, LogHigh: r.Log.Limits.High,
		SmallestRatio: r.SmallestRatio, Change: r.Change, Distinguishable: r.Change != leakage.NoChange, Note: r.Note,
		Level: leakage.Level95, Coverage: r.Factor, Freedom: r.DegreesOfFreedom, MethodVersion: leakage.ReductionVersion,
	}
	if area := r.PerArea; area != nil {
		out.BeforePer100Ft2, out.AfterPer100Ft2 = &area.Before, &area.After
		out.PerArea, out.PerAreaU = &area.Reduction.Value, &area.Reduction.U
		out.PerAreaLow, out.PerAreaHigh = &area.Reduction.Limits.Low, &area.Reduction.Limits.High
	}
	return out
}
