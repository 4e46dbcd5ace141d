package performance

import "math"

// Typical is the geometric mean reduction: what one typical job takes out of
// the leakage it found. Halving and doubling cancel. With d = ln(P/Q),
//
//	ratio = 1 − e^−d̄    limits 1 − e^−(d̄ ∓ t(n−1)·s_d/√n), from 3 jobs
//
// No unit. Source: Student's t on logarithms [calc].
type Typical struct {
	// Jobs used.
	N     int      `json:"n"`
	Ratio *float64 `json:"reduction_ratio,omitempty"`
	Low   *float64 `json:"reduction_ratio_low,omitempty"`
	High  *float64 `json:"reduction_ratio_high,omitempty"`
	// How the interval was made: t, t_pooled, range of two jobs, order_statistic, normal.
	Interval string `json:"interval,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason string `json:"interval_reason,omitempty"`
}

// A spread is a pooled variance of d within groups, with its degrees of freedom.
type spread struct {
	variance float64
	df       int64
}

// zeroSD is the standard deviation of d below which jobs are alike: logarithms
// of equal ratios differ by a step or two of 2^−44.
const zeroSD = 1e-12

// typicalOf computes, with d = ln P − ln Q,
//
//	G = 1 − exp(−d̄),  limits 1 − exp(−(d̄ ∓ t(n−1)·s_d/√n))
//
// From 3 jobs; two jobs show their range. Jobs alike to the last digit have
// s_d = 0, which is a sign of copied readings and no certainty: the spread
// within all groups stands in, with its own degrees of freedom.
func typicalOf(s *sums, range2 func() (low, high float64), within spread, tables *tables) (Typical, error) {
	g := Typical{N: int(s.n)}
	if s.n == 0 {
		g.Reason = NoJobs
		return g, nil
	}
	n := float64(s.n)
	mean := s.d.logs() / n
	g.Ratio = ptr(reductionOf(mean))
	switch {
	case s.n == 1:
		g.IntervalReason = TooFewJobs
		return g, nil
	case s.n < minForT:
		low, high := range2()
		g.Low, g.High, g.Interval = ptr(low), ptr(high), IntervalRange
		return g, nil
	}
	kind, own := IntervalT, spread{centered(s.n, s.dd, s.d, s.d) / (n - 1), s.n - 1}
	if math.Sqrt(own.variance) <= zeroSD {
		kind, own = IntervalPooled, within
		if own.df < 1 || math.Sqrt(own.variance) <= zeroSD {
			g.IntervalReason = ZeroVariance
			return g, nil
		}
	}
	t, err := tables.t(own.df)
	if err != nil {
		return g, err
	}
	half := t * math.Sqrt(own.variance/n)
	g.Low, g.High = ptr(reductionOf(mean-half)), ptr(reductionOf(mean+half))
	g.Interval, g.Level = kind, ptr(Level)
	return g, nil
}

// reductionOf turns a log reduction d into the share removed, 1 − exp(−d).
func reductionOf(d float64) float64 { return -math.Expm1(-d) }
