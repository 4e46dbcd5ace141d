package leakage

import "fmt"

// quality finds the word for a subtraction, and the reason when it is not good.
func (p SubtractionParameters) quality(s SubtractionTest, r Subtraction) (Quality, string) {
	factor := fmt.Sprintf("the ducts keep %v Pa of the home's %v Pa, which multiplies the difference by %.2f", s.HouseToDuctPa, s.HousePa, r.CorrectionFactor)
	switch {
	case r.CorrectionFactor > p.UndecidedCorrection:
		return Undecided, factor + ": use a fan test of the ducts"
	case r.BelowLimit:
		return Undecided, fmt.Sprintf("the two tests differ by no more than their uncertainty: the leakage is below what this method can tell, at most %.0f cfm25", r.LimitCFM25)
	case float64(p.Coverage*r.UncertaintyCFM25) > float64(p.Bounds.Undecided*r.LeakageCFM25):
		return Undecided, "the interval is wider than the settings allow: use a fan test of the ducts"
	case r.CorrectionFactor > p.GoodCorrection:
		return Weak, factor
	case float64(p.Coverage*r.UncertaintyCFM25) > float64(p.Bounds.Good*r.LeakageCFM25):
		return Weak, fmt.Sprintf("the standard uncertainty is %.0f %% of the leakage", 100*r.UncertaintyCFM25/r.LeakageCFM25)
	}
	return Good, ""
}
