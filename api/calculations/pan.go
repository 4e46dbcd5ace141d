package calculations

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
)

// Pressures across a gasketed pan over each register, with the blower off.
type PanPass struct {
	// Pressure at which the home was held in Pa.
	HousePressurePa float64              `json:"house_pressure_pa" validate:"gt=0,lte=100" step:"0.1"`
	Readings        []PanRegisterReading `json:"readings" validate:"min=1,max=100,dive"`
	// The home pressure in Pa to which readings are carried.
	ComparedAtPa *float64 `json:"compared_at_pa,omitzero" validate:"omitempty,gt=0,lte=100" default:"50"`
	// A reading above it is over target, in Pa at the compared pressure.
	TargetPa *float64 `json:"target_pa,omitzero" validate:"omitempty,gte=0,lte=50" default:"1"`
	// A reading below it is not distinguishable from 0, in Pa.
	FloorPa *float64 `json:"floor_pa,omitzero" validate:"omitempty,gte=0,lte=10" default:"0.3"`
	// n of leaks and room openings.
	Exponent *float64 `json:"exponent,omitzero" validate:"omitempty,gte=0.5,lte=1" default:"0.65"`
}

// One register.
type PanRegisterReading struct {
	// The name of the register.
	Register string `json:"register" validate:"min=1,max=40"`
	// The trunk that it is on.
	Trunk string `json:"trunk,omitzero" validate:"omitempty,min=1,max=40"`
	// Pressure across the pan in Pa.
	PanPa float64 `json:"pan_pa" validate:"gte=0,lte=100" step:"0.1"`
	// That of the home at this reading, where it was another.
	HousePressurePa *float64 `json:"house_pressure_pa,omitzero" validate:"omitempty,gt=0,lte=100" step:"0.1"`
}

// A pass of pan readings, not rounded. There is no sum and no mean.
type PanPassAnswer struct {
	// pan.
	Method         domain.Method `json:"method"`
	RegistersCount int           `json:"registers_count"`
	MaxPa          float64       `json:"max_pa"`
	MedianPa       float64       `json:"median_pa"`
	// Registers over the target.
	OverTargetCount int `json:"over_target_count"`
	// Registers that cannot be told from 0.
	IndistinctCount int           `json:"indistinguishable_count"`
	Registers       []panRegister `json:"registers"`
	// Trunks with two and more registers over the target.
	SharedTrunks []string `json:"shared_trunks,omitzero"`
	// What goes with shared trunks.
	Note string `json:"note,omitzero"`
	// The version of the computation.
	MethodVersion string    `json:"method_version"`
	Inputs        panInputs `json:"inputs"`
}

// One register in an answer.
type panRegister struct {
	Register string `json:"register"`
	Trunk    string `json:"trunk,omitzero"`
	// Carried to the compared pressure.
	PanPa float64 `json:"pan_pa"`
	// Leak to outside over opening to the home that the reading speaks for, as areas.
	OpeningRatio      float64 `json:"leak_to_opening_ratio"`
	OverTarget        bool    `json:"over_target"`
	Indistinguishable bool    `json:"indistinguishable"`
}

type panInputs struct {
	HousePressurePa float64              `json:"house_pressure_pa"`
	Readings        []PanRegisterReading `json:"readings"`
	ComparedAtPa    float64              `json:"compared_at_pa"`
	TargetPa        float64              `json:"target_pa"`
	FloorPa         float64              `json:"floor_pa"`
	Exponent        float64              `json:"exponent"`
}

// calculatePan looks at one pass of pan readings.
func calculatePan(_ context.Context, _ domain.Caller, r *frame.Request) (frame.Answer, error) {
	var body PanPass
	if err := r.Decode(&body); err != nil {
		return frame.Answer{}, err
	}
	p := leakage.DefaultPanParameters()
	for _, set := range []struct{ from, to *float64 }{
		{body.ComparedAtPa, &p.HousePa}, {body.TargetPa, &p.TargetPa}, {body.FloorPa, &p.FloorPa}, {body.Exponent, &p.Exponent},
	} {
		if set.from != nil {
			*set.to = *set.from
		}
	}
	readings := make([]leakage.PanReading, len(body.Readings))
	for i, r := range body.Readings {
		house := body.HousePressurePa
		if r.HousePressurePa != nil {
			house = *r.HousePressurePa
		}
		readings[i] = leakage.PanReading{Register: r.Register, Trunk: r.Trunk, PanPa: r.PanPa, HousePa: house}
	}
	pass, err := leakage.Pan(readings, p)
	if err != nil {
		return frame.Answer{}, frame.Refused(err)
	}
	out := PanPassAnswer{Method: domain.Pan, RegistersCount: len(pass.Registers), MaxPa: pass.MaxPa, MedianPa: pass.MedianPa,
		OverTargetCount: pass.OverTarget, IndistinctCount: pass.IndistinguishableN, Registers: make([]panRegister, len(pass.Registers)),
		SharedTrunks: pass.SharedTrunks, Note: pass.Note, MethodVersion: leakage.PanVersion,
		Inputs: panInputs{body.HousePressurePa, body.Readings, p.HousePa, p.TargetPa, p.FloorPa, p.Exponent}}
	for i, g := range pass.Registers {
		out.Registers[i] = panRegister{g.Register, body.Readings[i].Trunk, g.PanPa, g.OpeningRatio, g.OverTarget, g.Indistinguishable}
	}
	return frame.Answer{Body: out}, nil
}
