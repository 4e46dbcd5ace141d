package delivery

import (
	"math"

	"ductledger/domain/stat"
)

// SavingRatio is the share of the heating energy that is no longer needed
// when delivery effectiveness goes from before to after (both fractions):
//
//	saving = 1 − before/after
//
// The furnace must put in heat/DE for the same heat in the rooms, so energy
// goes with 1/DE: before → after saves (1/before − 1/after)/(1/before). Below
// zero when after is the smaller. Refused: either outside 0.001 to 1. Source:
// the definition of delivery effectiveness [calc].
func SavingRatio(before, after float64) (float64, error) {
	if err := effectivenessIn("/before", before); err != nil {
		return 0, err
	}
	if err := effectivenessIn("/after", after); err != nil {
		return 0, err
	}
	return 1 - before/after, nil
}

// leastEffectiveness bounds a quotient of two: ducts that deliver a thousandth
// of the heat are none.
const leastEffectiveness = 0.001

func effectivenessIn(argument string, ratio float64) error {
	if err := stat.Finite(argument, ratio, "(fraction)"); err != nil {
		return err
	}
	if ratio < leastEffectiveness || ratio > 1 {
		return stat.Refuse(stat.OutOfRange, argument, "check leakage, heat output and temperatures",
			"a delivery effectiveness of %v is outside %v to 1", ratio, leastEffectiveness)
	}
	return nil
}

// A Comparison is the same home under the same conditions with its ducts
// before and after the work.
type Comparison struct {
	Before            Effectiveness `json:"before"`
	After             Effectiveness `json:"after"`
	SavingRatio       float64       `json:"saving_ratio"`
	SavingURatio      float64       `json:"saving_u_ratio"`            // standard uncertainty of SavingRatio, a difference of fractions
	LeakContribution  float64       `json:"saving_u_from_leak_ratio"`  // the part of SavingURatio from the two leakage tests
	ModelContribution float64       `json:"saving_u_from_model_ratio"` // the part from the model
	Distinguishable   bool          `json:"distinguishable"`
}

// Compare computes the effectiveness of both states, the saving and its
// standard uncertainty, all fractions:
//
//	s     = 1 − b/a                              b, a: effectiveness before, after
//	u_l²  = (u(b)/a)² + (b·u(a)/a²)²             from the two leakage tests
//	u_m   = |s|·ModelRatio                       from the model, common to both states
//	u(s)² = u_l² + u_m²
//
// The saving is distinguishable from none when |s| > Coverage·u(s). Refused: what
// Effective refuses, under /before or /after; states whose weather, heat
// output or air differ, since then not only the ducts changed; an
// effectiveness below 0.001, as /before or /after. Source: propagation of uncertainty, JCGM 100
// 5.1.2 [mem].
func Compare(before, after Ducts, u Uncertainty) (Comparison, error) {
	if err := u.check(); err != nil {
		return Comparison{}, err
	}
	b, err := Effective(before)
	if err != nil {
		return Comparison{}, stat.Under("/before", err)
	}
	a, err := Effective(after)
	if err != nil {
		return Comparison{}, stat.Under("/after", err)
	}
	if err := sameConditions(before, after); err != nil {
		return Comparison{}, err
	}
	saving, err := SavingRatio(b.Ratio, a.Ratio)
	if err != nil {
		return Comparison{}, err
	}
	ub := before.uncertainty(b, u.LeakRatio)
	ua := after.uncertainty(a, u.LeakRatio)
	c := Comparison{Before: b, After: a, SavingRatio: saving}
	c.LeakContribution = quadrature(ub/a.Ratio, float64(b.Ratio/a.Ratio)*(ua/a.Ratio))
	c.ModelContribution = math.Abs(saving) * u.ModelRatio
	c.SavingURatio = quadrature(c.LeakContribution, c.ModelContribution)
	c.Distinguishable = math.Abs(saving) > u.Coverage*c.SavingURatio
	return c, nil
}

// sameConditions refuses two states that differ in more than the ducts.
func sameConditions(before, after Ducts) error {
	for _, c := range []struct {
		argument      string
		before, after float64
		unit          string
	}{
		{"/after/heating_output_btu_h", before.HeatingOutputBtuH, after.HeatingOutputBtuH, "Btu/h"},
		{"/after/indoor_f", before.IndoorF, after.IndoorF, "°F"},
		{"/after/supply_ambient_f", before.SupplyAmbientF, after.SupplyAmbientF, "°F"},
		{"/after/return_ambient_f", before.ReturnAmbientF, after.ReturnAmbientF, "°F"},
		{"/after/air_heat_btu_h_cfm_f", before.airHeat(), after.airHeat(), "Btu/(h·cfm·°F)"},
	} {
		if c.before != c.after {
			return stat.Refuse(ConditionsDiffer, c.argument, "compare both states under the same conditions",
				"%v %s differs from the %v %s before: the saving would be the weather's, not the ducts'", c.after, c.unit, c.before, c.unit)
		}
	}
	return nil
}

// Codes of this package's own refusals.
const (
	ConditionsDiffer = "conditions_differ" // two states compared under different conditions
	ZoneUnknown      = "zone_unknown"      // no deemed figure for the zone
	ZoneTwice        = "zone_twice"        // two deemed figures for one zone
)
