package leakage

import (
	"fmt"
	"math"
	"strings"

	"ductledger/domain/stat"
)

// StepsVersion names the computation of RepairSteps.
const StepsVersion = "repair-steps-1"

// Limits of a series. A home has fewer repairs than this, and a leak of this
// size no duct; both also keep the check of the sum within its tolerance.
const (
	mostSteps      = 40
	mostStepCFM25  = 1e5  // cfm25
	stepsTolerance = 1e-9 // cfm25: by how much the steps' sum may miss before − after
)

// A SteppedReading is one fan test in a series on one job: the leakage after
// the repairs since the test before it.
type SteppedReading struct {
	// What was repaired since the reading before; absent of the first.
	RepairKinds []string `json:"repair_kinds,omitzero" validate:"omitempty,min=1,max=20,dive,snake,min=2,max=60"`
	// cfm at 25 Pa.
	LeakageCFM25 float64 `json:"leakage_cfm25" validate:"gte=0,lte=20000"`
	// Its standard uncertainty.
	UncertaintyCFM25 float64 `json:"uncertainty_cfm25" validate:"gte=0,lte=20000"`
}

// A RepairStep is what the repairs between two fan tests took away.
type RepairStep struct {
	RepairKinds []string `json:"repair_kinds"`
	// Several kinds between two tests: what each did cannot be told.
	Shared    bool    `json:"shared"`
	FromCFM25 float64 `json:"from_cfm25"`
	ToCFM25   float64 `json:"to_cfm25"`
	// Below zero where leakage rose.
	ReductionCFM25 float64 `json:"reduction_cfm25"`
	// Standard uncertainty of the reduction.
	UncertaintyCFM25 float64 `json:"uncertainty_cfm25"`
	LowCFM25         float64 `json:"reduction_low_cfm25"`
	HighCFM25        float64 `json:"reduction_high_cfm25"`
	// From no change, by these tests.
	Distinguishable bool `json:"distinguishable"`
	// In words.
	Says string `json:"says"`
}

// RepairSteps is a series of steps and the check that they add up.
type RepairSteps struct {
	// The version of the computation.
	MethodVersion string       `json:"method_version"`
	Steps         []RepairStep `json:"steps"`
	// Of the steps, in their order.
	SumCFM25 float64 `json:"sum_cfm25"`
	// Before less after.
	ReductionCFM25 float64 `json:"reduction_cfm25"`
	// Both are equal to 1e-9 cfm25.
	AddUp bool `json:"add_up"`
	// Of every low and high here.
	Level float64 `json:"level_ratio"`
	// Between a standard uncertainty and its limits.
	Coverage float64 `json:"coverage_factor"`
	// Standard uncertainty of before less after.
	UncertaintyCFM25 float64 `json:"uncertainty_cfm25"`
	// Before against after, by these tests.
	Distinguishable bool `json:"distinguishable"`
}

// The sentences of a step.
const (
	stepTold    = "the tests tell this step from no change"
	stepNotTold = "smaller than its uncertainty: not distinguishable from no change by these tests"
	stepRose    = "leakage rose in this step by more than its uncertainty"
)

// Steps says what each kind of repair took away, from fan tests in the order
// in which they were made: before, any interim ones, after.
//
//	stepᵢ    = Lᵢ₋₁ − Lᵢ                cfm25; L: leakage at 25 Pa
//	u(step)  = √(uᵢ₋₁² + uᵢ²)           cfm25, standard
//	told     = |step| > 1.96·u(step)
//	Σ step   = before − after           checked to 1e-9 cfm25
//
// At one duct pressure the flows through parallel leaks add, which is why
// steps in cfm25 may be added. Neighboring steps share a reading, so their
// errors are opposed and the steps' uncertainties do not add in quadrature;
// the whole has √(u_before² + u_after²). A series is of one quantity,
// total or to outside, and of one method; the caller passes no mix.
//
// Refused, with the reading named: leakage or uncertainty below zero, not a
// number or above 1e5 cfm25, a reading before that names a repair kind or a
// later one that names none, more than 40 steps. Source: parallel flows [calc]; 1.96·u for
// a difference of two readings, JCGM 100 6.3.3 [mem].
func Steps(before SteppedReading, interim []SteppedReading, after SteppedReading) (RepairSteps, error) {
	if len(interim)+1 > mostSteps {
		return RepairSteps{}, stat.Refuse(stat.TooMany, "/interim", "", "%d interim readings are more than %d", len(interim), mostSteps-1)
	}
	if err := before.check("/before"); err != nil {
		return RepairSteps{}, err
	}
	if len(before.RepairKinds) > 0 {
		return RepairSteps{}, stat.Refuse(stat.OutOfRange, "/before/repair_kinds", "name the repairs at the reading that followed them",
			"the reading before the work names %d repairs", len(before.RepairKinds))
	}
	out := RepairSteps{MethodVersion: StepsVersion, Level: Level95, Coverage: Coverage95, Steps: make([]RepairStep, 0, len(interim)+1)}
	last := before
	for i := 0; i <= len(interim); i++ {
		reading, argument := after, "/after"
		if i < len(interim) {
			reading, argument = interim[i], fmt.Sprintf("/interim/%d", i)
		}
		if err := reading.checkAsStep(argument); err != nil {
			return RepairSteps{}, err
		}
		step := stepBetween(last, reading)
		out.SumCFM25 += step.ReductionCFM25
		out.Steps = append(out.Steps, step)
		last = reading
	}
	whole := stepBetween(before, after)
	out.ReductionCFM25 = whole.ReductionCFM25
	out.UncertaintyCFM25 = whole.UncertaintyCFM25
	out.Distinguishable = whole.Distinguishable
	out.AddUp = math.Abs(out.SumCFM25-out.ReductionCFM25) <= stepsTolerance
	return out, nil
}

// stepBetween is the change from one reading to the next.
func stepBetween(from, to SteppedReading) RepairStep {
	s := RepairStep{
		RepairKinds:    append([]string(nil), to.RepairKinds...),
		Shared:         len(to.RepairKinds) > 1,
		FromCFM25:      from.LeakageCFM25,
		ToCFM25:        to.LeakageCFM25,
		ReductionCFM25: from.LeakageCFM25 - to.LeakageCFM25,
	}
	s.UncertaintyCFM25 = math.Sqrt(float64(from.UncertaintyCFM25*from.UncertaintyCFM25) + float64(to.UncertaintyCFM25*to.UncertaintyCFM25))
	half := float64(Coverage95 * s.UncertaintyCFM25)
	s.LowCFM25, s.HighCFM25 = s.ReductionCFM25-half, s.ReductionCFM25+half
	s.Distinguishable = math.Abs(s.ReductionCFM25) > half
	switch {
	case !s.Distinguishable:
		s.Says = stepNotTold
	case s.ReductionCFM25 < 0:
		s.Says = stepRose
	default:
		s.Says = stepTold
	}
	return s
}

func (r SteppedReading) check(argument string) error {
	if err := stat.Within(argument+"/leakage_cfm25", r.LeakageCFM25, 0, mostStepCFM25, "cfm25"); err != nil {
		return err
	}
	return stat.Within(argument+"/uncertainty_cfm25", r.UncertaintyCFM25, 0, mostStepCFM25, "cfm25")
}

func (r SteppedReading) checkAsStep(argument string) error {
	if err := r.check(argument); err != nil {
		return err
	}
	if len(r.RepairKinds) == 0 {
		return stat.Refuse(stat.NotComplete, argument+"/repair_kinds", "name what was repaired since the reading before",
			"the reading names no repair, so its step belongs to none")
	}
	for i, kind := range r.RepairKinds {
		if strings.TrimSpace(kind) == "" {
			return stat.Refuse(stat.NotComplete, fmt.Sprintf("%s/repair_kinds/%d", argument, i), "", "the repair kind is empty")
		}
	}
	return nil
}
