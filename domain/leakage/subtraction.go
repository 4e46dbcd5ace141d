package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// A SubtractionTest is a blower-door test of the whole home, and one with the
// registers masked, at the same home pressure.
type SubtractionTest struct {
	HousePa       float64 // home to outside, Pa, usually 50
	WholeCFM      float64 // fan flow, registers open
	MaskedCFM     float64 // fan flow, registers masked
	HouseToDuctPa float64 // H: home to ducts with the registers masked, Pa
}

// SubtractionParameters are the settings. The three words have no published
// limits: the defaults are practice [cp] and a program may set its own.
type SubtractionParameters struct {
	Exponent            float64 // n; 0.65, no unit
	GoodCorrection      float64 // correction factors up to this are good: 1.6, H about 39 of 50 Pa
	UndecidedCorrection float64 // above this the ducts hang on the home no more: 3.6, H below 20 of 50 Pa
	Bounds              Bounds  // by the interval's width: good within half of the leakage, nothing decided where it reaches 0
	Coverage            float64 // Coverage95
	GaugeFloorPa        float64 // rectangular half-width of H at least this: 0.15 Pa
	GaugeShare          float64 // rectangular half-width of H as a share of it: 0.01
	Accuracy            Accuracy
}

// DefaultSubtractionParameters gives the values named at the fields, in their
// units: practice [cp], but for the coverage (JCGM 100 (GUM) table G.1 [pub]).
func DefaultSubtractionParameters() SubtractionParameters {
	return SubtractionParameters{
		Exponent: 0.65, GoodCorrection: 1.6, UndecidedCorrection: 3.6, Bounds: Bounds{Good: 0.5, Undecided: 1},
		Coverage: Coverage95, GaugeFloorPa: 0.15, GaugeShare: 0.01, Accuracy: DefaultAccuracy(),
	}
}

// A Subtraction is the answer of Subtract.
type Subtraction struct {
	CorrectionFactor float64 // SCF, 1 or more, no unit
	LeakageCFM50     float64 // to outside, at 50 Pa
	LeakageCFM25     float64 // to outside, at 25 Pa
	UncertaintyCFM25 float64 // standard uncertainty, cfm
	Limits           Interval
	Exponent         float64 // used
	Quality          Quality
	Why              string // why the quality is not good; else empty
	// BelowLimit: the two tests differ by less than their uncertainty, as where
	// the ducts are tight. The leakage is then not LeakageCFM25 but some value up
	// to LimitCFM25, the upper end of its interval.
	BelowLimit bool
	LimitCFM25 float64
}

// SubtractionCorrection is the factor that gives back what masked registers
// hide, since ducts under pressure H leak at P − H to outside:
//
//	SCF = 1/(1 − ((P − H)/P)^n)
//
// P and H in Pa; H = P gives 1. Refused: P not above 0 (/house_pressure_pa), H
// not above 0 or above P (/house_to_duct_pa), n not in (0, 1] (/exponent).
//
// Source: the factor as reprinted by state technical reference manuals [mem]:
// H 50, 45, 40, 30, 20 of 50 Pa give 1.00, 1.29, 1.54, 2.23, 3.54.
func SubtractionCorrection(housePa, houseToDuctPa, exponent float64) (float64, error) {
	if err := stat.Positive("/house_pressure_pa", housePa, "Pa"); err != nil {
		return 0, err
	}
	if err := stat.Positive("/house_to_duct_pa", houseToDuctPa, "Pa"); err != nil {
		return 0, err
	}
	if houseToDuctPa > housePa {
		return 0, stat.Refuse(stat.OutOfRange, "/house_to_duct_pa", "read both pressures again",
			"%v Pa between home and ducts is more than the home's own %v Pa", houseToDuctPa, housePa)
	}
	if !(exponent > 0 && exponent <= 1) {
		return 0, stat.Refuse("exponent_out_of_range", "/exponent", "", "the exponent is %v, outside 0 (excluded) to 1", exponent)
	}
	f := correction(housePa, houseToDuctPa, exponent)
	return f, stat.Finite("/house_to_duct_pa", f, "(correction factor)")
}

func correction(p, h, n float64) float64 { return 1 / (1 - math.Pow((p-h)/p, n)) }

// Subtract computes leakage to outside from two blower-door tests:
//
//	leak_P = (whole − masked)·SCF    leak50 = leak_P·(50/P)^n    leak25 = leak_P·(25/P)^n
//
// Uncertainty, standard, of D = whole − masked, SCF and n together:
//
//	u(D)² = (D·u_flow)² + (whole·u_rep)² + (masked·u_rep)²
//	u² = (u(D)·leak25/D)² + (half the change of leak25 over H ± u(H))² + (the same over n ± u_n)²
//
// The fan is the same in both tests, so its calibration acts on D as a whole.
// Differences stand in for derivatives because the factor has none at H = P
// (JCGM 100 (GUM) 5.1.3 note 2 [pub]). u(H) = max(GaugeFloorPa, GaugeShare·H)/√3.
//
// Where D is not above k·u(D), masked equal to whole or above it included, the
// leakage is below what this method can tell: it lies between 0 and LimitCFM25,
// which are its limits.
//
// Quality: undecided where the factor is above UndecidedCorrection, or half the
// interval is wider than Bounds.Undecided of the leakage; weak above
// GoodCorrection or Bounds.Good; else good.
//
// Flows in cfm, pressures in Pa. Refused: flows or pressures not above 0, H
// above P, an exponent outside (0, 1], a masked flow above the whole one by more
// than their uncertainty (/masked_cfm), parameters outside their range, an answer that leaves float64
// (no_answer).
//
// Source: the subtraction method with correction [mem]; 1850 and 1610 cfm at
// 50 Pa, H 44 Pa, n 0.65 → 204.48564 cfm25 [calc].
func Subtract(s SubtractionTest, p SubtractionParameters) (Subtraction, error) {
	if err := s.check(p); err != nil {
		return Subtraction{}, err
	}
	factor, err := SubtractionCorrection(s.HousePa, s.HouseToDuctPa, p.Exponent)
	if err != nil {
		return Subtraction{}, err
	}
	difference := s.WholeCFM - s.MaskedCFM
	at := func(pa, h, n float64) float64 {
		return difference * correction(s.HousePa, h, n) * math.Pow(pa/s.HousePa, n)
	}
	r := Subtraction{
		CorrectionFactor: factor, Exponent: p.Exponent,
		LeakageCFM50: at(50, s.HouseToDuctPa, p.Exponent),
		LeakageCFM25: at(25, s.HouseToDuctPa, p.Exponent),
	}
	uDifference := root(difference*p.Accuracy.Flow, s.WholeCFM*p.Accuracy.Repeatability, s.MaskedCFM*p.Accuracy.Repeatability)
	if -difference > float64(p.Coverage*uDifference) {
		return Subtraction{}, stat.Refuse(stat.OutOfRange, "/masked_cfm", "test again, with windows and doors as in the first test",
			"%v cfm with the registers masked is more than the %v cfm of the whole home by more than their uncertainty", s.MaskedCFM, s.WholeCFM)
	}
	flow := uDifference * factor * math.Pow(25/s.HousePa, p.Exponent)
	uh := Rectangular(max(p.GaugeFloorPa, p.GaugeShare*s.HouseToDuctPa))
	lowH, highH := max(s.HouseToDuctPa-uh, s.HouseToDuctPa/2), min(s.HouseToDuctPa+uh, s.HousePa)
	lowN, highN := max(p.Exponent-p.Accuracy.Exponent, p.Exponent/2), min(p.Exponent+p.Accuracy.Exponent, 1)
	pressure := (at(25, lowH, p.Exponent) - at(25, highH, p.Exponent)) / 2
	exponent := (at(25, s.HouseToDuctPa, highN) - at(25, s.HouseToDuctPa, lowN)) / 2
	r.UncertaintyCFM25 = root(flow, pressure, exponent)
	h := float64(p.Coverage * r.UncertaintyCFM25)
	r.Limits = Interval{r.LeakageCFM25 - h, r.LeakageCFM25 + h}
	for _, v := range []float64{r.LeakageCFM50, r.LeakageCFM25, r.Limits.Low, r.Limits.High} {
		if err := stat.Finite("/whole_cfm", v, "cfm"); err != nil {
			return Subtraction{}, stat.Refuse(stat.NoAnswer, "/whole_cfm", "check each reading", "the result is not a finite flow in cfm")
		}
	}
	r.BelowLimit = difference <= float64(p.Coverage*uDifference)
	if r.BelowLimit {
		r.LimitCFM25 = r.Limits.High
		r.Limits.Low = 0
	}
	r.Quality, r.Why = p.quality(s, r)
	return r, nil
}

func (s SubtractionTest) check(p SubtractionParameters) error {
	if err := stat.Positive("/whole_cfm", s.WholeCFM, "cfm"); err != nil {
		return err
	}
	if err := stat.Positive("/masked_cfm", s.MaskedCFM, "cfm"); err != nil {
		return err
	}
	if err := stat.NotBelowZero("/gauge_floor_pa", p.GaugeFloorPa, "Pa"); err != nil {
		return err
	}
	if err := stat.Within("/gauge_share", p.GaugeShare, 0, 1, "(fraction of the reading)"); err != nil {
		return err
	}
	if err := stat.Within("/coverage", p.Coverage, 0, 10, "(no unit)"); err != nil {
		return err
	}
	if err := p.Bounds.check(); err != nil {
		return err
	}
	return p.Accuracy.check()
}
