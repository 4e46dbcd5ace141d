package rules

import (
	"slices"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

// panHomePa is the home pressure at which pan readings are compared, Pa [cp].
const panHomePa = 50.0

var everyRegisterRead = Rule{
	Key: "every_register_read", Title: "The pan goes over every register",
	Why:      "The register that nobody read is the one that leaks.",
	Judged:   "The pan passes before and after each cover every register that is recorded, or say why one was not read.",
	None:     "the program's method has no pan",
	Fix:      "Read the registers that are missing, or say why they cannot be read.",
	Severity: Check, Missing: Asks, Cure: OnSite, Softens: true,
	Source: practice,
	Example: Example{
		Holds:  "14 registers read, before and after.",
		Broken: "Register B7 not read after, and no reason.",
	},
	check: func(c *check) {
		if !c.set.asksPan() || !c.asked() {
			return
		}
		absent := c.on(c.job.subject())
		for _, stage := range [2]domain.Stage{domain.Before, domain.After} {
			pass := c.job.pans(stage)
			if pass == nil {
				absent.lack("a pan pass ", string(stage))
				absent.fix = "Read the pan over every register; a pass before the work cannot be made afterwards."
				continue
			}
			p := c.on(pass.Subject())
			for _, b := range c.job.Components {
				if b.Record.Component != domain.Boot {
					continue
				}
				for _, boot := range partsOf(b.Record) {
					if !c.job.panned(stage, b, boot.Number) {
						p.fault("register", componentName(&boot)[len(domain.Boot):], " was not read")
					}
				}
			}
			p.done()
		}
		if len(absent.lacks) > 0 {
			absent.done()
		}
	},
}

// panned tells whether any pass of a stage read a register or said why not.
func (a *Assembled) panned(stage domain.Stage, register Of[domain.Component], number *int) bool {
	return slices.ContainsFunc(a.Measurements, func(m Of[domain.Measurement]) bool {
		return m.Record.Method == domain.Pan && m.Record.Stage == stage &&
			slices.ContainsFunc(m.Record.Readings, func(r domain.Reading) bool {
				return reads(&r, register, number) && (r.PanPa != nil || r.NotReadReason != "")
			})
	})
}

var panTarget = Rule{
	Key: "pan_target", Title: "Pan readings after are low",
	Why:      "A high reading over one register says that the leak is near it.",
	Judged:   "In the last pan pass after, each register is at or below the target, carried in proportion to a home at 50 Pa.",
	None:     "no pan pass after is recorded",
	Fix:      "Look for the leak near this register, seal it, and read again.",
	Severity: Check, Missing: Silent, Cure: OnSite, Softens: true, Hazard: CrawlSpace,
	Parameters: []Parameter{{"target_pa", "Pa", 1, 0.1, 10, practice + "; programs differ"}},
	Source:     practice,
	Example: Example{
		Holds:  "1.0 Pa over register A5 with the home at 50 Pa.",
		Broken: "3.2 Pa over register A5 with the home at 50 Pa.",
	},
	check: func(c *check) {
		for _, b := range c.job.Components {
			p := c.on(b.Subject())
			for _, boot := range partsOf(b.Record) {
				pan, home := c.job.lastPan(b, boot.Number)
				if pan == nil {
					continue
				}
				p.parts++
				where := ""
				if len(b.Record.Numbers) > 0 {
					where = componentName(&boot)
				}
				c.pan(&p, pan, home, where)
			}
			if p.parts > 0 {
				p.done()
			}
		}
	},
}

// reads tells whether a line of a pass is of a register; of a statement's it
// names the number.
func reads(r *domain.Reading, register Of[domain.Component], number *int) bool {
	if r.ComponentID == nil || *r.ComponentID != register.ID {
		return false
	}
	return len(register.Record.Numbers) == 0 || equal(r.Number, number)
}

// pan judges one reading; name is of the register where the subject has many.
func (c *check) pan(p *part, pan, home *float64, name string) {
	if name == "" {
		name = "it"
	}
	switch {
	case home == nil || *home <= 0:
		p.lack("the home's pressure")
	case over(float64(*pan*panHomePa / *home), c.limit("target_pa")):
		p.fault("the pan reads ", number(rounded(float64(*pan*panHomePa / *home))), " Pa over ", name, " with the home at ", number(panHomePa),
			" Pa; the program wants at most ", number(c.limit("target_pa")), " Pa")
	}
}

// lastPan is the last pan reading after over a register, with the home's
// pressure then; nil where there is none.
func (a *Assembled) lastPan(register Of[domain.Component], number *int) (pan, home *float64) {
	var last *domain.Measurement
	for _, m := range a.Measurements {
		if m.Record.Method != domain.Pan || m.Record.Stage != domain.After || last != nil && m.Record.TakenAt.Before(last.TakenAt) {
			continue
		}
		for _, r := range m.Record.Readings {
			if reads(&r, register, number) && r.PanPa != nil {
				pan, home, last = r.PanPa, m.Record.HousePressurePa, m.Record
			}
		}
	}
	return pan, home
}

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
