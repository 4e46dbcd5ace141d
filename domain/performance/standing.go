package performance

import (
	"math"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Levels of the funnel, and what must hold besides for a letter to a contractor.
const (
	watchLevel    = 0.95
	reviewLevel   = 0.998
	minReviewJobs = 10
	material      = 0.05 // |θ|, log scale: about 5 % more or less leakage left
	trim          = 0.10 // of standardized effects drawn in on each side for φ
	listQ         = 0.05 // false-discovery rate of a printed list
)

// Minimum numbers for a figure beside a name.
const (
	minNamedInside  = 5   // below: not by name outside the agency
	minNamedOutside = 10  // below: inside only, and only the pooled index
	minComparison   = 0.7 // reliability from which the word comparison may stand
)

// Naming says where a figure may stand beside a contractor's name.
const (
	NamedNotOutside  = "not_by_name_outside"
	NamedInsideOnly  = "inside_pooled_only"
	NamedWithItsSpan = "with_interval"
)

// Sides of the program.
const (
	LeavesMore         = "leaves_more"
	LeavesLess         = "leaves_less"
	NotDistinguishable = "not_distinguishable"
)

// A Standing is a contractor's place in the funnel, limits as an index without
// unit. It is a reason to look, never a verdict, and holds no rank.
// Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185 [mem]; Adams,
// RAND TR-653 (2009) for the reliability [pub].
type Standing struct {
	// leaves_more, leaves_less or not_distinguishable, by the pooled interval.
	Side string `json:"side"`
	// Standardized effect, r/√v.
	Z float64 `json:"z"`
	// Outside 95 %: for the agency only.
	Watch bool `json:"watch"`
	Outer bool `json:"outside_998"`
	// Also when contractors differ as much as they do.
	Confirmed bool `json:"outside_998_with_tau"`
	// All conditions for a letter hold.
	Review bool `json:"review"`
	// Survives the false-discovery control of a list.
	Listed bool `json:"listed"`

	// Index limits at this number of jobs.
	WatchLow  float64 `json:"limit_95_ratio_low"`
	WatchHigh float64 `json:"limit_95_ratio_high"`
	OuterLow  float64 `json:"limit_998_ratio_low"`
	OuterHigh float64 `json:"limit_998_ratio_high"`
	// Where the figure may stand beside a name.
	Naming      string  `json:"naming"`
	Reliability float64 `json:"reliability_ratio"`
	Comparison  bool    `json:"comparison_wording"`

	conditions bool // for review, but for the confirmation
}

// stand places each effect among funnel limits ± z·√v around 0, v = Var r with
// the uncertainty of the case mix in it:
//
//	watch    outside 95 % (inside the agency only)
//	review   outside 99.8 %, n ≥ 10, |θ| ≥ 5 %, and outside 99.8 % also with
//	         ± z·√(v + τ²), or outside 99.8 % in the period before too
//
// The period before comes in by Comparison.Confirm. Of K contractors 0.05·K
// and 0.002·K stand outside by chance. Reliability is τ²/(τ² + σ²/n).
// Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185 [mem]; Adams,
// RAND TR-653 (2009) for the reliability [pub].
func stand(effects []effect, shrunk []Shrunk, pool *Pool, sigma float64) ([]Standing, error) {
	tau2 := pool.Tau * pool.Tau
	k := float64(len(effects))
	pool.ExpectedWatchCount, pool.ExpectedOuterCount = (1-watchLevel)*k, (1-reviewLevel)*k
	all := make([]Standing, len(effects))
	zs, ps := make([]float64, len(effects)), make([]float64, len(effects))
	for j, e := range effects {
		inner, err := stat.FunnelNormal(e.own, 0, watchLevel)
		if err != nil {
			return nil, err
		}
		outer, err := stat.FunnelNormal(e.own, 0, reviewLevel)
		if err != nil {
			return nil, err
		}
		inflated, err := stat.FunnelNormal(e.own, tau2, reviewLevel)
		if err != nil {
			return nil, err
		}
		z := e.r / math.Sqrt(e.own)
		zs[j], ps[j] = z, 2*stat.NormalCDF(-math.Abs(z))
		s := Standing{
			Side: sideOf(&shrunk[j]), Z: z,
			Watch: outside(e.r, inner), Outer: outside(e.r, outer), Confirmed: outside(e.r, inflated),
			WatchLow: math.Exp(inner.Low), WatchHigh: math.Exp(inner.High),
			OuterLow: math.Exp(outer.Low), OuterHigh: math.Exp(outer.High),
			Naming:      namingOf(e.n),
			Reliability: tau2 / (tau2 + sigma*sigma/float64(e.n)),
		}
		s.Comparison = s.Naming == NamedWithItsSpan && s.Reliability >= minComparison
		s.conditions = s.Outer && e.n >= minReviewJobs && math.Abs(shrunk[j].theta) >= material
		s.Review = s.conditions && s.Confirmed
		if s.Watch {
			pool.WatchCount++
		}
		if s.Outer {
			pool.OuterCount++
		}
		all[j] = s
	}
	listed, err := stat.BenjaminiHochberg(ps, listQ)
	if err != nil {
		return nil, err
	}
	for j := range all {
		all[j].Listed = listed[j]
	}
	pool.Overdispersion, err = stat.Overdispersion(zs, trim)
	return all, err
}

func outside(x float64, limits stat.Interval) bool { return x < limits.Low || x > limits.High }

func sideOf(s *Shrunk) string {
	switch {
	case s.Low > 1:
		return LeavesMore
	case s.High < 1:
		return LeavesLess
	}
	return NotDistinguishable
}

func namingOf(n int64) string {
	switch {
	case n < minNamedInside:
		return NamedNotOutside
	case n < minNamedOutside:
		return NamedInsideOnly
	}
	return NamedWithItsSpan
}

// Confirm brings in the comparison of the period before: who stood outside
// 99.8 % on the same side then and now is up for review without the inflated
// limit.
func (c *Comparison) Confirm(before *Comparison) {
	then := map[domain.UUID]*Standing{}
	for i := range before.Contractors {
		then[before.Contractors[i].ContractorID] = before.Contractors[i].Adjusted.Standing
	}
	for i := range c.Contractors {
		now, was := c.Contractors[i].Adjusted.Standing, then[c.Contractors[i].ContractorID]
		if now != nil && was != nil && was.Outer && now.conditions && math.Signbit(was.Z) == math.Signbit(now.Z) {
			now.Review = true
		}
	}
}
