package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// differenceU is the standard uncertainty of a − b, of which rho of the
// calibration parts is common. Written so that it cannot fall below 0:
//
//	(a·r_a)² + (b·r_b)² + ρ·(a·c_a − b·c_b)² + (1−ρ)·((a·c_a)² + (b·c_b)²)
func differenceU(a float64, ua Uncertainty, b float64, ub Uncertainty, rho float64) float64 {
	ca, cb := float64(a*ua.Calibration), float64(b*ub.Calibration)
	return root(a*ua.Random, b*ub.Random,
		math.Sqrt(rho)*(ca-cb), math.Sqrt(1-rho)*root(ca, cb))
}

// factor is k and the degrees of freedom behind it, 0 for many.
func (p ReductionParameters) factor(u, v Uncertainty, combined float64) (k, freedom float64, err error) {
	fourth := 0.0
	for _, w := range []Uncertainty{u, v} {
		if w.Freedom > 0 && combined > 0 {
			q := w.Random / combined
			fourth += float64(q*q*q*q) / w.Freedom
		}
	}
	if fourth < 1/stat.MaxShape {
		return p.Coverage, 0, nil
	}
	freedom = 1 / fourth
	t, err := stat.StudentTQuantile((1+p.Confidence)/2, freedom)
	if err != nil {
		return 0, 0, err
	}
	return max(t, p.Coverage), freedom, nil
}

func figure(value, u, k float64) Figure {
	h := float64(k * u)
	return Figure{value, u, Interval{value - h, value + h}}
}

func (r Reduction) finite() error {
	figures := []Figure{r.Absolute, r.Ratio, r.Log}
	if r.PerArea != nil {
		figures = append(figures, r.PerArea.Reduction, Figure{Value: r.PerArea.Before, U: r.PerArea.After})
	}
	for _, f := range figures {
		for _, v := range []float64{f.Value, f.U, f.Limits.Low, f.Limits.High} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return stat.Refuse(stat.NoAnswer, "/after/leakage_cfm25", "check both figures", "before and after lie so far apart that their comparison is not finite")
			}
		}
	}
	return nil
}

func (p ReductionParameters) check() error {
	if err := stat.Within("/shared_calibration", p.SharedCalibration, 0, 1, "(no unit)"); err != nil {
		return err
	}
	if !(p.Confidence > 0 && p.Confidence < 1) {
		return stat.Refuse(stat.OutOfRange, "/confidence", "", "%v is not between 0 and 1", p.Confidence)
	}
	if err := stat.Within("/coverage", p.Coverage, 0, 10, "(no unit)"); err != nil {
		return err
	}
	return stat.NotBelowZero("/floor_area_ft2", p.FloorAreaFt2, "ft²")
}
