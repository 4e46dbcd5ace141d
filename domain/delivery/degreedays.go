package delivery

import (
	"ductledger/domain/stat"
)

// Limits of a home's heat loss and of a year's degree days, to keep slips out.
const (
	mostHeatLoss   = 1e5     // Btu/(h·°F)
	mostDegreeDays = 30000.0 // °F·day; the coldest inhabited places have some 20,000
	hoursPerDay    = 24.0
)

// HeatLoss is a home's need for heat over a year, by degree days.
type HeatLoss struct {
	// UA: walls, floor, roof, windows and draught, Btu/(h·°F).
	UABtuHF float64 `json:"ua_btu_h_f" validate:"gt=0,lte=100000"`
	// HDD to the balance point, °F·day in a year.
	DegreeDays float64 `json:"degree_days_f_day" validate:"gt=0,lte=30000"`
	// Η: heat out over energy in; 1 for an electric furnace, above 1 for a heat pump.
	EquipmentRatio float64 `json:"equipment_efficiency" validate:"gte=0.1,lte=10"`
}

// Limits of η: the worst furnace is better, and no heat pump's season comes
// near the upper.
const (
	leastEquipmentRatio = 0.1
	mostEquipmentRatio  = 10.0
)

// EnergyBefore is the year's energy that the furnace uses through ducts of
// delivery effectiveness de, in Btu:
//
//	energy = 24·UA·HDD/(η·DE)
//
// with UA in Btu/(h·°F), HDD in °F·day to the home's own balance point, η and DE fractions. HDD to 65 °F overstates the need of a
// home whose balance point is lower. Refused: values that are not above zero
// or beyond the limits above, DE outside 0.001 to 1, more than 1e10 Btu. Source: ASHRAE Handbook,
// Fundamentals, variable-base degree days [mem].
func (l HeatLoss) EnergyBefore(de float64) (float64, error) {
	if err := l.check(); err != nil {
		return 0, err
	}
	if err := effectivenessIn("/before", de); err != nil {
		return 0, err
	}
	btu := float64(float64(hoursPerDay*l.UABtuHF)*l.DegreeDays) / float64(l.EquipmentRatio*de)
	if err := stat.Within("/ua_btu_h_f", btu, 0, mostBtu, "Btu of heating energy a year"); err != nil {
		return 0, err
	}
	return btu, nil
}

func (l HeatLoss) check() error {
	if err := positiveUpTo("/ua_btu_h_f", l.UABtuHF, mostHeatLoss, "Btu/(h·°F)"); err != nil {
		return err
	}
	if err := positiveUpTo("/degree_days_f_day", l.DegreeDays, mostDegreeDays, "°F·day"); err != nil {
		return err
	}
	return between("/equipment_efficiency", l.EquipmentRatio, leastEquipmentRatio, mostEquipmentRatio, "(heat out over energy in)")
}

// SavingFromDegreeDays estimates a year's saving from both states of the
// ducts and the home's heat loss:
//
//	saving = 24·UA·HDD/η·(1/before − 1/after)
//	u²     = (saving·HeatLossRatio)² + (energy·u(s))²
//	range  = saving ± Coverage·u
//
// computed as EnergyBefore(before)·(1 − before/after), which is the same. The
// heat that the rooms need is held equal in both states. Units are those of
// EnergyBefore, the answer's in its names. Refused: what Compare refuses, and
// EnergyBefore under /heat_loss. Source: as there, [mem].
func SavingFromDegreeDays(before, after Ducts, loss HeatLoss, u Uncertainty) (Estimate, error) {
	c, err := Compare(before, after, u)
	if err != nil {
		return Estimate{}, err
	}
	btu, err := loss.EnergyBefore(c.Before.Ratio)
	if err != nil {
		return Estimate{}, stat.Under("/heat_loss", err)
	}
	return byEffectiveness(FromDegreeDays, c, btu, u.HeatLossRatio, u), nil
}
