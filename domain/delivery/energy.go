package delivery

import (
	"ductledger/domain/stat"
)

// Energy units in Btu. A Btu is the one of the International Table,
// 1,055.05585262 J; so a kWh of 3.6e6 J is 3,412.14163 Btu. A therm is taken
// as 100,000 of these, as gas is billed; the therm of US law is 0.024 %
// smaller (NIST SP 811, appendix B [mem]).
const (
	JoulePerBtu = 1055.05585262
	BtuPerKWh   = 3.6e6 / JoulePerBtu
	BtuPerTherm = 1e5
)

// mostBtu keeps a slip of the keyboard out: 1e10 Btu is a small town's year.
const mostBtu = 1e10

// HeatingEnergy is the energy that a home's furnace used for heating in a
// year before the work, in exactly one of three units.
type HeatingEnergy struct {
	KWh   *float64 `json:"heating_energy_kwh,omitempty" validate:"gt=0,lte=3000000"`
	Therm *float64 `json:"heating_energy_therm,omitempty" validate:"gt=0,lte=100000"`
	Btu   *float64 `json:"heating_energy_btu,omitempty" validate:"gt=0,lte=10000000000"`
}

// InBtu is the energy in Btu. Refused: none or several of the units given, an
// amount that is not above zero, and more than 1e10 Btu.
// Source: NIST SP 811, appendix B [mem].
func (e HeatingEnergy) InBtu() (float64, error) {
	given := []struct {
		amount        *float64
		argument      string
		unit          string
		btuPerUnit    float64
		mostOfTheUnit float64
	}{
		{e.KWh, "/heating_energy_kwh", "kWh", BtuPerKWh, mostBtu / BtuPerKWh},
		{e.Therm, "/heating_energy_therm", "therm", BtuPerTherm, mostBtu / BtuPerTherm},
		{e.Btu, "/heating_energy_btu", "Btu", 1, mostBtu},
	}
	var btu float64
	count := 0
	for _, g := range given {
		if g.amount == nil {
			continue
		}
		if count++; count > 1 {
			return 0, stat.Refuse(stat.TooMany, g.argument, "send the year's heating energy once",
				"the heating energy is given in more than one unit")
		}
		if err := positiveUpTo(g.argument, *g.amount, g.mostOfTheUnit, g.unit); err != nil {
			return 0, err
		}
		btu = *g.amount * g.btuPerUnit
	}
	if count == 0 {
		return 0, stat.Refuse(stat.NotComplete, "/heating_energy_kwh", "send kWh, therm or Btu of one year",
			"the year's heating energy is not given")
	}
	return btu, nil
}
