package delivery

import "ductledger/domain/stat"

// The methods of an Estimate. A version is the day from which the computation
// is the one in this package; a change of formula or default gets a new day.
const (
	ByEffectiveness        = "effectiveness" // energy from bills, or from degree days: see Estimate.EnergyFrom
	ByEffectivenessVersion = "2026-11-01"
	ByDeemedFigure         = "deemed_figure"
	ByDeemedFigureVersion  = "2026-11-01"
)

// Where an estimate by effectiveness took the year's heating energy from.
const (
	FromHeatingEnergy = "heating_energy"
	FromDegreeDays    = "degree_days"
)

// An Estimate is a year's saving with its range. It is never more than an
// estimate, and Statement says so in words for whoever reads it.
type Estimate struct {
	Method        string      `json:"method"`
	MethodVersion string      `json:"method_version"`
	EnergyFrom    string      `json:"energy_from,omitempty"`
	Zone          string      `json:"zone,omitempty"`       // of a deemed figure
	Source        string      `json:"source,omitempty"`     // of a deemed figure
	AdoptedOn     string      `json:"adopted_on,omitempty"` // of a deemed figure
	BeforeKWh     *float64    `json:"heating_energy_before_kwh,omitempty"`
	SavingRatio   *float64    `json:"saving_ratio,omitempty"`
	SavingKWh     float64     `json:"saving_kwh"` // in a year
	SavingLowKWh  float64     `json:"saving_low_kwh"`
	SavingHighKWh float64     `json:"saving_high_kwh"`
	SavingTherm   float64     `json:"saving_therm"`
	SavingBtu     float64     `json:"saving_btu"`
	SavingUKWh    float64     `json:"saving_u_kwh"` // standard uncertainty
	Uncertainty   Uncertainty `json:"uncertainty"`
	Statement     string      `json:"statement"`
}

// Sentences of an Estimate.
const (
	estimateSentence = "This is an estimate, not a promise: what this home saves also depends on the weather, on how it is lived in and on what the tests could not see."
	deemedSentence   = "This is an estimate, not a promise: a figure that the program adopted for the average of many homes; one home may save far more, or nothing."
	noneInRange      = " The range includes no saving at all."
	moreEnergy       = " By these figures the home uses more energy than before."
)

// estimate fills in what all methods share: saving and standard uncertainty
// in Btu become kWh, therm, a range of Coverage·u each side and the sentence.
func estimate(e Estimate, savingBtu, uBtu float64, u Uncertainty, sentence string) Estimate {
	e.Uncertainty = u
	e.SavingBtu = savingBtu
	e.SavingKWh = savingBtu / BtuPerKWh
	e.SavingTherm = savingBtu / BtuPerTherm
	e.SavingUKWh = uBtu / BtuPerKWh
	half := float64(u.Coverage * e.SavingUKWh)
	e.SavingLowKWh, e.SavingHighKWh = e.SavingKWh-half, e.SavingKWh+half
	e.Statement = sentence
	if savingBtu < 0 {
		e.Statement += moreEnergy
	}
	if e.SavingLowKWh <= 0 && e.SavingHighKWh >= 0 {
		e.Statement += noneInRange
	}
	return e
}

// byEffectiveness is the saving of energyBtu of which a fraction s is no
// longer needed, u(saving)² = (s·u(energy))² + (energy·u(s))².
func byEffectiveness(from string, c Comparison, energyBtu, energyRatio float64, u Uncertainty) Estimate {
	beforeKWh := energyBtu / BtuPerKWh
	e := Estimate{
		Method:        ByEffectiveness,
		MethodVersion: ByEffectivenessVersion,
		EnergyFrom:    from,
		BeforeKWh:     &beforeKWh,
		SavingRatio:   &c.SavingRatio,
	}
	saving := float64(energyBtu * c.SavingRatio)
	uBtu := quadrature(float64(saving*energyRatio), float64(energyBtu*c.SavingURatio))
	return estimate(e, saving, uBtu, u, estimateSentence)
}

// SavingFromEnergy estimates a year's saving from both states of the ducts
// and the heating energy of a year before the work:
//
//	saving = energy·(1 − before/after)        energy in kWh, therm or Btu
//	u²     = (saving·EnergyRatio)² + (energy·u(s))²
//	range  = saving ± Coverage·u
//
// with u(s) from Compare. Refused: what Compare refuses, and
// HeatingEnergy under /heating_energy.
// Source: definition of delivery effectiveness [calc], JCGM 100 [mem].
func SavingFromEnergy(before, after Ducts, energy HeatingEnergy, u Uncertainty) (Estimate, error) {
	c, err := Compare(before, after, u)
	if err != nil {
		return Estimate{}, err
	}
	btu, err := energy.InBtu()
	if err != nil {
		return Estimate{}, stat.Under("/heating_energy", err)
	}
	return byEffectiveness(FromHeatingEnergy, c, btu, u.EnergyRatio, u), nil
}
