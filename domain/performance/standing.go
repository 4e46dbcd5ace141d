package performance

import (
	"fmt"
	"math"
	"strings"

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
	// leaves_more or leaves_less where watch is true, else not_distinguishable.
	Side string `json:"side"`
	// Standardized effect, r/√v.
	Z float64 `json:"z"`
	// Beyond the 95 % limits, some by chance.
	Outside bool `json:"outside_95"`
	// Outside 95 %, the pooled interval on the same side of 1, and the contractors shown to differ. For the agency only.
	Watch bool `json:"watch"`
	Outer bool `json:"outside_998"`
	// Also when contractors differ as much as they do.
	Confirmed bool `json:"outside_998_with_tau"`
	// Listed, and all other conditions for a letter hold.
	Review bool `json:"review"`
	// Watched, and survives the false-discovery control of a list.
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
	// ReviewPower is the chance that a contractor with these jobs who truly leaves
	// so much more than the program, as review_power_index_ratio says, is up for
	// review in one period.
	ReviewPower float64 `json:"review_power_ratio"`

	conditions bool // for review, but for the confirmation
}

// powerIndex is the contractor whose chance of being found is told: 35 % more
// leakage left than the same homes would have had on average [cp].
const powerIndex = 1.35

// stand places each effect among limits ± t·√v around 0, v = Var r with the
// uncertainty of the case mix in it and with homes that go together; t since v
// is estimated. One ladder decides all that is said of a contractor, so that no
// two words contradict each other:
//
//	outside_95    beyond the 95 % limits; 0.05·K are by chance
//	watch         outside_95, the pooled interval leaves 1 on the same side, and the
//	              contractors are shown to differ (Difference)
//	listed        watch, and survives the false-discovery control of a list
//	review        listed, outside 99.8 %, n ≥ 10, |θ| ≥ 5 %, and outside 99.8 % also
//	              with ± t·√(v + τ²), or outside 99.8 % in the period before too
//
// side and sentence follow watch. The period before comes in by
// Comparison.Confirm. reliability_ratio is the weight of his own jobs in the
// pooled index. df are the degrees of freedom of v.
// Source: Spiegelhalter, Statistics in Medicine 24 (2005) 1185 [mem]; Adams,
// RAND TR-653 (2009) for the reliability [pub]; Benjamini & Hochberg (1995).
func stand(effects []effect, shrunk []Shrunk, pool *Pool, df float64) ([]Standing, error) {
	tau2 := pool.Tau * pool.Tau
	k := float64(len(effects))
	pool.ExpectedWatchCount, pool.ExpectedOuterCount = (1-watchLevel)*k, (1-reviewLevel)*k
	inner, err := stat.StudentTQuantile(1-(1-watchLevel)/2, df)
	if err != nil {
		return nil, err
	}
	outer, err := stat.StudentTQuantile(1-(1-reviewLevel)/2, df)
	if err != nil {
		return nil, err
	}
	total := 0.0
	for _, e := range effects {
		total += float64(e.n)
	}
	all := make([]Standing, len(effects))
	zs, ps := make([]float64, len(effects)), make([]float64, len(effects))
	for j, e := range effects {
		sd, inflated, theta := math.Sqrt(e.own), math.Sqrt(e.own+tau2), &shrunk[j]
		z := e.r / sd
		zs[j] = z
		if ps[j], err = stat.StudentTTail(z, df); err != nil {
			return nil, err
		}
		s := Standing{
			Side: NotDistinguishable, Z: z,
			Outside: math.Abs(z) > inner, Outer: math.Abs(z) > outer, Confirmed: math.Abs(e.r) > float64(outer*inflated),
			WatchLow: math.Exp(-inner * sd), WatchHigh: math.Exp(inner * sd),
			OuterLow: math.Exp(-outer * sd), OuterHigh: math.Exp(outer * sd),
			Naming:      namingOf(e.n),
			Reliability: theta.Weight,
		}
		above := math.Log(powerIndex) * (1 - float64(e.n)/total) // he is a part of the program
		s.ReviewPower = stat.NormalCDF((above-float64(outer*inflated))/sd) + stat.NormalCDF((-above-float64(outer*inflated))/sd)
		if e.n < minReviewJobs {
			s.ReviewPower = 0
		}
		if pool.Difference.Shown && s.Outside {
			switch {
			case e.r > 0 && theta.Low > 1:
				s.Watch, s.Side = true, LeavesMore
			case e.r < 0 && theta.High < 1:
				s.Watch, s.Side = true, LeavesLess
			}
		}
		s.Comparison = s.Naming == NamedWithItsSpan && s.Reliability >= minComparison
		if s.Outside {
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
		s := &all[j]
		s.Listed = s.Watch && listed[j]
		s.conditions = s.Listed && s.Outer && effects[j].n >= minReviewJobs && math.Abs(shrunk[j].theta) >= material
		s.Review = s.conditions && s.Confirmed
	}
	pool.Overdispersion, err = stat.Overdispersion(zs, trim)
	return all, err
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

// percent writes a share or an index's distance from 1 to the whole percent,
// half-even, as the figures' own error of some 3 % allows.
func percent(ratio float64) string {
	s, err := stat.RoundFloat(100*ratio, 0)
	if err != nil || s == "-0" {
		return "0"
	}
	return s
}

// signed is an index as "+24%" or "-13%" of leakage left.
func signed(index float64) string {
	p := percent(index - 1)
	if !strings.HasPrefix(p, "-") && p != "0" {
		p = "+" + p
	}
	return p + "%"
}

// say tells what the pool shows; who is the word for the groups.
func (p *Pool) say(who string) string {
	chance := fmt.Sprintf("Of %d about %s stand outside the 95%% limits by chance alone, and %d do.",
		p.ContractorsCount, oneDecimal(p.ExpectedWatchCount), p.WatchCount)
	if !p.Difference.Shown {
		return fmt.Sprintf("These figures cannot tell the %d %s apart, which does not say that they are equal. %s", p.ContractorsCount, who, chance)
	}
	return fmt.Sprintf("The %s differ beyond chance (a test at 5%%), by about %s%% in the leakage left, range %s%% to %s%% (one standard deviation). %s",
		who, percent(math.Expm1(p.Tau)), percent(math.Expm1(p.TauLow)), percent(math.Expm1(p.TauHigh)), chance)
}

// sayPower tells what review finds of a contractor who is worse.
func (p *Pool) sayPower(n int, power float64) string {
	return review(power, fmt.Sprintf("one with %s who truly leaves %s%% more", jobs(n), percent(p.PowerIndex-1)))
}

// review writes how often in one period a review finds something.
func review(power float64, what string) string {
	if power < 0.005 {
		return "A review hardly ever finds " + what + "."
	}
	return "A review finds " + what + " in about " + percent(power) + " of 100 periods."
}

// say tells a group's place in one sentence, as the ladder of stand has it.
func (a *Adjusted) say(p *Pool) string {
	s, st := a.Shrunk, a.Standing
	if !st.Comparison {
		said := "too wide a range for a comparison"
		if st.Watch {
			said = "outside the limits, which is a reason to look and no verdict"
		}
		return fmt.Sprintf("From %s: index %s, range %s to %s: %s. %s", jobs(a.N), index(s.Index), index(s.Low), index(s.High), said,
			review(st.ReviewPower, fmt.Sprintf("a difference of %s%% from so many jobs", percent(p.PowerIndex-1))))
	}
	power := " " + p.sayPower(a.N, st.ReviewPower)
	amount, place := "as much leakage left as expected for the same homes", "not distinguishable from the program"
	if d := percent(math.Abs(s.Index - 1)); d != "0" && s.Index > 1 {
		amount = d + "% more leakage left than expected for the same homes"
	} else if d != "0" {
		amount = d + "% less leakage left than expected for the same homes"
	}
	switch st.Side {
	case LeavesMore:
		place = "more than the program"
	case LeavesLess:
		place = "less than the program"
	default:
		if !p.Difference.Shown {
			return fmt.Sprintf("From %s: leakage left %s to %s against what was expected for the same homes: not distinguishable from the program.", jobs(a.N), signed(s.Low), signed(s.High)) + power
		}
	}
	return fmt.Sprintf("From %s: %s, range %s to %s: %s.", jobs(a.N), amount, signed(s.Low), signed(s.High), place) + power
}

// index writes an index with two decimals, half-even.
func index(v float64) string {
	s, err := stat.RoundFloat(v, 2)
	if err != nil {
		return "0"
	}
	return s
}

// unadjusted labels the figures that stand where the model has none.
func unadjusted(reason string) string {
	why := map[string]string{
		NoJobs:            "no job can enter the model",
		TooFewJobs:        fmt.Sprintf("the model needs at least %d jobs", minModelJobs),
		TooFewContractors: fmt.Sprintf("the model needs at least %d contractors", minModelContractors),
		ZeroVariance:      "the jobs are alike to the last digit",
	}[reason]
	return "Unadjusted: " + why + ", so the reductions here do not allow for the homes that a contractor was given."
}

func jobs(n int) string {
	if n == 1 {
		return "1 job"
	}
	return fmt.Sprintf("%d jobs", n)
}

func oneDecimal(x float64) string {
	s, err := stat.RoundFloat(x, 1)
	if err != nil {
		return "0"
	}
	return s
}
