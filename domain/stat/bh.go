package stat

import "slices"

// BenjaminiHochberg marks which of a list of p-values to report so that, of
// those marked, at most the fraction q is expected to be chance. With the m
// values in ascending order, the marked ones are the first k for the largest
//
//	k with p_(k) ≤ k·q/m
//
// p and q have no unit. Equal p-values share one fate, and the order of the list does not matter.
// It holds for independent or positively dependent tests.
//
// Refused: a p-value outside 0 … 1 (/p_values/i), q outside (0, 1) (/q). An
// empty list is no refusal: nothing is marked.
// Source: Benjamini & Hochberg, J. R. Stat. Soc. B 57 (1995) 289 [pub].
func BenjaminiHochberg(p []float64, q float64) ([]bool, error) {
	if !(q > 0 && q < 1) {
		return nil, Refuse(OutOfRange, "/q", "0.05 is usual", "%v is not between 0 and 1, both excluded", q)
	}
	for i, v := range p {
		if err := Within(at("/p_values", i), v, 0, 1, "probability"); err != nil {
			return nil, err
		}
	}
	ascending := slices.Sorted(slices.Values(p))
	cut := -1.0
	for i, v := range ascending {
		if v <= float64(i+1)*q/float64(len(p)) {
			cut = v
		}
	}
	marked := make([]bool, len(p))
	for i, v := range p {
		marked[i] = v <= cut
	}
	return marked, nil
}
