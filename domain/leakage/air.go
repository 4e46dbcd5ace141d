package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// Air is the state of air that decides how it flows.
type Air struct {
	TemperatureC float64 // °C
	ElevationM   float64 // m above the sea
}

// ReferenceAir is the air of ASTM E779 to which leakage is carried: 20 °C at
// the sea, 1.2041 kg/m³ [mem].
func ReferenceAir() Air { return Air{TemperatureC: 20, ElevationM: 0} }

// Limits of Air, where people live: beyond them a temperature in °F or an
// elevation in ft was meant.
const (
	LowestTemperatureC  = -60.0
	HighestTemperatureC = 60.0
	LowestElevationM    = -500.0
	HighestElevationM   = 6000.0
)

// Constants of ASTM E779 [mem].
const (
	referenceDensity = 1.2041   // kg/m³ at 20 °C and 0 m
	lapse            = 0.0065   // K/m
	pressureExponent = 5.2553   // no unit
	referenceKelvin  = 293.0    // K
	zeroKelvin       = 273.0    // K at 0 °C, as the standard rounds it
	sutherlandB      = 1.458e-6 // kg/(m·s·K^½)
	sutherlandS      = 110.4    // K
)

// Density is ρ in kg/m³:
//
//	ρ = 1.2041·(1 − 0.0065·E/293)^5.2553·(293/(T + 273))    T °C, E m
//
// Refused: a temperature or elevation outside the limits (/temperature_c,
// /elevation_m). Source: ASTM E779 [mem].
func (a Air) Density() (float64, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	return a.density(), nil
}

// Viscosity is the dynamic viscosity μ in kg/(m·s), by Sutherland's law:
//
//	μ = 1.458e−6·T^½/(1 + 110.4/T)    T in K, °C + 273
//
// Refused: as by Density. Source: ASTM E779 [mem]; US Standard Atmosphere 1976
// has the same constants [mem].
func (a Air) Viscosity() (float64, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	return a.viscosity(), nil
}

func (a Air) density() float64 {
	return referenceDensity * math.Pow(1-lapse*a.ElevationM/referenceKelvin, pressureExponent) *
		(referenceKelvin / (a.TemperatureC + zeroKelvin))
}

func (a Air) viscosity() float64 {
	k := a.TemperatureC + zeroKelvin
	return sutherlandB * math.Sqrt(k) / (1 + sutherlandS/k)
}

func (a Air) check() error {
	if err := stat.Within("/temperature_c", a.TemperatureC, LowestTemperatureC, HighestTemperatureC, "°C"); err != nil {
		return err
	}
	return stat.Within("/elevation_m", a.ElevationM, LowestElevationM, HighestElevationM, "m")
}
