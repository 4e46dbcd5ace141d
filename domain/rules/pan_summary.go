package rules

import (
	"ductledger/domain"
	"ductledger/domain/leakage"
)

// PanSummary is one pan pass over a home. It has no sum and no mean: registers
// of one trunk share a leak.
type PanSummary struct {
	MeasurementID domain.UUID `json:"measurement_id"`
	// Registers that were read.
	RegistersCount int `json:"registers_count"`
	NotReadCount   int `json:"not_read_count"`
	// Carried to compared_at_pa, as the median.
	MaxPa           *float64 `json:"max_pa,omitzero"`
	MedianPa        *float64 `json:"median_pa,omitzero"`
	OverTargetCount *int     `json:"over_target_count,omitzero"`
	// Registers that cannot be told from 0.
	IndistinctCount *int `json:"indistinguishable_count,omitzero"`
	// As it was held.
	HousePressurePa *float64 `json:"house_pressure_pa,omitzero"`
	ComparedAtPa    float64  `json:"compared_at_pa"`
	TargetPa        float64  `json:"target_pa"`
	// Sections with several registers over target.
	SharedTrunks []string `json:"shared_trunks,omitempty"`
	Note         string   `json:"note,omitzero"`
	// Why there are no figures.
	Reason string `json:"reason,omitzero"`
	// The version of the computation.
	MethodVersion string `json:"method_version"`
}

// panSummary sums up the last pan pass of a stage; nil where there is none.
func (a *Assembled) panSummary(set *Set, stage domain.Stage) *PanSummary {
	m := a.pans(stage)
	if m == nil {
		return nil
	}
	p := leakage.DefaultPanParameters()
	p.HousePa = panHomePa
	if place := placeOf(panTarget.Key); place < len(set.settings) { // the zero Set has none
		p.TargetPa = set.settings[place].limits[0]
	}
	out := &PanSummary{MeasurementID: m.ID, HousePressurePa: m.Record.HousePressurePa, ComparedAtPa: p.HousePa, TargetPa: p.TargetPa,
		MethodVersion: leakage.PanVersion}
	var readings []leakage.PanReading
	for _, line := range m.Record.Readings {
		if line.PanPa == nil {
			out.NotReadCount++
			continue
		}
		reading := leakage.PanReading{PanPa: *line.PanPa}
		if line.ComponentID != nil {
			if boot, known := find(a.Components, *line.ComponentID); known {
				reading.Register, reading.Trunk = componentName(boot.Record), string(boot.Record.Section)
			}
		}
		if out.HousePressurePa != nil {
			reading.HousePa = *out.HousePressurePa
		}
		readings = append(readings, reading)
	}
	out.RegistersCount = len(readings)
	if out.HousePressurePa == nil {
		out.Reason = NotComplete + ": the home's pressure is not recorded, so that readings cannot be compared"
		return out
	}
	pass, err := leakage.Pan(readings, p)
	if err != nil {
		out.Reason = refusalCode(err) + ": " + refusalDetail(err)
		return out
	}
	out.MaxPa, out.MedianPa = &pass.MaxPa, &pass.MedianPa
	out.OverTargetCount, out.IndistinctCount = &pass.OverTarget, &pass.IndistinguishableN
	out.SharedTrunks, out.Note = pass.SharedTrunks, pass.Note
	return out
}
