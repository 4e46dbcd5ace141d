package performance

import (
	"math"

	"ductledger/domain/stat"
)

// A Pool says how much contractors differ, after chance is taken out, and holds
// all that a spreadsheet needs to give the pooled index again.
// Source: SpreadBelief for τ; Paule & Mandel 1982 [mem]; Spiegelhalter (2005)
// [mem] for the funnel.
type Pool struct {
	ContractorsCount int `json:"contractors_count"`
	// Standard deviation of true effects on the log scale: the middle of what the
	// jobs tell of it, with 95 % limits. Weights, reliability and the outer limit
	// come from the same belief.
	Tau     float64 `json:"tau"`
	TauLow  float64 `json:"tau_low"`
	TauHigh float64 `json:"tau_high"`
	// The usual point estimate, to compare with other software; nothing rests on it.
	TauPauleMandel float64    `json:"tau_paule_mandel"`
	Mean           float64    `json:"mean_effect"` // μ, log scale
	MeanSE         float64    `json:"mean_effect_se"`
	Q              float64    `json:"q"` // K − 1 on average where all are alike
	Difference     Difference `json:"difference"`

	// Belief: what the jobs tell of the variance of true effects.
	Belief []BeliefNode `json:"belief"`

	// Funnel: how the standardized effects spread, and how many contractors
	// stand outside by chance alone.
	Overdispersion     float64 `json:"overdispersion_ratio"`
	ExpectedWatchCount float64 `json:"expected_outside_95_count"`
	ExpectedOuterCount float64 `json:"expected_outside_998_count"`
	WatchCount         int     `json:"outside_95_count"`
	OuterCount         int     `json:"outside_998_count"`

	// How much worse a contractor is supposed to be in review_power_ratio.
	PowerIndex float64 `json:"review_power_index_ratio"`

	Statement string `json:"statement"`
}

// A BeliefNode is one value of the variance of true effects. With v a
// contractor's effect_variance and r the logarithm of his index,
//
//	pooled index = exp(Σ weight·(mean + tau2/(tau2 + v)·(r − mean) − shift))
//
// over the nodes.
type BeliefNode struct {
	Tau2   float64 `json:"tau2"`
	Weight float64 `json:"weight"`
	Mean   float64 `json:"mean_effect"`
	Shift  float64 `json:"shift"` // of the whole program, so that it stands at 1
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

// TauEstimated says that a figure comes from the jobs.
const TauEstimated = "estimated"

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
// τ as published, reliability and the inflated limit come from the same belief.
// Effects come by
// contractor id, at least two; t is Student's quantile.
func shrink(effects []effect, t float64) (Pool, []Shrunk, error) {
	groups := make([]stat.Estimate, len(effects))
	jobs := int64(0)
	for j, e := range effects {
		groups[j] = stat.Estimate{Effect: e.r, Variance: e.v}
		jobs += e.n
	}
	pointTau2, err := stat.PauleMandel(groups)
	if err != nil {
		return Pool{}, nil, err
	}
	belief, err := stat.SpreadBelief(groups, mostTau*mostTau)
	if err != nil {
		return Pool{}, nil, err
	}
	p := Pool{ContractorsCount: len(effects), TauPauleMandel: math.Sqrt(pointTau2), Q: stat.GeneralizedQ(groups, 0), PowerIndex: powerIndex}
	p.Tau, p.TauLow, p.TauHigh = tauAt(belief, 0.5), tauAt(belief, (1-Level)/2), tauAt(belief, 1-(1-Level)/2)
	shares := make([]float64, len(effects))
	for j, e := range effects {
		shares[j] = float64(e.n) / float64(jobs)
	}
	shrunk := p.draw(groups, shares, belief, t)
	return p, shrunk, nil
}

// tauAt is the τ below which a share of the belief lies.
func tauAt(belief []stat.SpreadNode, share float64) float64 {
	sum := 0.0
	for _, node := range belief {
		if sum += node.Weight; sum >= share {
			return math.Sqrt(node.Variance)
		}
	}
	return math.Sqrt(belief[len(belief)-1].Variance)
}

// draw computes μ and every t_j of shrink.
func (p *Pool) draw(groups []stat.Estimate, shares []float64, belief []stat.SpreadNode, t float64) []Shrunk {
	type moments struct{ mean, square, weight float64 }
	drawn := make([]moments, len(groups))
	theta := make([]float64, len(groups))
	p.Mean, p.MeanSE, p.Belief = 0, 0, nil
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
		p.Belief = append(p.Belief, BeliefNode{node.Variance, node.Weight, mu, mean})
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

// testLevel is the chance at which contractors who are all equal are said to differ.
const testLevel = 0.05

// A Difference is the test whether the groups differ at all:
//
//	F = Σ n_j·r_j² / Σ (1 − n_j/N)·s_j²
//
// with s_j² the spread of a group's own homes, runs of homes that go together
// taken as one. Neither equal spreads nor equal numbers are supposed, as the
// usual test does; freedom of numerator and denominator follow from the spreads.
// Source: Brown, Forsythe, Technometrics 16 (1974) 129 [mem]; numerator's
// degrees of freedom, Mehrotra, Comm. Stat. Sim. 26 (1997) 1139 [mem].
type Difference struct {
	F           float64 `json:"f"`
	Numerator   float64 `json:"numerator_freedom"`
	Denominator float64 `json:"denominator_freedom"`
	P           float64 `json:"p"`
	Level       float64 `json:"level_ratio"`
	Shown       bool    `json:"shown"` // p is at most the level
}

// differ makes the test. A group with one run only has the spread of all.
func differ(effects []effect) (Difference, error) {
	all := 0.0
	for _, e := range effects {
		all += float64(e.n)
	}
	between, within, squares, shares, sharesOfSquares, freedom := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
	for _, e := range effects {
		n, s2, runs := float64(e.n), e.spread, e.runs
		if runs <= 1 {
			s2, runs = n*e.v, 2
		}
		f := n / all
		between += float64(n * e.r * e.r)
		within += float64((1 - f) * s2)
		squares += float64(s2 * s2)
		shares += float64(f * s2)
		sharesOfSquares += float64(f * s2 * s2)
		part := float64((1 - f) * s2)
		freedom += float64(part*part) / (runs - 1)
	}
	d := Difference{Level: testLevel, P: 1}
	if within <= 0 || freedom <= 0 {
		return d, nil
	}
	d.F = between / within
	d.Numerator = float64(within*within) / (squares + float64(shares*shares) - float64(2*sharesOfSquares))
	d.Denominator = float64(within*within) / freedom
	var err error
	d.P, err = stat.FTail(d.F, d.Numerator, min(d.Denominator, stat.MaxShape))
	d.Shown = d.P <= testLevel
	return d, err
}
