package month

import (
	"fmt"
	"strings"

	"ductledger/domain"
	"ductledger/domain/delivery"
	"ductledger/domain/pack"
)

// Sums are the figures of one job, or of many, one for each measure. The order
// is that of Measures.
type Sums [measureCount]int64

// Places in Sums.
const (
	jobsAccepted = iota
	jobsCompleted
	jobsWithReduction
	timesReturned
	beforeTenths
	afterTenths
	reductionTenths
	jobsWithOutside
	outsideBeforeTenths
	outsideAfterTenths
	outsideReductionTenths
	jobsWithSaving
	savedKWh
	jobsWithDeemedSaving
	deemedSavedKWh
	payableCents
	heldBackCents
	measureCount
)

// energyPlaces are where the count of jobs with an estimate of energy by a method
// stands, and their sum.
var energyPlaces = map[string][2]int{
	delivery.ByEffectiveness: {jobsWithSaving, savedKWh},
	delivery.ByDeemedFigure:  {jobsWithDeemedSaving, deemedSavedKWh},
}

// leakagePlaces are where before, after, reduction and the count of reductions
// of a quantity stand: total leakage and leakage to outside are never added up.
var leakagePlaces = map[domain.Quantity][4]int{
	domain.TotalLeakage:   {beforeTenths, afterTenths, reductionTenths, jobsWithReduction},
	domain.OutsideLeakage: {outsideBeforeTenths, outsideAfterTenths, outsideReductionTenths, jobsWithOutside},
}

// A Measure is one line of the reconciliation, and what a person reads of it:
// the same number with the point moved by so many places.
type Measure struct {
	Name, Unit  string
	Title       string
	Shown       string // unit for a person
	ShownPlaces int
}

// Measures lists what is carried from month to month, in the order of Sums.
func Measures() [measureCount]Measure {
	return [measureCount]Measure{
		{"jobs_accepted", "jobs", "Homes, by their accepted job", "homes", 0},
		{"jobs_completed", "jobs", "of which completed", "homes", 0},
		{"jobs_with_reduction", "jobs", "of which with total leakage before and after", "homes", 0},
		{"times_returned", "times", "Times given back to the crew", "times", 0},
		{"before_cfm25", "tenths of cfm25", "Total leakage before, added up", cfm25, 1},
		{"after_cfm25", "tenths of cfm25", "Total leakage after, added up", cfm25, 1},
		{"reduction_cfm25", "tenths of cfm25", "Reduction of total leakage, added up", cfm25, 1},
		{"jobs_with_outside_reduction", "jobs", "Homes with leakage to outside before and after", "homes", 0},
		{"outside_before_cfm25", "tenths of cfm25", "Leakage to outside before, added up", cfm25, 1},
		{"outside_after_cfm25", "tenths of cfm25", "Leakage to outside after, added up", cfm25, 1},
		{"outside_reduction_cfm25", "tenths of cfm25", "Reduction of leakage to outside, added up", cfm25, 1},
		{"jobs_with_energy_saved", "jobs", "Homes with an estimate of energy by delivery effectiveness", "homes", 0},
		{"energy_saved", "kWh", "Energy saved in a year, estimated by delivery effectiveness", kWhAYear, 0},
		{"jobs_with_deemed_energy_saved", "jobs", "Homes with an estimate of energy by figures that the program adopted", "homes", 0},
		{"deemed_energy_saved", "kWh", "Energy saved in a year, estimated by figures that the program adopted", kWhAYear, 0},
		{"payable", "US cents", "Payable", dollars, 2},
		{"held_back", "US cents", "of which held back until inspection", dollars, 2},
	}
}

// Plus and Minus add and take away, measure by measure.
func (s Sums) Plus(o Sums) Sums {
	for i := range s {
		s[i] += o[i]
	}
	return s
}

// Minus takes o away.
func (s Sums) Minus(o Sums) Sums {
	for i := range s {
		s[i] -= o[i]
	}
	return s
}

// Movement is what happened to the figures since the package before.
type Movement struct{ New, Late, Corrections, Voided Sums }

// Reconcile gives the lines of the reconciliation and holds them against what
// stands:
//
//	cumulative = previous + new + late + corrections − voided
//
// for each measure. previous and cumulative come from sums over the whole
// history, the movement from the jobs that moved, so that each checks the
// other; every measure that does not hold is named.
func Reconcile(previous Sums, m Movement, cumulative Sums) ([]pack.ReconciliationRow, error) {
	var lines []pack.ReconciliationRow
	var wrong []string
	for i, measure := range Measures() {
		line := pack.ReconciliationRow{
			Measure: measure.Name, Unit: measure.Unit, Previous: previous[i],
			New: m.New[i], Late: m.Late[i], CorrectionsNet: m.Corrections[i], Voided: m.Voided[i],
		}
		if got := line.Cumulative(); got != cumulative[i] {
			wrong = append(wrong, fmt.Sprintf("%s: %d before and what moved give %d, but %d %s stand (difference %d)",
				measure.Name, previous[i], got, cumulative[i], measure.Unit, cumulative[i]-got))
		}
		lines = append(lines, line)
	}
	if wrong != nil {
		return nil, domain.Errorf(domain.NotReconciled, "the figures do not follow from the month before: %s", strings.Join(wrong, "; "))
	}
	return lines, nil
}

// Same holds what a package before ended with against what its history gives
// today; a restored or repaired database can make them differ.
func Same(packaged, history Sums, name string) error {
	var wrong []string
	for i, measure := range Measures() {
		if packaged[i] != history[i] {
			wrong = append(wrong, fmt.Sprintf("%s: the package says %d, the ledger gives %d %s (difference %d)",
				measure.Name, packaged[i], history[i], measure.Unit, history[i]-packaged[i]))
		}
	}
	if wrong != nil {
		return domain.Errorf(domain.NotReconciled, "the package before, %s, no longer follows from the ledger: %s", name, strings.Join(wrong, "; "))
	}
	return nil
}
