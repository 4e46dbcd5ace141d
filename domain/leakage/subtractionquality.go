package leakage

import "fmt"

// quality finds the word for a subtraction, and the reason when it is not good.
func (p SubtractionParameters) quality(s SubtractionTest, r Subtraction) (Quality, string) {
	factor := fmt.Sprintf("the ducts keep %v Pa of the home's %v Pa, which multiplies the difference by %.2f", s.HouseToDuctPa, s.HousePa, r.CorrectionFactor)
	switch {
	case r.CorrectionFactor > p.UndecidedCorrection:
		return Undecided, factor + ": use a fan test of the ducts"
	case r.Limits.Low <= 0:
		return Undecided, "the difference between the two tests is no larger than their uncertainty: use a fan test of the ducts"
	case r.CorrectionFactor > p.GoodCorrection:
		return Weak, factor
	case r.UncertaintyCFM25 > float64(p.GoodRelative*r.LeakageCFM25):
		return Weak, fmt.Sprintf("the standard uncertainty is %.0f %% of the leakage", 100*r.UncertaintyCFM25/r.LeakageCFM25)
	}
	return Good, ""
}
