package leakage

import (
	"math"
	"strconv"

	"ductledger/domain/stat"
)

// LeastPairs is the number of re-tests from which a program's own
// repeatability replaces the assumed one [cp].
const LeastPairs = 15

// RepeatabilityFactor: 95 % of pairs of tests differ by less than this many
// s_w, 1.96·√2 rounded as tables print it. Source: Bland, Altman, BMJ 313
// (1996) 744 [mem].
const RepeatabilityFactor = 2.77

// A Repeat is what pairs of tests of unchanged ducts tell.
type Repeat struct {
	Pairs    int
	WithinSD float64  // s_w, relative (of ln leakage), no unit
	Limits   Interval // of WithinSD, 95 %
	Gap95    float64  // 95 % of pairs differ by less, in ln leakage
	Enough   bool     // LeastPairs and more: fit to be Accuracy.Repeatability
}

// Repeatability is the within-pair standard deviation of ln leakage, no unit:
//
//	s_w = √(Σ(ln first − ln second)²/(2m))    m pairs
//	limits s_w·√(m/χ²)    χ² of m degrees of freedom at 0.975 and 0.025
//
// Whose pairs they are decides what s_w is of: one crew and instrument, set up
// anew the same day, tell repeatability; two meters carry their calibration; an
// inspector, another day, tells reproducibility. They are never pooled.
//
// Refused: no pair (too_few, /pairs), a leakage not above 0 (/pairs/i/0, /pairs/i/1).
// Source: Bland, Altman, Lancet 327 (1986) 307–310 [mem]; limits of a variance by
// chi-square, NIST/SEMATECH e-Handbook 7.2.3.1 [mem].
func Repeatability(pairsCFM25 [][2]float64) (Repeat, error) {
	if len(pairsCFM25) == 0 {
		return Repeat{}, stat.Refuse(stat.TooFew, "/pairs", "", "0 pairs, at least 1 is needed")
	}
	sum := 0.0
	for i, pair := range pairsCFM25 {
		for j, v := range pair {
			if err := stat.Positive("/pairs/"+strconv.Itoa(i)+"/"+strconv.Itoa(j), v, "cfm"); err != nil {
				return Repeat{}, err
			}
		}
		d := math.Log(pair[0]) - math.Log(pair[1])
		sum += float64(d * d)
	}
	m := float64(len(pairsCFM25))
	s := math.Sqrt(sum / (2 * m))
	high, err := stat.ChiSquareQuantile(0.975, m)
	if err != nil {
		return Repeat{}, err
	}
	low, err := stat.ChiSquareQuantile(0.025, m)
	limits := Interval{s * math.Sqrt(m/high), s * math.Sqrt(m/low)}
	return Repeat{len(pairsCFM25), s, limits, RepeatabilityFactor * s, len(pairsCFM25) >= LeastPairs}, err
}
