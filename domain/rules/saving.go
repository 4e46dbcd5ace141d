package rules

import (
	"errors"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// EnergyEstimate is the heating energy of a year that a job saves by the figures of the program's rule set. It is an
// estimate, never a promise, and says by what method it was made.
type EnergyEstimate struct {
	// Why there is no figure.
	Reason string `json:"reason,omitzero"`
	// effectiveness or deemed_figure.
	Method string `json:"method,omitzero"`
	// The version of the computation.
	MethodVersion string `json:"method_version,omitzero"`
	// The place of the figure that was used among `energy_figures` of the rule set, from 1.
	FigureNumber int `json:"figure_number,omitzero"`
	// Who published it, where and when.
	Source string `json:"source,omitzero"`
	// The share of the furnace's heat that arrived in the rooms before the work.
	EffectivenessBefore *float64 `json:"delivery_effectiveness_before_ratio,omitzero"`
	// The same after it.
	EffectivenessAfter *float64 `json:"delivery_effectiveness_after_ratio,omitzero"`
	// 1 less before over after.
	SavingRatio *float64 `json:"saving_ratio,omitzero"`
	// In a year in kWh, below zero where leakage rose.
	SavingKWh *float64 `json:"saving_kwh,omitzero"`
	// Lower end of its 95 % range in kWh.
	SavingLowKWh *float64 `json:"saving_low_kwh,omitzero"`
	// Upper end of its 95 % range in kWh.
	SavingHighKWh *float64 `json:"saving_high_kwh,omitzero"`
	// That it is an estimate, in words.
	Statement string `json:"statement,omitzero"`

	// What packages add up: whole kWh, half to even.
	SavedKWh *int64 `json:"-"`
}

// Why a job has no estimate of energy, besides the reasons of Result.
const (
	NoEnergyFigure = "no_energy_figure" // none of the rule set's figures fits the job and its home
	NotWorked      = "not_worked"       // its outcome is not one by which ducts were sealed
	NotAllWorked   = "not_completed"    // a deemed figure is for a job that was completed
	WorkNotShown   = "not_shown"        // no visit, no record of the work or no photo
	OtherQuantity  = "other_quantity"   // leakage was read in another quantity than the figure takes
	NotComputed    = "not_computed"     // the figure does not go with these readings: the leakage is beyond the fan's flow
)

// estimateEnergy estimates by the first figure that fits; nil where the program
// estimates nothing.
func estimateEnergy(set *Set, job *Assembled, r *Result) *EnergyEstimate {
	if len(set.energy) == 0 {
		return nil
	}
	e := &EnergyEstimate{}
	outcome, basis, home := job.Job.Record.Outcome, job.Job.Record.PayBasis, job.home()
	for i := range set.energy {
		f := &set.energy[i]
		if !f.Fits(home, basis) {
			continue
		}
		e.FigureNumber, e.Source = i+1, f.Source
		switch {
		case outcome != domain.Completed && outcome != domain.Partial:
			e.Reason = NotWorked
		case !r.Shown.Work:
			e.Reason = WorkNotShown
		case f.Typical != nil:
			e.byEffectiveness(f.Typical, home, r)
		case outcome != domain.Completed:
			e.Reason = NotAllWorked
		default:
			e.take(set.deemed(f))
		}
		return e
	}
	e.Reason = NoEnergyFigure
	return e
}

// byEffectiveness compares the ducts of the typical home with the leakage before
// and after. How well that is known comes from the two tests, the worse of them.
func (e *EnergyEstimate) byEffectiveness(t *domain.TypicalHeating, home *domain.Home, r *Result) {
	switch {
	case r.Reason != "":
		e.Reason = r.Reason
		return
	case r.Method.Quantity() != t.Quantity:
		e.Reason = OtherQuantity
		return
	}
	u := uncertaintyOf(t)
	u.LeakRatio = min(1, max(r.before.uncertainty.Relative(), r.after.uncertainty.Relative()))
	before, after := ductsOf(t, home, *r.BeforeCFM25), ductsOf(t, home, *r.AfterCFM25)
	c, err := delivery.Compare(before, after, u)
	if err == nil {
		e.EffectivenessBefore, e.EffectivenessAfter, e.SavingRatio = &c.Before.Ratio, &c.After.Ratio, &c.SavingRatio
	}
	if t.HeatingEnergyKWh != nil {
		e.take(delivery.SavingFromEnergy(before, after, delivery.HeatingEnergy{KWh: t.HeatingEnergyKWh}, u))
	} else {
		e.take(delivery.SavingFromDegreeDays(before, after, delivery.HeatLoss{UABtuHF: *t.UABtuHF, DegreeDays: *t.DegreeDays, EquipmentRatio: *t.EquipmentEfficiency}, u))
	}
}

func (e *EnergyEstimate) take(estimate delivery.Estimate, err error) {
	if err != nil {
		e.Reason, e.EffectivenessBefore, e.EffectivenessAfter, e.SavingRatio = NotComputed, nil, nil, nil
		return
	}
	e.Method, e.MethodVersion, e.Statement = estimate.Method, estimate.MethodVersion, estimate.Statement
	e.SavingKWh, e.SavingLowKWh, e.SavingHighKWh = &estimate.SavingKWh, &estimate.SavingLowKWh, &estimate.SavingHighKWh
	if n, err := stat.Units(estimate.SavingKWh, 0); err == nil {
		e.SavedKWh = &n
	}
}

// ductsOf are the typical home's ducts with a leakage at 25 Pa, at the height of
// the job's home where that is known: thin air carries less heat.
func ductsOf(t *domain.TypicalHeating, home *domain.Home, cfm25 float64) delivery.Ducts {
	d := delivery.Ducts{FanFlowCFM: t.FanFlowCFM, HeatingOutputBtuH: t.HeatingOutputBtuH, IndoorF: t.IndoorF, SupplyAmbientF: t.SupplyAmbientF,
		ReturnAmbientF: t.IndoorF, SupplyLeakCFM: float64(t.SupplyLeakRatio * cfm25), SupplyAreaFt2: t.SupplyAreaFt2}
	for _, set := range []struct {
		into *float64
		from *float64
	}{{&d.SupplyRValue, t.SupplyRValue}, {&d.ReturnAmbientF, t.ReturnAmbientF}, {&d.ReturnAreaFt2, t.ReturnAreaFt2}, {&d.ReturnRValue, t.ReturnRValue}} {
		if set.from != nil {
			*set.into = *set.from
		}
	}
	if home.ElevationFt != nil {
		air := leakage.ReferenceAir()
		air.ElevationM = float64(*home.ElevationFt * metersPerFoot)
		if density, err := air.Density(); err == nil {
			if heat, err := delivery.AirHeatAt(density); err == nil {
				d.AirHeat = &heat
			}
		}
	}
	if t.ReturnLeakRatio != nil {
		d.ReturnLeakCFM = float64(*t.ReturnLeakRatio * cfm25)
	}
	return d
}

// metersPerFoot is exact: NIST SP 811, appendix B [mem].
const metersPerFoot = 0.3048

func uncertaintyOf(t *domain.TypicalHeating) delivery.Uncertainty {
	u := delivery.DefaultUncertainty()
	if t.EnergyURatio != nil {
		u.EnergyRatio, u.HeatLossRatio = *t.EnergyURatio, *t.EnergyURatio
	}
	if t.ModelURatio != nil {
		u.ModelRatio = *t.ModelURatio
	}
	return u
}

// deemed is the sum that the program adopted with its rule set.
func (s *Set) deemed(f *domain.EnergyFigure) (delivery.Estimate, error) {
	const zone = "the one that fits"
	figure := delivery.DeemedFigure{Zone: zone, SavingKWh: *f.DeemedKWh, URatio: f.DeemedURatio, AdoptedOn: string(s.from), Source: f.Source}
	return delivery.SavingDeemed([]delivery.DeemedFigure{figure}, zone, delivery.DefaultUncertainty())
}

// energyFaults finds what a figure of energy cannot say: each is made of one of
// two, and a typical home has an effectiveness without any leakage.
func energyFaults(rs *domain.RuleSet) (faults []domain.Fault) {
	for i := range rs.EnergyFigures {
		f, at := &rs.EnergyFigures[i], "/energy_figures/"+strconv.Itoa(i)
		fault := func(field, code, detail, fix string) {
			faults = append(faults, domain.Fault{Pointer: at + field, Code: code, Detail: detail, Fix: fix})
		}
		switch {
		case (f.Typical == nil) == (f.DeemedKWh == nil):
			fault("", "one_of_two", "a figure has either typical or deemed_kwh", "send one of them")
		case f.Typical != nil && f.DeemedURatio != nil:
			fault("/deemed_u_ratio", "not_here", "only deemed_kwh has a deemed_u_ratio", "leave it out")
		case f.Typical != nil:
			// Without leakage every limit of the model applies, whatever is read later.
			_, err := delivery.Effective(ductsOf(f.Typical, &domain.Home{}, 0))
			var refused *stat.Refusal
			if errors.As(err, &refused) {
				fault("/typical"+refused.Argument, refused.Code, refused.Detail, refused.Fix)
			}
			given, asked := 0, []*float64{f.Typical.UABtuHF, f.Typical.DegreeDays, f.Typical.EquipmentEfficiency}
			for _, v := range asked {
				if v != nil {
					given++
				}
			}
			if energy := f.Typical.HeatingEnergyKWh != nil; energy && given > 0 || !energy && given < len(asked) {
				fault("/typical/heating_energy_kwh", "one_of_two", "a typical home has either heating_energy_kwh, or ua_btu_h_f, degree_days_f_day and equipment_efficiency", "send one of them")
			}
		}
	}
	return faults
}
