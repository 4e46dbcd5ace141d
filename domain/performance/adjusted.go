package performance

import (
	"math"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// Adjusted is a contractor's leakage left over what the same homes would have
// kept on the program's average, no unit: 1.10 leaves 10 % more than expected.
// With r his intercept less the program's, see Model,
//
//	index = e^r    limits e^(r ∓ t·√Var r), t of the model's degrees of freedom
//
// Source: analysis of covariance; its digits in the tests of GLM.jl [pub].
type Adjusted struct {
	// Jobs in the model.
	N int `json:"n"`
	// Why the index is absent: the figures are then unadjusted.
	Reason string `json:"reason,omitempty"`
	// From the own jobs alone.
	Index    *float64 `json:"index_ratio,omitempty"`
	Low      *float64 `json:"index_ratio_low,omitempty"`
	High     *float64 `json:"index_ratio_high,omitempty"`
	Interval string   `json:"interval,omitempty"`
	Level    *float64 `json:"level_ratio,omitempty"`
	Variance *float64 `json:"effect_variance,omitempty"` // of ln(index) as pooling takes it: v of BeliefNode

	Shrunk   *Shrunk   `json:"pooled,omitempty"`
	Standing *Standing `json:"standing,omitempty"`
	// All of it in one sentence.
	Statement string `json:"statement,omitempty"`
}

// adjustedOf shows exp(r) with exp(r ∓ t·√Var r), t of the model's degrees of freedom.
func adjustedOf(e effect, t float64) Adjusted {
	half := t * math.Sqrt(e.own)
	return Adjusted{
		N: int(e.n), Index: ptr(math.Exp(e.r)),
		Low: ptr(math.Exp(e.r - half)), High: ptr(math.Exp(e.r + half)),
		Interval: IntervalT, Level: ptr(Level), Variance: ptr(e.v),
	}
}

// adjust fits the model and places every contractor that it can.
func (t *Tally) adjust() (Model, map[domain.UUID]Adjusted, error) {
	m, effects := t.model()
	if m.Reason != "" {
		return m, nil, nil
	}
	// The part that runs of homes share is known from as many runs.
	df := float64(m.DegreesOfFreedom)
	if *m.Alike > 0 {
		runs := 0.0
		for _, e := range effects {
			runs += e.runs - 1
		}
		df = min(df, max(1, runs))
	}
	t975, err := stat.StudentTQuantile(1-(1-Level)/2, df)
	if err != nil {
		return m, nil, err
	}
	pool, shrunk, err := shrink(effects, t975)
	if err != nil {
		return m, nil, err
	}
	if pool.Difference, err = differ(effects); err != nil {
		return m, nil, err
	}
	standings, err := stand(effects, shrunk, &pool, df)
	if err != nil {
		return m, nil, err
	}
	who := "contractors"
	if t.by == ByCrewLead {
		who = "crew leads"
	}
	pool.Statement = pool.say(who)
	m.Pool = &pool
	placed := make(map[domain.UUID]Adjusted, len(effects))
	for j, e := range effects {
		a := adjustedOf(e, t975)
		a.Shrunk, a.Standing = &shrunk[j], &standings[j]
		a.Statement = a.say(&pool)
		placed[e.contractor] = a
	}
	return m, placed, nil
}
