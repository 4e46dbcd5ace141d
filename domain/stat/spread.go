package stat

import "math"

// A SpreadNode is one value of τ², the variance of true effects between
// groups, in the effects' unit squared, and how much of the belief lies there.
type SpreadNode struct{ Variance, Weight float64 }

// spreadNodes is fine enough for a thousand groups, whose likelihood is a
// twentieth of a unit of ln(v + τ²) wide.
const spreadNodes = 256

// negligible weights, of the largest, are left away.
const negligible = 1e-12

// SpreadBelief is what K groups tell of τ² where nothing else is known of it:
// the likelihood with the groups' mean integrated out, under a uniform density
// of τ² between 0 and most,
//
//	p(τ²) ∝ Π w_j^½ · (Σ w_j)^−½ · exp(−Q(τ²)/2),  w_j = 1/(v_j + τ²)
//
// at the midpoints of equal steps of ln(v + τ²), v the least variance, ascending;
// the weights add up to 1. Estimates averaged over it have intervals that cover
// as often as they say, or more often, whatever τ² is: a single estimate of τ²
// leaves its own error out. most must be given since two or three groups alone
// would believe in any τ².
//
// Refused: as PauleMandel; most not above 0 (/most).
// Source: Morris, J. Am. Stat. Assoc. 78 (1983) 47; Tak, Kelly, Morris, J. Stat.
// Softw. 78 (2017) 5, for the uniform density and its coverage [mem].
func SpreadBelief(groups []Estimate, most float64) ([]SpreadNode, error) {
	if err := poolable(groups, 2); err != nil {
		return nil, err
	}
	if err := Positive("/most", most, "the effects' unit squared"); err != nil {
		return nil, err
	}
	least := math.Inf(1)
	for _, g := range groups {
		least = min(least, g.Variance)
	}
	nodes := make([]SpreadNode, spreadNodes)
	step := math.Log1p(most/least) / spreadNodes
	highest := math.Inf(-1)
	for i := range nodes {
		u := step * (float64(i) + 0.5)
		nodes[i] = SpreadNode{Variance: least * math.Expm1(u)}
		nodes[i].Weight = u + logLikelihood(groups, nodes[i].Variance) // dτ² = (v + τ²)·du
		highest = max(highest, nodes[i].Weight)
	}
	total, kept := 0.0, nodes[:0]
	for _, n := range nodes {
		if n.Weight = math.Exp(n.Weight - highest); n.Weight > negligible {
			total += n.Weight
			kept = append(kept, n)
		}
	}
	for i := range kept {
		kept[i].Weight /= total
	}
	return kept, nil
}

// logLikelihood is that of τ² in SpreadBelief, but for a constant.
func logLikelihood(groups []Estimate, tau2 float64) float64 {
	sumW, logs := 0.0, 0.0
	for _, g := range groups {
		sumW += 1 / (g.Variance + tau2)
		logs += math.Log(g.Variance + tau2)
	}
	return -(logs + math.Log(sumW) + GeneralizedQ(groups, tau2)) / 2
}
