package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// What is known of the ducts, and the routes of which one is enough.
type LimitTest struct {
	Total   *alteredLeakage `json:"total,omitzero"`
	Outside *alteredLeakage `json:"outside,omitzero"`
	// Flow of the air handler as measured in cfm.
	AirHandler *float64 `json:"air_handler_cfm,omitzero" validate:"required_with=AirHandlerU,omitempty,gt=0,lte=20000"`
	// Its relative standard uncertainty.
	AirHandlerU *float64 `json:"air_handler_u_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// Cooling capacity in tons; 400 cfm per ton where the flow was not measured.
	CoolingTons *float64 `json:"cooling_tons,omitzero" validate:"omitempty,gt=0,lte=50"`
	// Heating output in Btu/h; 21.7 cfm per 1,000 Btu/h where neither is known.
	HeatingBtuH *float64 `json:"heating_btu_h,omitzero" validate:"omitempty,gt=0,lte=1000000"`
	// Heated floor area in ft².
	FloorAreaFt2 *float64 `json:"floor_area_ft2,omitzero" validate:"omitempty,gt=0,lte=10000"`
	// Every leak that can be reached is sealed, seen and shown with smoke.
	AllSealed *bool        `json:"all_sealed,omitzero"`
	Routes    []limitRoute `json:"routes" validate:"min=1,max=20,dive"`
	// Standard uncertainties between figure and limit.
	GuardFactor *float64 `json:"guard_factor,omitzero" validate:"omitempty,gte=0,lte=5" default:"1.645"`
}

// Leakage of one quantity after the work, and before it where that is known.
type alteredLeakage struct {
	// cfm at 25 Pa.
	BeforeCFM25 *float64 `json:"before_cfm25,omitzero" validate:"omitempty,gt=0,lte=20000"`
	// cfm at 25 Pa.
	AfterCFM25 float64 `json:"after_cfm25" validate:"gt=0,lte=20000"`
	// Of each test, the part of the instrument; absent, common practice.
	CalibrationU *float64 `json:"calibration_u_ratio,omitzero" validate:"required_with=RandomU,omitempty,gte=0,lte=1"`
	// Of each test, the rest.
	RandomU *float64 `json:"random_u_ratio,omitzero" validate:"required_with=CalibrationU,omitempty,gte=0,lte=1"`
	// One gauge, fan and ring did both.
	SameInstrument bool `json:"same_instrument,omitzero" default:"false"`
}

// One way to satisfy the rule; all that it demands must hold.
type limitRoute struct {
	Name string `json:"name" validate:"snake,min=2,max=60"`
	// Which leakage it looks at.
	Quantity leakage.Scope `json:"quantity"`
	// Of the flow of the air handler.
	AtMostShare *float64 `json:"at_most_share_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// Per 100 ft² of floor.
	AtMostPer100Ft2 *float64 `json:"at_most_cfm25_per_100ft2,omitzero" validate:"omitempty,gte=0,lte=1000"`
	// cfm at 25 Pa.
	AtMostCFM25 *float64 `json:"at_most_cfm25,omitzero" validate:"omitempty,gte=0,lte=20000"`
	// Of the leakage before.
	AtLeastReduction *float64 `json:"at_least_reduction_ratio,omitzero" validate:"omitempty,gte=0,lte=1"`
	// Demands that all is sealed.
	AllSealed bool `json:"all_sealed,omitzero"`
	// Where the limit stands.
	Source string `json:"source,omitzero" validate:"omitempty,min=1,max=200"`
}

// The decision and what led to it.
type limitAnswer struct {
	// limit.
	Method string `json:"method"`
	// passes, fails, retest or not_known.
	Decision leakage.Decision `json:"decision"`
	Routes   []routeAnswer    `json:"routes"`
	// As used.
	AirHandlerCFM *float64 `json:"air_handler_cfm,omitzero"`
	// measured, cooling_tons or heating_btu_h.
	AirHandlerFrom string `json:"air_handler_from,omitzero"`
	// The version of the computation.
	MethodVersion string      `json:"method_version"`
	Inputs        limitInputs `json:"inputs"`
}

type routeAnswer struct {
	Name     string           `json:"name"`
	Decision leakage.Decision `json:"decision"`
	Demands  []demandAnswer   `json:"demands"`
}

type demandAnswer struct {
	Demand   string           `json:"demand"`
	Value    *float64         `json:"value,omitzero"`
	U        *float64         `json:"value_u,omitzero"`
	Limit    float64          `json:"limit"`
	Decision leakage.Decision `json:"decision"`
}

type limitInputs struct {
	Request LimitTest `json:",embed"`
	Guard   float64   `json:"guard_factor_used"`
}

// calculateLimit decides whether ducts satisfy one of several routes.
func calculateLimit(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body LimitTest
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	guard := leakage.GuardOneSided
	if body.GuardFactor != nil {
		guard = *body.GuardFactor
	}
	a, from, err := body.alteration()
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	routes := make([]leakage.Route, len(body.Routes))
	for i, r := range body.Routes {
		routes[i] = leakage.Route{Name: r.Name, Scope: r.Quantity, AtMostShare: r.AtMostShare, AtMostPer100Ft2: r.AtMostPer100Ft2,
			AtMostCFM25: r.AtMostCFM25, AtLeastReduction: r.AtLeastReduction, AllSealed: r.AllSealed, Source: r.Source}
	}
	decision, outcomes, err := leakage.JudgeAlteration(a, routes, guard)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	out := limitAnswer{Method: "limit", Decision: decision, Routes: make([]routeAnswer, len(outcomes)), AirHandlerFrom: from,
		MethodVersion: leakage.AlteredVersion, Inputs: limitInputs{body, guard}}
	if from != "" {
		out.AirHandlerCFM = &a.AirHandlerCFM
	}
	for i, o := range outcomes {
		out.Routes[i] = routeAnswer{o.Route, o.Decision, make([]demandAnswer, len(o.Demands))}
		for j, d := range o.Demands {
			row := demandAnswer{Demand: d.Demand, Limit: d.Limit, Decision: d.Decision}
			if d.Decision != leakage.NotKnown {
				row.Value, row.U = &d.Value, &d.U
			}
			out.Routes[i].Demands[j] = row
		}
	}
	return frame.Answer{Body: out}, nil
}

// alteration is the body as the domain takes it, with the origin of the air
// handler's flow: measured before nominal.
func (b *LimitTest) alteration() (a leakage.Alteration, from string, err error) {
	if b.FloorAreaFt2 != nil {
		a.FloorAreaFt2 = *b.FloorAreaFt2
	}
	a.AllSealed = b.AllSealed
	switch {
	case b.AirHandler != nil:
		a.AirHandlerCFM, from = *b.AirHandler, "measured"
		if b.AirHandlerU != nil {
			a.AirHandlerU = *b.AirHandlerU
		}
	case b.CoolingTons != nil:
		a.AirHandlerCFM, err = leakage.FlowFromCooling(*b.CoolingTons)
		from = "cooling_tons"
	case b.HeatingBtuH != nil:
		a.AirHandlerCFM, err = leakage.FlowFromHeating(*b.HeatingBtuH)
		from = "heating_btu_h"
	}
	if err != nil {
		return a, from, err
	}
	if b.Total != nil {
		a.Total, a.TotalReduction, err = altered[leakage.TotalLeakage](b.Total)
		if err != nil {
			return a, from, stat.Under("/total", err)
		}
	}
	if b.Outside != nil {
		a.Outside, a.OutsideReduction, err = altered[leakage.OutsideLeakage](b.Outside)
		err = stat.Under("/outside", err)
	}
	return a, from, err
}

func altered[L leakage.Leakage](f *alteredLeakage) (*leakage.Measured[L], *leakage.Reduction, error) {
	u, err := uncertaintyFrom(f.AfterCFM25, f.CalibrationU, f.RandomU, nil)
	if err != nil {
		return nil, nil, err
	}
	after := leakage.Measured[L]{CFM25: L(f.AfterCFM25), Uncertainty: u}
	if f.BeforeCFM25 == nil {
		return &after, nil, nil
	}
	if u, err = uncertaintyFrom(*f.BeforeCFM25, f.CalibrationU, f.RandomU, nil); err != nil {
		return nil, nil, err
	}
	p := leakage.DefaultReductionParameters()
	if f.SameInstrument {
		p.SharedCalibration = 1
	}
	r, err := leakage.Reduce(leakage.Measured[L]{CFM25: L(*f.BeforeCFM25), Uncertainty: u}, after, p)
	if err != nil { // each figure is within its limits: only both together can be refused
		return nil, nil, stat.Refuse(stat.NoAnswer, "/after_cfm25", "check both figures", "before and after cannot be compared")
	}
	return &after, &r, nil
}
