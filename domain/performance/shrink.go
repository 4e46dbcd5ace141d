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
	ContractorsCount int `json:"contractors_count"`
	// Standard deviation of true effects, log scale.
	Tau float64 `json:"tau"`
	// estimated, or prior where there are few contractors; of the limits and the reliability, not of the pooled indices.
	TauSource string `json:"tau_source"`
	// Μ, log scale.
	Mean   float64 `json:"mean_effect"`
	MeanSE float64 `json:"mean_effect_se"`
	// Heterogeneity; contractors_count less 1 where all are alike.
	Q float64 `json:"q"`

	// Funnel: how the standardized effects spread, and how many contractors stand outside by chance alone.
	Overdispersion float64 `json:"overdispersion_ratio"`
	// By chance alone.
	ExpectedWatchCount float64 `json:"expected_outside_95_count"`
	// By chance alone.
	ExpectedOuterCount float64 `json:"expected_outside_998_count"`
	WatchCount         int     `json:"outside_95_count"`
	OuterCount         int     `json:"outside_998_count"`

	Statement string `json:"statement"`
}

// Shrunk is a contractor's index drawn toward the program, no unit: with few
// jobs the program's mean says more about him than they do.
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
	// B: weight of the own jobs, averaged alike.
	Weight float64 `json:"own_weight_ratio"`

	theta float64
}

// mostTau is the largest spread that the pooling takes for possible, on the log
// scale: one contractor's leakage left is then 2.7 times another's as a rule.
const mostTau = 1.0

// shrink draws the effects r_j with variances v_j together. At a given τ²
//
//	B_j = τ²/(τ² + v_j),  θ_j = μ + B_j·(r_j − μ),  t_j = θ_j − Σ w_k·θ_k
//	Var t_j = Σ a_k²·B_k·v_k + (Σ a_k·(1 − B_k))²·se(μ)²,  a_k = [k = j] − w_k
//
// with w_k his share of the jobs: as the index is, t is against the program,
// of which he is a part. What is published is the mean of t_j over what the
// effects tell of τ² (stat.SpreadBelief), and
//
//	exp(E t_j ∓ t·√(E Var t_j + Var E t_j))
//
// whose second term stands for not knowing τ². Taken at one estimate of τ², or
// at a supposed one, the intervals of few contractors cover far too seldom.
//
// The τ that is published, and enters reliability and the inflated limit, is
// Paule-Mandel's from minForTau contractors on, else priorTau. Where it is 0 no
// difference can be detected, which is not the same as none. Effects come by
// contractor id, at least two; t is Student's quantile.
func shrink(effects []effect, t float64) (Pool, []Shrunk, error) {
	groups := make([]stat.Estimate, len(effects))
	jobs := int64(0)
	for j, e := range effects {
		groups[j] = stat.Estimate{Effect: e.r, Variance: e.v}
		jobs += e.n
	}
	tau2, err := stat.PauleMandel(groups)
	if err != nil {
		return Pool{}, nil, err
	}
	p := Pool{ContractorsCount: len(effects), Tau: math.Sqrt(tau2), TauSource: TauEstimated, Q: stat.GeneralizedQ(groups, 0)}
	if len(effects) < minForTau {
		p.Tau, p.TauSource = priorTau, TauPrior
	}
	belief, err := stat.SpreadBelief(groups, mostTau*mostTau)
	if err != nil {
		return Pool{}, nil, err
	}
	shares := make([]float64, len(effects))
	for j, e := range effects {
		shares[j] = float64(e.n) / float64(jobs)
	}
	shrunk := p.draw(groups, shares, belief, t)
	p.Statement = p.say()
	return p, shrunk, nil
}

// draw computes μ and every t_j of shrink.
func (p *Pool) draw(groups []stat.Estimate, shares []float64, belief []stat.SpreadNode, t float64) []Shrunk {
	type moments struct{ mean, square, weight float64 }
	drawn := make([]moments, len(groups))
	theta := make([]float64, len(groups))
	p.Mean, p.MeanSE = 0, 0
	for _, node := range belief {
		mu, se := stat.PooledMean(groups, node.Variance)
		mean, variance, left := 0.0, 0.0, 0.0 // Σ w·θ, Σ w²·B·v, Σ w·(1 − B)
		for k, g := range groups {
			b := node.Variance / (node.Variance + g.Variance)
			theta[k] = mu + float64(b*(g.Effect-mu))
			mean += float64(shares[k] * theta[k])
			variance += float64(shares[k] * shares[k] * b * g.Variance)
			left += float64(shares[k] * (1 - b))
		}
		for k, g := range groups {
			b := node.Variance / (node.Variance + g.Variance)
			at, coefficient := theta[k]-mean, (1-b-left)*se
			square := float64((1-shares[k]-shares[k])*b*g.Variance) + variance + float64(coefficient*coefficient) + float64(at*at)
			m := &drawn[k]
			m.mean += float64(node.Weight * at)
			m.square += float64(node.Weight * square)
			m.weight += float64(node.Weight * b)
		}
		p.Mean += float64(node.Weight * mu)
		p.MeanSE += float64(node.Weight * (float64(se*se) + float64(mu*mu)))
	}
	p.MeanSE = math.Sqrt(max(0, p.MeanSE-float64(p.Mean*p.Mean)))
	shrunk := make([]Shrunk, len(groups))
	for k, m := range drawn {
		half := t * math.Sqrt(max(0, m.square-float64(m.mean*m.mean)))
		shrunk[k] = Shrunk{
			Index: math.Exp(m.mean), Low: math.Exp(m.mean - half), High: math.Exp(m.mean + half),
			Interval: IntervalT, Level: Level, Weight: m.weight, theta: m.mean,
		}
	}
	return shrunk
}
