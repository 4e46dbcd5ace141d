package leakage

import (
	"math"

	"ductledger/domain/stat"
)

// TotalLeakage is leakage of the ducts to anywhere, cfm25.
type TotalLeakage float64

// OutsideLeakage is leakage of the ducts to outside the home, cfm25.
type OutsideLeakage float64

// Leakage is one of the two quantities. Generic code takes one of them at a
// time, so that a before of one and an after of the other do not compile.
type Leakage interface{ TotalLeakage | OutsideLeakage }

// Measured is a leakage with what is known of it.
type Measured[L Leakage] struct {
	CFM25       L
	Uncertainty Uncertainty
}

// OutsideBySubtraction takes a subtraction, in cfm25. Its uncertainty counts as
// random: the difference of two large flows forgets the instrument.
//
//	u = u(leak25)/leak25    no unit
//
// Refused: a leakage of 0, of which no relative uncertainty exists
// (/leakage_cfm25).
// Source: that the errors of two large flows do not cancel [cp].
func OutsideBySubtraction(s Subtraction) (Measured[OutsideLeakage], error) {
	if err := stat.Positive("/leakage_cfm25", s.LeakageCFM25, "cfm"); err != nil {
		return Measured[OutsideLeakage]{}, err
	}
	return Measured[OutsideLeakage]{
		CFM25:       OutsideLeakage(s.LeakageCFM25),
		Uncertainty: Uncertainty{Random: s.UncertaintyCFM25 / s.LeakageCFM25},
	}, nil
}

// ReductionParameters are the settings of a reduction.
type ReductionParameters struct {
	SharedCalibration float64 // ρ: 1 when one gauge, fan and ring did both tests, 0 otherwise; no unit
	Confidence        float64 // of t limits, where a fit left few degrees of freedom; 0.95
	Coverage          float64 // otherwise; Coverage95
	FloorAreaFt2      float64 // 0: not known, no figure per area
}

// DefaultReductionParameters: separate instruments (ρ 0), 95 %, coverage 1.96,
// no floor area.
// Source: JCGM 100 (GUM) table G.1 for the coverage [pub]; the rest [cp].
func DefaultReductionParameters() ReductionParameters {
	return ReductionParameters{Confidence: 0.95, Coverage: Coverage95}
}

// Change is the plain word for a reduction.
type Change string

// The words.
const (
	Reduced   Change = "reduced"
	Increased Change = "increased"
	NoChange  Change = "not_distinguishable"
)

// NotDistinguishable is the sentence for NoChange. It never says "no
// reduction": the tests were too coarse to tell.
const NotDistinguishable = "not distinguishable from no change by these tests"

// A Figure is a value with standard uncertainty and 95 % limits, in its unit.
type Figure struct {
	Value, U float64
	Limits   Interval
}

// A Reduction is the answer of Reduce; positive is better.
type Reduction struct {
	Absolute         Figure     // before − after, cfm25
	Ratio            Figure     // 1 − after/before, no unit
	Log              Figure     // ln(before/after), no unit
	PerArea          *AreaShare // nil without a floor area
	Factor           float64    // k between uncertainties and limits
	DegreesOfFreedom float64    // behind k; 0: as good as infinitely many
	SmallestRatio    float64    // the smallest ratio these tests could have told from none
	Change           Change
	Distinguishable  bool   // the reduction, from none
	Note             string // NotDistinguishable for NoChange, else empty
}

// AreaShare is leakage per 100 ft² of floor.
type AreaShare struct {
	Before, After float64 // cfm25 per 100 ft²
	Reduction     Figure  // the same unit
}

// Reduce compares the leakage before and after a job. With P, Q in cfm25, u
// their relative uncertainties, c the calibration part of u:
//
//	d = ln(P/Q)     u(d)² = u_P² + u_Q² − 2ρ·c_P·c_Q              limits d ∓ k·u(d)
//	ratio 1 − Q/P   u = (Q/P)·u(d)                                limits 1 − e^−(d ∓ k·u(d))
//	a = P − Q       u(a)² = (P·u_P)² + (Q·u_Q)² − 2ρ·P·c_P·Q·c_Q  limits a ∓ k·u(a)
//
// k is Coverage, or Student's t where a fit has few degrees of freedom
// (Welch-Satterthwaite: ν = u(d)⁴/Σ(random⁴/ν_i)), whichever is larger.
// A reduction is distinguishable when d > k·u(d); the smallest such ratio is
// 1 − e^−k·u(d).
//
// A home that leaked below the instrument's range has no after of 0: hand in
// the lower limit of the range, which understates the reduction.
//
// Refused: a leakage not above 0 (/before/leakage_cfm25, /after/…), uncertainties
// outside 0 … 10 (/before/calibration_u_ratio, …), ρ outside 0 … 1
// (/shared_calibration), a confidence outside (0, 1), a coverage outside
// 0 … 10, an area negative (/floor_area_ft2), figures so far apart that their
// comparison leaves float64 (no_answer).
//
// Source: JCGM 100 (GUM) 5.2.2, G.4 [pub].
func Reduce[L Leakage](before, after Measured[L], p ReductionParameters) (Reduction, error) {
	if err := p.check(); err != nil {
		return Reduction{}, err
	}
	for _, m := range []struct {
		argument string
		Measured[L]
	}{{"/before", before}, {"/after", after}} {
		if err := stat.Positive(m.argument+"/leakage_cfm25", float64(m.CFM25), "cfm"); err != nil {
			return Reduction{}, err
		}
		if err := m.Uncertainty.check(m.argument); err != nil {
			return Reduction{}, err
		}
	}
	P, Q := float64(before.CFM25), float64(after.CFM25)
	u, v := before.Uncertainty, after.Uncertainty
	var r Reduction
	r.Log.Value = math.Log(P / Q)
	r.Log.U = differenceU(1, u, 1, v, p.SharedCalibration)
	var err error
	if r.Factor, r.DegreesOfFreedom, err = p.factor(u, v, r.Log.U); err != nil {
		return Reduction{}, err
	}
	h := float64(r.Factor * r.Log.U)
	r.Log.Limits = Interval{r.Log.Value - h, r.Log.Value + h}
	r.Ratio = Figure{(P - Q) / P, Q / P * r.Log.U, Interval{-math.Expm1(h - r.Log.Value), -math.Expm1(-h - r.Log.Value)}}
	r.Absolute = figure(P-Q, differenceU(P, u, Q, v, p.SharedCalibration), r.Factor)
	r.SmallestRatio = -math.Expm1(-h)
	switch {
	case r.Log.Value > h:
		r.Change, r.Distinguishable = Reduced, true
	case -r.Log.Value > h:
		r.Change = Increased
	default:
		r.Change, r.Note = NoChange, NotDistinguishable
	}
	if p.FloorAreaFt2 > 0 {
		per := func(cfm25 float64) float64 { return areaUnit * cfm25 / p.FloorAreaFt2 }
		r.PerArea = &AreaShare{Before: per(P), After: per(Q), Reduction: figure(per(P-Q), per(r.Absolute.U), r.Factor)}
	}
	return r, r.finite()
}
