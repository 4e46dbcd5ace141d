package stat

import "math"

// A PChartPoint is one group of a chart of shares, as fractions.
type PChartPoint struct {
	N, Failed        int
	Share, Low, High float64
	Exact            bool // limits of the exact binomial distribution
	Signal           bool // Share lies beyond a limit
}

// PChart sets each group's share of failures beside the limits around the share of all, as
// fractions:
//
//	p ± 3·√(p(1−p)/n), cut at 0 and 1;  where n·p or n·(1−p) is below 5, FunnelRate at the same chance
//
// Refused: no group (too_few), a group of n < 1 or more failed than it holds (/groups/i). Where all failed, or
// none, there are no limits, and no group is beyond any. Source: NIST/SEMATECH e-Handbook 6.3.3.2 [pub].
func PChart(groups []PChartPoint) (center float64, points []PChartPoint, err error) {
	n, failed := 0, 0
	for i, g := range groups {
		if g.N < 1 || g.Failed < 0 || g.Failed > g.N {
			return 0, nil, Refuse(OutOfRange, at("/groups", i), "", "%d failed of %d", g.Failed, g.N)
		}
		n, failed = n+g.N, failed+g.Failed
	}
	if n == 0 {
		return 0, nil, Refuse(TooFew, "/groups", "", "no group is no chart")
	}
	center = float64(failed) / float64(n)
	for _, g := range groups {
		g.Share, g.Low, g.High = float64(g.Failed)/float64(g.N), center, center
		switch expected := center * float64(g.N); {
		case failed == 0 || failed == n:
		case math.Min(expected, float64(g.N)-expected) < 5:
			limits, err := FunnelRate(center, g.N, threeSigma)
			if err != nil {
				return 0, nil, err
			}
			g.Low, g.High, g.Exact = limits.Low, math.Min(1, limits.High), true
		default:
			half := 3 * math.Sqrt(center*(1-center)/float64(g.N))
			g.Low, g.High = math.Max(0, center-half), math.Min(1, center+half)
		}
		g.Signal = g.Share < g.Low || g.Share > g.High
		points = append(points, g)
	}
	return center, points, nil
}

// threeSigma is the chance of a normal value within three standard deviations [calc].
const threeSigma = 0.9973
