package stat

import "math"

// The usual chart for few points a month: a smoothing of 0.2 with limits at
// 2.96 standard deviations rings falsely about once in 500 points and answers
// a shift of one standard deviation after about 10 (Lucas & Saccucci,
// Technometrics 32 (1990) 1 [mem], for 2.962).
const (
	EWMALambda = 0.2  // weight of the newest point, no unit
	EWMAWidth  = 2.96 // half-width of the limits, in standard deviations of the chart's value
)

// An EWMAPoint is one step of the chart, in the values' unit.
type EWMAPoint struct {
	Value, Low, High float64
	Signal           bool // Value lies beyond a limit
}

// EWMA is the exponentially weighted moving average of values in time order,
// with limits that widen from the start:
//
//	z_0 = target,  z_t = λ·x_t + (1−λ)·z_{t−1}
//	target ± L·σ·√(λ/(2−λ)·(1 − (1−λ)^{2t}))
//
// x, target and σ are in one unit; λ in (0, 1] and L have none. Handbooks
// often print the limit for t → ∞ from the first point on, which is wider
// there and hides an early shift.
//
// Refused: a value or target not finite, σ or L not above 0, λ outside (0, 1].
// No values give no points.
// Source: NIST/SEMATECH e-Handbook 6.3.2.4 [pub]; the usual λ and L at
// EWMALambda and EWMAWidth.
func EWMA(values []float64, target, sigma, lambda, width float64) ([]EWMAPoint, error) {
	if err := Finite("/target", target, "the values' unit"); err != nil {
		return nil, err
	}
	if err := Positive("/sigma", sigma, "the values' unit"); err != nil {
		return nil, err
	}
	if err := Positive("/width", width, "standard deviations"); err != nil {
		return nil, err
	}
	if !(lambda > 0 && lambda <= 1) {
		return nil, Refuse(OutOfRange, "/lambda", "0.2 is usual", "%v is not above 0 and at most 1", lambda)
	}
	points := make([]EWMAPoint, len(values))
	z, left := target, 1.0 // left is (1−λ)^{2t}
	for t, x := range values {
		if err := Finite(at("/values", t), x, "the values' unit"); err != nil {
			return nil, err
		}
		z = float64(lambda*x) + float64((1-lambda)*z)
		left *= float64((1 - lambda) * (1 - lambda))
		half := width * sigma * math.Sqrt(lambda/(2-lambda)*(1-left))
		points[t] = EWMAPoint{
			Value: z, Low: target - half, High: target + half,
			Signal: z < target-half || z > target+half,
		}
	}
	return points, nil
}
