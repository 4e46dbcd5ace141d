package performance

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A RuleCount is how often one rule was judged in one contractor's jobs, and
// how often it was broken.
type RuleCount struct {
	ContractorID domain.UUID
	Rule         string
	Judged       int
	Broken       int
}

// A BrokenRule is a rule that a contractor broke, beside what the program's
// rate would have given for as many judgments.
type BrokenRule struct {
	Rule string `json:"rule"`
	// Homes.
	JudgedCount int `json:"judged_count"`
	// Homes; a waived finding was broken too.
	BrokenCount   int     `json:"broken_count"`
	BrokenRatio   float64 `json:"broken_ratio"`
	ProgramRatio  float64 `json:"program_broken_ratio"`
	ExpectedCount float64 `json:"expected_count"`
	// Broken / expected, from 1 expected on.
	OverExpected *float64 `json:"over_expected_ratio,omitempty"`
	OverLow      *float64 `json:"over_expected_ratio_low,omitempty"`
	OverHigh     *float64 `json:"over_expected_ratio_high,omitempty"`
	// More often than the program, after false-discovery control over every contractor and rule of the answer.
	Listed bool `json:"listed"`
}

// brokenRules gives, by contractor, the broken rules, the most often broken
// first, then by name. Whether one is listed rests on the exact probability of
// so many or more broken ones among the contractor's judgments, given the
// program's totals, under Benjamini-Hochberg at listQ.
//
// Refused: counts below 0, more broken than judged, a contractor and rule twice.
func brokenRules(counts []RuleCount) (map[domain.UUID][]BrokenRule, error) {
	sorted := slices.Clone(counts)
	slices.SortFunc(sorted, func(a, b RuleCount) int {
		return cmp.Or(strings.Compare(a.Rule, b.Rule), a.ContractorID.Compare(b.ContractorID))
	})
	totals := map[string]RuleCount{}
	for i, c := range sorted {
		switch {
		case c.Broken < 0 || c.Judged < c.Broken:
			return nil, stat.Refuse(stat.OutOfRange, "/broken_count", "", "rule %s of contractor %s: %d broken of %d judged", c.Rule, c.ContractorID, c.Broken, c.Judged)
		case i > 0 && sorted[i-1].Rule == c.Rule && sorted[i-1].ContractorID == c.ContractorID:
			return nil, stat.Refuse(stat.NotSorted, "/rules", "add the counts up", "rule %s of contractor %s comes twice", c.Rule, c.ContractorID)
		}
		sum := totals[c.Rule]
		sum.Judged += c.Judged
		sum.Broken += c.Broken
		totals[c.Rule] = sum
	}
	chances := make([]float64, len(sorted))
	for i, c := range sorted {
		all := totals[c.Rule]
		chances[i] = atLeast(c.Broken, c.Judged, all.Broken, all.Judged)
	}
	listed, err := stat.BenjaminiHochberg(chances, listQ)
	if err != nil {
		return nil, err
	}
	byContractor := map[domain.UUID][]BrokenRule{}
	for i, c := range sorted {
		if c.Broken == 0 {
			continue
		}
		all := totals[c.Rule]
		b := BrokenRule{
			Rule: c.Rule, JudgedCount: c.Judged, BrokenCount: c.Broken,
			BrokenRatio:  float64(c.Broken) / float64(c.Judged),
			ProgramRatio: float64(all.Broken) / float64(all.Judged),
			Listed:       listed[i],
		}
		b.ExpectedCount = float64(c.Judged) * float64(all.Broken) / float64(all.Judged)
		if b.ExpectedCount >= stat.MinExpected {
			limits, err := stat.ObservedOverExpected(c.Broken, b.ExpectedCount, Level)
			if err != nil {
				return nil, err
			}
			b.OverExpected = ptr(float64(c.Broken) / b.ExpectedCount)
			b.OverLow, b.OverHigh = &limits.Low, &limits.High
		}
		byContractor[c.ContractorID] = append(byContractor[c.ContractorID], b)
	}
	for _, rules := range byContractor {
		slices.SortStableFunc(rules, func(a, b BrokenRule) int { return cmp.Compare(b.BrokenCount, a.BrokenCount) })
	}
	return byContractor, nil
}

// atLeast is P(X ≥ x) where n of N judgments are drawn without replacement
// and K of the N are broken (hypergeometric; Fisher's exact test, one-sided).
//
//	P(X = k) = C(K, k)·C(N−K, n−k)/C(N, n)
//
// summed upwards from x by the ratio of neighbors. Not above 1.
func atLeast(x, n, K, N int) float64 {
	if x <= max(0, n+K-N) {
		return 1
	}
	choose := func(a, b int) float64 {
		lg := func(i int) float64 { v, _ := math.Lgamma(float64(i + 1)); return v }
		return lg(a) - lg(b) - lg(a-b)
	}
	p := math.Exp(choose(K, x) + choose(N-K, n-x) - choose(N, n))
	sum := 0.0
	for k := x; k <= min(n, K) && p > 0; k++ {
		sum += p
		p *= float64(K-k) / float64(k+1) * float64(n-k) / float64(N-K-n+k+1)
	}
	return min(1, sum)
}
