package stat

import "math"

// A RateTerm is one proportion, Count of N, with its sign in a contrast.
type RateTerm struct {
	Sign     float64 // +1 or −1
	Count, N int
}

// RateContrast is θ = Σ ±pᵢ, a difference of proportions or a difference of
// differences, as a fraction, with limits from those of each proportion:
//
//	Low = θ − √Σ(pᵢ − towards Low)²    High = θ + √Σ(pᵢ − towards High)²
//
// where of a proportion with the sign + the lower Wilson limit is towards Low, with
// the sign − the upper one. For two proportions it is Newcombe's hybrid score interval.
//
// Refused: no term (too_few, /terms), and what Wilson refuses (/terms/i).
// Source: Newcombe, Statistics in Medicine 17 (1998) 873, method 10 [mem]; more
// terms, Zou & Donner, Statistics in Medicine 27 (2008) 1693 [mem].
func RateContrast(terms []RateTerm, level float64) (value float64, limits Interval, err error) {
	if len(terms) == 0 {
		return 0, Interval{}, Refuse(TooFew, "/terms", "", "a contrast needs at least one proportion")
	}
	low, high := 0.0, 0.0
	for i, t := range terms {
		w, err := Wilson(t.Count, t.N, level)
		if err != nil {
			return 0, Interval{}, Under(at("/terms", i), err)
		}
		p := float64(t.Count) / float64(t.N)
		value += float64(t.Sign * p)
		below, above := p-w.Low, w.High-p
		if t.Sign < 0 {
			below, above = above, below
		}
		low += float64(below * below)
		high += float64(above * above)
	}
	return value, Interval{value - math.Sqrt(low), value + math.Sqrt(high)}, nil
}
