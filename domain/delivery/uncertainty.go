package delivery

import (
	"math"

	"ductledger/domain/stat"
)

// Uncertainty holds the parameters that make a range out of an estimate. Each
// ratio is a relative standard uncertainty, as a fraction.
type Uncertainty struct {
	// Of each leak flow, from its test.
	LeakRatio float64 `json:"leak_u_ratio" validate:"gte=0,lte=1" default:"0.0267"`
	// Of the saving, from the model and from leakage that stands in for flow lost.
	ModelRatio float64 `json:"model_u_ratio" validate:"gte=0,lte=1" default:"0.25"`
	// Of a year's heating energy taken from bills.
	EnergyRatio float64 `json:"energy_u_ratio" validate:"gte=0,lte=1" default:"0.1"`
	// Of a year's heating energy taken from degree days.
	HeatLossRatio float64 `json:"heat_loss_u_ratio" validate:"gte=0,lte=1" default:"0.2"`
	// Of a deemed figure that states no uncertainty of its own.
	DeemedRatio float64 `json:"deemed_u_ratio" validate:"omitempty,gte=0,lte=1"`
	// Half the range over the standard uncertainty.
	Coverage float64 `json:"coverage_factor" validate:"gt=0,lte=10" default:"1.96"`
}

// The defaults of Uncertainty.
const (
	// DefaultLeakRatio: one-point fan test, ± 3 % flow and ± 1 % pressure
	// (rectangular), exponent 0.6, repeatability 2 %: √(0.0173² + 0.0035² +
	// 0.02²) = 0.0267, by JCGM 100 [calc].
	DefaultLeakRatio = 0.0267
	// DefaultModelRatio: a working figure [cp]. Leakage at 25 Pa is not
	// leakage at the duct's own pressures, and part of what is lost under a
	// home comes back to it.
	DefaultModelRatio = 0.25
	// DefaultEnergyRatio: splitting bills into heating and the rest [cp].
	DefaultEnergyRatio = 0.10
	// DefaultHeatLossRatio: a heat loss computed from areas and R-values [cp].
	DefaultHeatLossRatio = 0.20
	// DefaultDeemedRatio: 150/1,258, measured over more than 400 homes
	// (ACEEE Summer Study 1998 [pub]); whether 150 was a standard or a 95 %
	// figure was not seen, so it is taken as the wider.
	DefaultDeemedRatio = 150.0 / 1258.0
	// DefaultCoverage: 95 % of a normal distribution.
	DefaultCoverage = 1.96
)

// DefaultUncertainty is what stands where a program sets nothing: fractions,
// and a coverage factor without unit. Source: at each constant, [cp] where none
// is published.
func DefaultUncertainty() Uncertainty {
	return Uncertainty{
		LeakRatio:     DefaultLeakRatio,
		ModelRatio:    DefaultModelRatio,
		EnergyRatio:   DefaultEnergyRatio,
		HeatLossRatio: DefaultHeatLossRatio,
		DeemedRatio:   DefaultDeemedRatio,
		Coverage:      DefaultCoverage,
	}
}

// mostRatio is the largest relative uncertainty taken: at 1 the range already
// says next to nothing.
const mostRatio = 1.0

// mostCoverage is beyond any usual factor (3 is 99.7 %).
const mostCoverage = 10.0

func (u Uncertainty) check() error {
	for _, r := range []struct {
		argument string
		ratio    float64
	}{
		{"/uncertainty/leak_u_ratio", u.LeakRatio},
		{"/uncertainty/model_u_ratio", u.ModelRatio},
		{"/uncertainty/energy_u_ratio", u.EnergyRatio},
		{"/uncertainty/heat_loss_u_ratio", u.HeatLossRatio},
		{"/uncertainty/deemed_u_ratio", u.DeemedRatio},
	} {
		if err := stat.Within(r.argument, r.ratio, 0, mostRatio, "(fraction)"); err != nil {
			return err
		}
	}
	return positiveUpTo("/uncertainty/coverage_factor", u.Coverage, mostCoverage, "standard uncertainties")
}

// quadrature is √(a² + b²), the standard uncertainty of a sum of independent
// parts. Not math.Hypot: its assembly gives other last digits on a device.
func quadrature(a, b float64) float64 {
	return math.Sqrt(float64(a*a) + float64(b*b))
}
