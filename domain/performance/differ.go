package performance

import "ductledger/domain/stat"

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
