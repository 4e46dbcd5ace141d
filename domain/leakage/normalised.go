package leakage

import "ductledger/domain/stat"

// Nominal air-handler flow. Source: California Energy Code, Joint Appendix JA9 [pub].
const (
	FlowPerTon    = 400.0 // cfm per ton of cooling
	FlowPerKBtuh  = 21.7  // cfm per 1,000 Btu/h of heating output
	btuhPerKBtuh  = 1000.0
	areaUnit      = 100.0 // ft²: leakage per area is given per 100 ft²
	GuardOneSided = 1.645 // 95 % one-sided normal factor, no unit; JCGM 106 [mem]
)

// FlowFromCooling is the nominal air-handler flow, 400 cfm per ton.
// Refused: a capacity not above 0 (/cooling_tons).
// Source: California Energy Code, Joint Appendix JA9 [pub].
func FlowFromCooling(tons float64) (float64, error) {
	if err := stat.Positive("/cooling_tons", tons, "ton"); err != nil {
		return 0, err
	}
	q := FlowPerTon * tons
	return q, stat.Finite("/cooling_tons", q, "cfm")
}

// FlowFromHeating is the nominal air-handler flow, 21.7 cfm per 1,000 Btu/h of
// heating output. Refused: an output not above 0 (/heating_btu_h).
// Source: California Energy Code, Joint Appendix JA9 [pub].
func FlowFromHeating(btuh float64) (float64, error) {
	if err := stat.Positive("/heating_btu_h", btuh, "Btu/h"); err != nil {
		return 0, err
	}
	q := FlowPerKBtuh * (btuh / btuhPerKBtuh)
	return q, stat.Positive("/heating_btu_h", q, "cfm")
}

// A Decision is what a figure with an uncertainty says about a limit.
type Decision string

// The decisions.
const (
	Passes   Decision = "passes"
	Fails    Decision = "fails"
	Retest   Decision = "retest"    // the limit lies within the uncertainty
	NotKnown Decision = "not_known" // an input is absent
)

// Decide compares a figure with an upper limit, both in one unit:
//
//	passes  value + guard·u ≤ limit
//	fails   value − guard·u > limit
//	retest  between: neither side bears the risk of a wrong call
//
// u is the standard uncertainty in the figure's unit; 0 where the rule takes
// the figure as it is. guard is usually GuardOneSided. For a lower limit hand
// in the negative figure and limit.
//
// Refused: figures that are not finite, u or guard negative.
// Source: JCGM 106, guard bands [mem].
func Decide(value, u, limit, guard float64) (Decision, error) {
	if err := stat.Finite("/value", value, "the limit's unit"); err != nil {
		return "", err
	}
	if err := stat.NotBelowZero("/uncertainty", u, "the limit's unit"); err != nil {
		return "", err
	}
	if err := stat.Finite("/limit", limit, "its unit"); err != nil {
		return "", err
	}
	if err := stat.NotBelowZero("/guard_factor", guard, "(no unit)"); err != nil {
		return "", err
	}
	band := float64(guard * u)
	switch {
	case value+band <= limit:
		return Passes, nil
	case value-band > limit:
		return Fails, nil
	}
	return Retest, nil
}
