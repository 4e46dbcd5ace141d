package performance

import (
	"cmp"
	"slices"
)

// LeftOut counts jobs that are in no reduction, by the one reason of each.
type LeftOut struct {
	Reason string `json:"reason"`
	Count  int    `json:"count"`
}

// A Summary is what some jobs removed. jobs_count = used_count + the counts
// of left_out. Formulas, units and sources stand at Pooled, Typical, Median and
// PerArea.
type Summary struct {
	// Jobs first accepted in the period.
	JobsCount int `json:"jobs_count"`
	// Jobs that the figures use.
	UsedCount int `json:"used_count"`
	// By reason, alphabetical; reasons without a job are not listed.
	LeftOut []LeftOut `json:"left_out"`

	// Of the used ones, those that a screen asks about.
	QuestionedCount int `json:"questioned_count"`
	// Of the used ones.
	ExtrapolatedCount int `json:"extrapolated_count"`
	// Of the used ones.
	BelowRangeCount int `json:"below_range_count"`
	// Jobs on which another contractor worked too.
	SharedCount int `json:"shared_count"`
	// Share of the jobs without a valid reading after.
	MissingAfterRatio *float64 `json:"missing_after_ratio,omitempty"`

	Pooled       Pooled  `json:"pooled"`
	Typical      Typical `json:"geometric"`
	MedianBefore Median  `json:"median_before"`
	MedianAfter  Median  `json:"median_after"`
	PerArea      PerArea `json:"per_area"`

	// Present when a used job is under question.
	WithoutQuestioned *Variant `json:"without_questioned,omitempty"`
	// Present when a usable job was excluded.
	WithExcluded *Variant `json:"with_excluded,omitempty"`

	homes int // that the figures rest on, counted up to leastHomes
}

// A Variant is what the two ratios would be with other jobs counted.
type Variant struct {
	UsedCount      int      `json:"used_count"`
	PooledRatio    *float64 `json:"pooled_reduction_ratio,omitempty"`
	GeometricRatio *float64 `json:"geometric_reduction_ratio,omitempty"`
	// Why the figures are absent.
	Reason string `json:"reason,omitempty"`
}

// summary computes the figures of a group; within is for groups without any
// spread of their own.
func (g *group) summary(within spread, tables *tables) (Summary, error) {
	k := &g.kept
	s := Summary{
		JobsCount: g.jobs, UsedCount: int(k.n), LeftOut: []LeftOut{},
		QuestionedCount:   int(g.questioned.n),
		ExtrapolatedCount: int(k.extrapolated),
		BelowRangeCount:   int(k.belowRange),
		SharedCount:       g.shared,
		PerArea:           perAreaOf(&k.area),
		homes:             len(g.homes),
	}
	for r, n := range g.leftOut {
		if n > 0 {
			s.LeftOut = append(s.LeftOut, LeftOut{reasonWords[r], n})
		}
	}
	slices.SortFunc(s.LeftOut, func(a, b LeftOut) int { return cmp.Compare(a.Reason, b.Reason) })
	if asked := g.jobs - g.leftOut[deemed]; asked > 0 {
		s.MissingAfterRatio = ptr(float64(g.leftOut[missingAfter]) / float64(asked))
	}
	slices.Sort(g.pairs)
	var err error
	if s.Pooled, err = pooledOf(g, tables); err != nil {
		return s, err
	}
	if s.Typical, err = typicalOf(k, g.range2, within, tables); err != nil {
		return s, err
	}
	s.MedianBefore = medianOf(g.befores(), k.beforeBelow, tables)
	s.MedianAfter = medianOf(g.afters(), k.afterBelow, tables)
	if g.questioned.n > 0 {
		v := *k
		v.merge(&g.questioned, -1)
		s.WithoutQuestioned = variantOf(&v)
	}
	if g.set.n > 0 {
		v := *k
		v.merge(&g.set, 1)
		s.WithExcluded = variantOf(&v)
	}
	return s, nil
}

// range2 is the smaller and the larger reduction of a group's two jobs.
func (g *group) range2() (low, high float64) {
	ratio := func(i int) float64 { return float64(g.first[i][0]-g.first[i][1]) / float64(g.first[i][0]) }
	return min(ratio(0), ratio(1)), max(ratio(0), ratio(1))
}

func variantOf(s *sums) *Variant {
	v := &Variant{UsedCount: int(s.n)}
	if s.n == 0 {
		v.Reason = NoJobs
		return v
	}
	v.PooledRatio = ptr(float64(s.before-s.after) / float64(s.before))
	v.GeometricRatio = ptr(reductionOf(s.d.logs() / float64(s.n)))
	return v
}
