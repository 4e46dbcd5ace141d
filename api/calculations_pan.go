package api

import (
	"context"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

type panBody struct {
	HousePressurePa float64          `json:"house_pressure_pa"`
	Readings        []panBodyReading `json:"readings"`
	ComparedAtPa    *float64         `json:"compared_at_pa,omitzero"`
	TargetPa        *float64         `json:"target_pa,omitzero"`
	FloorPa         *float64         `json:"floor_pa,omitzero"`
	Exponent        *float64         `json:"exponent,omitzero"`
}

type panBodyReading struct {
	Register        string   `json:"register"`
	Trunk           string   `json:"trunk,omitzero"`
	PanPa           float64  `json:"pan_pa"`
	HousePressurePa *float64 `json:"house_pressure_pa,omitzero"`
}

type panAnswer struct {
	Method          domain.Method `json:"method"`
	RegistersCount  int           `json:"registers_count"`
	MaxPa           float64       `json:"max_pa"`
	MedianPa        float64       `json:"median_pa"`
	OverTargetCount int           `json:"over_target_count"`
	IndistinctCount int           `json:"indistinguishable_count"`
	Registers       []panRegister `json:"registers"`
	SharedTrunks    []string      `json:"shared_trunks,omitzero"`
	Note            string        `json:"note,omitzero"`
	MethodVersion   string        `json:"method_version"`
	Inputs          panInputs     `json:"inputs"`
}

type panRegister struct {
	Register          string  `json:"register"`
	Trunk             string  `json:"trunk,omitzero"`
	PanPa             float64 `json:"pan_pa"`
	OpeningRatio      float64 `json:"leak_to_opening_ratio"`
	OverTarget        bool    `json:"over_target"`
	Indistinguishable bool    `json:"indistinguishable"`
}

type panInputs struct {
	HousePressurePa float64          `json:"house_pressure_pa"`
	Readings        []panBodyReading `json:"readings"`
	ComparedAtPa    float64          `json:"compared_at_pa"`
	TargetPa        float64          `json:"target_pa"`
	FloorPa         float64          `json:"floor_pa"`
	Exponent        float64          `json:"exponent"`
}

// pan looks at one pass of pan readings.
func (s *Server) pan(_ context.Context, _ domain.Caller, r *request) (answer, error) {
	var body panBody
	if err := s.contract.decode("calculatePan", r.Body, &body); err != nil {
		return answer{}, err
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
	var places []string
	for i, r := range body.Readings {
		at := "/readings/" + strconv.Itoa(i)
		house := body.HousePressurePa
		if r.HousePressurePa != nil {
			house = *r.HousePressurePa
		} else {
			places = append(places, at+"/house_pressure_pa", "/house_pressure_pa")
		}
		readings[i] = leakage.PanReading{Register: r.Register, Trunk: r.Trunk, PanPa: r.PanPa, HousePa: house}
		places = append(places, at+"/exponent", "/exponent")
	}
	pass, err := leakage.Pan(readings, p)
	if err != nil {
		return answer{}, refused(renamed(err, places...))
	}
	out := panAnswer{Method: domain.Pan, RegistersCount: len(pass.Registers), MaxPa: pass.MaxPa, MedianPa: pass.MedianPa,
		OverTargetCount: pass.OverTarget, IndistinctCount: pass.IndistinguishableN, Registers: make([]panRegister, len(pass.Registers)),
		SharedTrunks: pass.SharedTrunks, Note: pass.Note, MethodVersion: leakage.PanVersion,
		Inputs: panInputs{body.HousePressurePa, body.Readings, p.HousePa, p.TargetPa, p.FloorPa, p.Exponent}}
	for i, g := range pass.Registers {
		out.Registers[i] = panRegister{g.Register, body.Readings[i].Trunk, g.PanPa, g.OpeningRatio, g.OverTarget, g.Indistinguishable}
	}
	return answer{Body: out}, nil
}
