package leakage

import (
	"math"
	"strconv"

	"ductledger/domain/stat"
)

// A Direction says which way the fan pushes.
type Direction string

// The two directions.
const (
	Pressurizing   Direction = "pressurize"   // air leaves through the leaks
	Depressurizing Direction = "depressurize" // air enters through the leaks
)

// FanAir says which air a pressurizing fan takes in.
type FanAir string

// The two airs.
const (
	HomeAir    FanAir = "home_air"
	OutsideAir FanAir = "outside_air"
)

// TestAir is the air during a fan test. Mass through the fan and through the
// leaks is equal; volume only where both are of one density.
type TestAir struct {
	Direction Direction
	FanTakes  FanAir // pressurizing
	Quantity  Scope  // depressurizing: which leakage was tested
	Home      Air
	Outside   Air
	Fan       *Air // depressurizing: the air that leaves the ducts; nil: not measured, home air is taken for it
	// CalibrationDensity is the density, kg/m³, for which the certificate's flow
	// equation holds where the gauge has not corrected for the air; else 0.
	CalibrationDensity float64
}

// An AirCase is one of the four ways in which fan and leaks see air.
type AirCase string

// The cases.
const (
	PressurizedFromHome    AirCase = "pressurize_home_air"
	PressurizedFromOutside AirCase = "pressurize_outside_air"
	DepressurizedOutside   AirCase = "depressurize_outside"
	DepressurizedTotal     AirCase = "depressurize_total"
)

// Corrections are the factors of a test's air, no unit, and what they rest on.
type Corrections struct {
	Case  AirCase
	Meter float64 // on the flow that the meter shows; 1: none is needed
	Leak  float64 // from fan flow to leak flow; 1: none
	Fan   Air     // at the fan
	Leaks *Air    // at the leaks; nil where home and outside air mix there
	Says  string  // what is neglected or assumed; empty where nothing is
}

// Corrections finds the case and its factors:
//
//	pressurizing, the fan takes home air        1
//	pressurizing, the fan takes outside air     1: warming in the duct is neglected, and said
//	depressurizing, leakage to outside          ρ_fan/ρ_outside
//	depressurizing, total leakage               none: home and outside air mix at the leaks
//	meter                                       √(ρ_calibration/ρ_fan)
//
// Densities in kg/m³ by ASTM E779. Refused: air outside its limits (/home/…,
// /outside/…, /fan/…), an unknown direction, fan air or quantity, a density of
// calibration outside 0.5 to 2 kg/m³ (/calibration_density_kg_m3).
// Source: conservation of mass [calc]; no standard for ducts names the cases.
func (c TestAir) Corrections() (Corrections, error) {
	if err := c.check(); err != nil {
		return Corrections{}, err
	}
	out := Corrections{Leak: 1, Meter: 1}
	switch {
	case c.Direction == Pressurizing && c.FanTakes == HomeAir:
		out.Case, out.Fan, out.Leaks = PressurizedFromHome, c.Home, &c.Home
	case c.Direction == Pressurizing:
		out.Case, out.Fan, out.Leaks = PressurizedFromOutside, c.Outside, &c.Outside
		out.Says = "the air is taken to leave the leaks as cold or warm as it came in; its warming in the ducts is neglected"
	default:
		out.Fan = c.Home
		if c.Fan != nil {
			out.Fan = *c.Fan
		} else {
			out.Says = "the air that left the ducts was not measured; home air is assumed at the fan"
		}
		if c.Quantity == ScopeOutside {
			out.Case, out.Leaks = DepressurizedOutside, &c.Outside
			out.Leak = out.Fan.density() / c.Outside.density()
			break
		}
		out.Case = DepressurizedTotal
		out.Says = "home and outside air mix at the leaks in a share that nobody measured: the flow is not corrected for it"
	}
	if c.CalibrationDensity != 0 {
		out.Meter = math.Sqrt(c.CalibrationDensity / out.Fan.density())
	}
	return out, nil
}

// Readings corrects each flow for the meter and carries it to the leaks; the
// readings handed in stay as they are. Pressures in Pa, flows in cfm.
//
// Refused: a flow not above 0 (/readings/i/flow_cfm).
// Source: conservation of mass [calc].
func (c Corrections) Readings(readings []Reading) ([]Reading, error) {
	out := make([]Reading, len(readings))
	for i, r := range readings {
		if err := stat.Positive("/readings/"+strconv.Itoa(i)+"/flow_cfm", r.FlowCFM, "cfm"); err != nil {
			return nil, err
		}
		out[i] = Reading{PressurePa: r.PressurePa, FlowCFM: r.FlowCFM * c.Meter * c.Leak}
	}
	return out, nil
}

// AtReferenceAir carries a fan test from the air that went through the leaks
// to ReferenceAir, and gives the factor, no unit:
//
//	C₀ = C·(μ/μ₀)^(2n−1)·(ρ/ρ₀)^(1−n)
//
// All flows of t are multiplied, exponent and relative errors stay; cfm in and
// out. The readings of t were corrected before the fit.
//
// Refused: air at the leaks that is a mix (not_complete, /quantity), flows that
// leave float64 (no_answer). Source: ASTM E779 [mem].
func (c Corrections) AtReferenceAir(t FanTest) (FanTest, float64, error) {
	if c.Leaks == nil {
		return t, 1, stat.Refuse(stat.NotComplete, "/quantity", "leave the reference air out, or test with pressure",
			"home and outside air mix at the leaks, so there is no air to carry to the reference")
	}
	f := math.Pow(c.Leaks.viscosity()/ReferenceAir().viscosity(), 2*t.Exponent-1) *
		math.Pow(c.Leaks.density()/ReferenceAir().density(), 1-t.Exponent)
	t.LeakageCFM *= f
	t.Coefficient *= f
	scaled := func(i *Interval) *Interval {
		if i == nil {
			return nil
		}
		return &Interval{i.Low * f, i.High * f}
	}
	t.Limits, t.Coefficients = scaled(t.Limits), scaled(t.Coefficients)
	if t.Fit != nil {
		fit := *t.Fit
		fit.CoefficientLimits, fit.LeakageLimits = *scaled(&fit.CoefficientLimits), *scaled(&fit.LeakageLimits)
		t.Fit = &fit
	}
	return t, f, t.finite()
}

func (c TestAir) check() error {
	for _, a := range []struct {
		name string
		air  *Air
	}{{"/home", &c.Home}, {"/outside", &c.Outside}, {"/fan", c.Fan}} {
		if a.air != nil {
			if err := stat.Under(a.name, a.air.check()); err != nil {
				return err
			}
		}
	}
	switch {
	case c.Direction != Pressurizing && c.Direction != Depressurizing:
		return stat.Refuse(stat.OutOfRange, "/direction", "", "%.40q is neither %q nor %q", string(c.Direction), Pressurizing, Depressurizing)
	case c.Direction == Pressurizing && c.FanTakes != HomeAir && c.FanTakes != OutsideAir:
		return stat.Refuse(stat.OutOfRange, "/fan_takes", "say which air the fan took in", "%.40q is neither %q nor %q", string(c.FanTakes), HomeAir, OutsideAir)
	case c.Direction == Depressurizing && c.Quantity != ScopeTotal && c.Quantity != ScopeOutside:
		return stat.Refuse(stat.OutOfRange, "/quantity", "say which leakage was tested", "%.40q is neither %q nor %q", string(c.Quantity), ScopeTotal, ScopeOutside)
	case c.CalibrationDensity != 0:
		return stat.Within("/calibration_density_kg_m3", c.CalibrationDensity, 0.5, 2, "kg/m³")
	}
	return nil
}
