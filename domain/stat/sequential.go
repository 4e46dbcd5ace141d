package stat

import "math"

// A SequentialPlan is Wald's sequential probability ratio test of failures. After n cases
// with d failures it says
//
//	good  where d ≤ −Good + Slope·n
//	bad   where d ≥ Bad + Slope·n
//
// and asks for one more case between. Most is where it ends undecided: three times the
// cases of the single plan with the same errors.
type SequentialPlan struct {
	Good, Bad, Slope float64
	Most             int
}

// SequentialDecision is what a plan says.
type SequentialDecision string

// What a plan says.
const (
	SequentialGood      SequentialDecision = "good_shown"
	SequentialBad       SequentialDecision = "bad_shown"
	SequentialMore      SequentialDecision = "not_decided"
	SequentialUndecided SequentialDecision = "never_decided" // as many as were to be looked at told neither
)

// Sequential is the plan that tells cases of which the fraction good fails from those of
// which the fraction bad does; of good ones about alpha, a fraction, is called bad, of bad ones about
// beta called good:
//
//	k = ln(bad(1−good)/(good(1−bad)))
//	Good = ln((1−alpha)/beta)/k,  Bad = ln((1−beta)/alpha)/k,  Slope = ln((1−good)/(1−bad))/k
//
// Refused: good and bad not 0 < good < bad < 1 (/bad), alpha or beta outside (0, 0.5)
// (/alpha, /beta). Source: Wald, Sequential Analysis (1947) ch. 5 [mem]; NIST/SEMATECH
// e-Handbook 6.2.6 [mem].
func Sequential(good, bad, alpha, beta float64) (p SequentialPlan, err error) {
	if !(good > 0 && good < bad && bad < 1) {
		return p, Refuse(OutOfRange, "/bad", "", "%v and %v are not two fractions between 0 and 1, the better one first", good, bad)
	}
	for _, e := range []struct {
		argument string
		value    float64
	}{{"/alpha", alpha}, {"/beta", beta}} {
		if !(e.value > 0 && e.value < 0.5) {
			return p, Refuse(OutOfRange, e.argument, "", "%v is not between 0 and 0.5, both excluded", e.value)
		}
	}
	k := math.Log(bad * (1 - good) / (good * (1 - bad)))
	p.Good, p.Bad, p.Slope = math.Log((1-alpha)/beta)/k, math.Log((1-beta)/alpha)/k, math.Log((1-good)/(1-bad))/k
	p.Most = 3 * singlePlan(good, bad, alpha, beta)
	return p, nil
}

// singlePlan is the least n for which some c passes good cases with at least 1 − alpha and bad
// ones with at most beta.
func singlePlan(good, bad, alpha, beta float64) int {
	n := 1
	for c := 0; ; c++ {
		for n = max(n, c+1); binomialCDF(c, n, bad) > beta; n++ {
		}
		if binomialCDF(c, n, good) >= 1-alpha {
			return n
		}
	}
}

// After is what the plan says after n cases with the given failures; no unit. It refuses
// nothing. Source: at Sequential [mem].
func (p SequentialPlan) After(n, failures int) SequentialDecision {
	at := float64(p.Slope * float64(n))
	switch {
	case float64(failures) <= at-p.Good:
		return SequentialGood
	case float64(failures) >= at+p.Bad:
		return SequentialBad
	case n >= p.Most:
		return SequentialUndecided
	}
	return SequentialMore
}
