package performance

import (
	"math"
	"math/big"
)

// Level is the probability with which every interval here is meant to cover.
const Level = 0.95

// Reasons why a figure, or its interval, is absent.
const (
	NoJobs       = "no_jobs"       // no job counts
	TooFewJobs   = "n_too_small"   // fewer jobs than the figure needs
	BelowRange   = "below_range"   // half of the readings or more lie below the instrument's range
	ZeroVariance = "zero_variance" // the jobs are alike to the last digit: a question about the data
	NoAreas      = "no_areas"      // no floor area is known
)

// Kinds of interval.
const (
	IntervalT      = "t"               // Student's t
	IntervalRange  = "range"           // two jobs: the smaller and the larger, without a level
	IntervalPooled = "t_pooled"        // Student's t with the spread pooled within groups
	IntervalOrder  = "order_statistic" // two of the readings; level_ratio is the true coverage
)

// minForT is the number of jobs from which a t interval is shown: at two, t is
// 12.7 and says nothing.
const minForT = 3

// Pooled is the reduction of all jobs together, for totals: large homes weigh
// more. With P, Q in cfm25,
//
//	ratio = 1 − ΣQ/ΣP    limits ratio ∓ t(n−1)·SE, from 3 jobs
//	SE² = Σe²/(n−1)/(n·P̄²)    e_i = Q_i − (ΣQ/ΣP)·P_i
//
// Source: ratio estimator, Scheaffer et al., Elementary Survey Sampling [mem].
type Pooled struct {
	// Jobs used.
	N int `json:"n"`
	// Sum before, cfm at 25 Pa, exact to 0.1.
	BeforeCFM25 *float64 `json:"before_cfm25,omitempty"`
	// Sum after.
	AfterCFM25     *float64 `json:"after_cfm25,omitempty"`
	ReductionCFM25 *float64 `json:"reduction_cfm25,omitempty"`
	Ratio          *float64 `json:"reduction_ratio,omitempty"`
	Low            *float64 `json:"reduction_ratio_low,omitempty"`
	High           *float64 `json:"reduction_ratio_high,omitempty"`
	// How the interval was made: t, t_pooled, range of two jobs, order_statistic, normal.
	Interval string `json:"interval,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason string `json:"interval_reason,omitempty"`
}

// pooledOf computes the ratio of sums r = ΣQ/ΣP and its standard error
//
//	e_i = Q_i − r·P_i,  s² = Σe²/(n−1),  SE(r) = s/(P̄·√n)
//
// and shows 1 − r with 1 − r ∓ t(n−1)·SE, not above 1. All jobs of the period
// count, so the interval is for the work, not for a sample of it. From 3 jobs.
// Source: ratio estimator, Scheaffer et al., Elementary Survey Sampling [mem].
func pooledOf(s *sums, tables *tables) (Pooled, error) {
	p := Pooled{N: int(s.n)}
	if s.n == 0 {
		p.Reason = NoJobs
		return p, nil
	}
	p.BeforeCFM25, p.AfterCFM25 = ptr(cfm25(s.before)), ptr(cfm25(s.after))
	p.ReductionCFM25 = ptr(cfm25(s.before - s.after))
	p.Ratio = ptr(float64(s.before-s.after) / float64(s.before))
	if s.n < minForT {
		p.IntervalReason = TooFewJobs
		return p, nil
	}
	t, err := tables.t(s.n - 1)
	if err != nil {
		return p, err
	}
	half := t * ratioError(s)
	if half == 0 {
		p.IntervalReason = ZeroVariance
		return p, nil
	}
	p.Low, p.High = ptr(*p.Ratio-half), ptr(min(1, *p.Ratio+half))
	p.Interval, p.Level = IntervalT, ptr(Level)
	return p, nil
}

// ratioError is SE(r) of pooledOf, for n ≥ 2. The sum of squares comes from
// whole numbers: Σe²·(ΣP)² = ΣQ²·(ΣP)² − 2·ΣPQ·ΣP·ΣQ + ΣP²·(ΣQ)².
func ratioError(s *sums) float64 {
	P, Q := big.NewInt(s.before), big.NewInt(s.after)
	mul := func(a, b, c *big.Int) *big.Int { v := new(big.Int).Mul(a, b); return v.Mul(v, c) }
	e2 := mul(s.aa.big(), P, P)
	cross := mul(s.ba.big(), P, Q)
	e2.Sub(e2, cross.Lsh(cross, 1))
	e2.Add(e2, mul(s.bb.big(), Q, Q))
	n, sumP := float64(s.n), float64(s.before)
	// s/(P̄·√n) with P̄ = ΣP/n is √(Σe²·n/(n−1))/ΣP.
	return math.Sqrt(toFloat(e2, 0)*n/(n-1)) / sumP / sumP
}

func ptr[T any](v T) *T { return &v }
