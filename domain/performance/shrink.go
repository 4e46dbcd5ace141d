package performance

import (
	"math"

	"ductledger/domain/stat"
)

// priorTau is the spread of true effects between contractors that is taken
// where too few of them stand to estimate it, on the log scale: about 10 %
// more or less leakage left [cp].
const priorTau = 0.10

// minForTau is the number of contractors from which their own spread is used:
// below, an estimate of τ swings between nothing and everything.
const minForTau = 6

// Where τ comes from.
const (
	TauPrior     = "prior"     // priorTau, because of few contractors
	TauEstimated = "estimated" // Paule-Mandel
)

// A Pool says how much contractors truly differ, after chance is taken out.
// Source: Paule & Mandel 1982 [mem] for τ; Spiegelhalter (2005) [mem] for the
// funnel.
type Pool struct {
	ContractorsCount int     `json:"contractors_count"`
	Tau              float64 `json:"tau"` // standard deviation of true effects, log scale
	TauSource        string  `json:"tau_source"`
	Mean             float64 `json:"mean_effect"` // μ, log scale
	MeanSE           float64 `json:"mean_effect_se"`
	Q                float64 `json:"q"` // K − 1 on average where all are alike

	// Funnel: how the standardised effects spread, and how many contractors
	// stand outside by chance alone.
	Overdispersion     float64 `json:"overdispersion_ratio"`
	ExpectedWatchCount float64 `json:"expected_outside_95_count"`
	ExpectedOuterCount float64 `json:"expected_outside_998_count"`
	WatchCount         int     `json:"outside_95_count"`
	OuterCount         int     `json:"outside_998_count"`

	Statement string `json:"statement"`
}

// Shrunk is a contractor's index drawn towards the programme, no unit: with few
// jobs the programme's mean says more about him than they do.
//
//	B = τ²/(τ² + v),  θ = μ + B·(r − μ),  index e^θ
//
// Source: Morris, J. Am. Stat. Assoc. 78 (1983) 47 [mem].
type Shrunk struct {
	Index    float64 `json:"index_ratio"`
	Low      float64 `json:"index_ratio_low"`
	High     float64 `json:"index_ratio_high"`
	Interval string  `json:"interval"`
	Level    float64 `json:"level_ratio"`
	Weight   float64 `json:"own_weight_ratio"` // B, of his own jobs

	theta float64
}

// IntervalNormal is the kind of a pooled index's interval.
const IntervalNormal = "normal"

// shrink draws the effects r_j with variances v_j together:
//
//	B_j = τ²/(τ² + v_j),  θ_j = μ + B_j·(r_j − μ)
//	Var θ_j = B_j·v_j + (1 − B_j)²·se(μ)² + 2/(K−3)·(1 − B_j)²·(r_j − μ)²
//	shown as exp(θ_j ∓ z·√Var)
//
// The last term stands for not knowing τ² and is there only where τ² is
// estimated. Without it the intervals of ten contractors cover 0.90 in place
// of 0.95, and none at all is left of a contractor's own distance at τ² = 0.
//
// τ² by Paule-Mandel from minForTau contractors on, else priorTau². At τ² = 0
// every contractor gets μ: no difference can be detected, which is not the
// same as none. Effects come by contractor id, at least two.
// Source: Morris, J. Am. Stat. Assoc. 78 (1983) 47, for the last term [mem].
func shrink(effects []effect) (Pool, []Shrunk, error) {
	groups := make([]stat.Estimate, len(effects))
	for j, e := range effects {
		groups[j] = stat.Estimate{Effect: e.r, Variance: e.v}
	}
	tau2, err := stat.PauleMandel(groups)
	if err != nil {
		return Pool{}, nil, err
	}
	p := Pool{ContractorsCount: len(effects), TauSource: TauEstimated, Q: stat.GeneralizedQ(groups, 0)}
	if len(effects) < minForTau {
		tau2, p.TauSource = priorTau*priorTau, TauPrior
	}
	shrunk, err := draw(groups, tau2, &p)
	if err != nil {
		return Pool{}, nil, err
	}
	p.Statement = p.say()
	return p, shrunk, nil
}

// draw computes μ and every θ_j of shrink at a given τ²; p says where it comes
// from, and an estimated one has at least minForTau groups.
func draw(groups []stat.Estimate, tau2 float64, p *Pool) ([]Shrunk, error) {
	p.Tau = math.Sqrt(tau2)
	p.Mean, p.MeanSE = stat.PooledMean(groups, tau2)
	z, err := stat.NormalQuantile(1 - (1-Level)/2)
	if err != nil {
		return nil, err
	}
	shrunk := make([]Shrunk, len(groups))
	for j, g := range groups {
		b := tau2 / (tau2 + g.Variance)
		theta := p.Mean + float64(b*(g.Effect-p.Mean))
		variance := float64(b*g.Variance) + float64((1-b)*(1-b)*p.MeanSE*p.MeanSE)
		if p.TauSource == TauEstimated {
			away := (1 - b) * (g.Effect - p.Mean)
			variance += float64(2 / float64(len(groups)-3) * away * away)
		}
		half := z * math.Sqrt(variance)
		shrunk[j] = Shrunk{
			Index: math.Exp(theta), Low: math.Exp(theta - half), High: math.Exp(theta + half),
			Interval: IntervalNormal, Level: Level, Weight: b, theta: theta,
		}
	}
	return shrunk, nil
}
