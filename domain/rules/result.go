package rules

import (
	"ductledger/domain"
	"ductledger/domain/leakage"
)

// ResultVersion names the way from a job's readings to its result. Stored
// beside each result: a change that moves a digit or another reading gets a
// new one.
const ResultVersion = "result-3/" + leakage.MethodVersion

// Why a result has no figures, or why a reading was left out of it.
const (
	NoReadings      = "no_readings"       // neither before nor after
	NoBefore        = "no_before"         // no valid reading before
	NoAfter         = "no_after"          // no valid reading after
	IsUndecided     = "undecided"         // a reading is too uncertain to tell anything from it
	MethodsDiffer   = "methods_differ"    // before by one method, after by another: they never mix
	IsVoided        = "voided"            //
	IsReplaced      = "replaced"          // another one corrects it
	IsReplacedTwice = "replaced_twice"    // two correct one reading, so neither counts
	OtherMethod     = "other_method"      // not the method of the result
	OtherStage      = "other_stage"       // an interim reading, or an inspector's
	NotFirst        = "not_first"         // an earlier reading before stands
	NotLast         = "not_last"          // a later reading after stands
	NotComplete     = "not_complete"      // a value that the method needs is absent
	NoInstrument    = "instrument_absent" // the instrument with its equation is not known here
)

// Result is what a job did to the leakage of the ducts: the first valid
// reading before against the last valid one after, both by one method. Total
// leakage and leakage to outside never meet in it.
//
//	reduction = before − after    ratio = 1 − after/before    per area = 100·cfm25/ft²
//
// Figures are cfm25, not rounded, with 95 % limits; absent, with a reason,
// where one of the two readings is. Sources: those of package leakage.
type Result struct {
	// How leakage was read.
	Method domain.Method `json:"method,omitzero"`
	// The version of the computation.
	MethodVersion string `json:"method_version"`
	// Why figures are absent.
	Reason string `json:"reason,omitzero"`

	// Leakage before in cfm at 25 Pa.
	BeforeCFM25     *float64 `json:"before_cfm25,omitzero"`
	BeforeCFM25Low  *float64 `json:"before_cfm25_low,omitzero"`
	BeforeCFM25High *float64 `json:"before_cfm25_high,omitzero"`
	// Leakage after in cfm at 25 Pa.
	AfterCFM25     *float64 `json:"after_cfm25,omitzero"`
	AfterCFM25Low  *float64 `json:"after_cfm25_low,omitzero"`
	AfterCFM25High *float64 `json:"after_cfm25_high,omitzero"`
	// Before less after in cfm at 25 Pa.
	ReductionCFM25     *float64 `json:"reduction_cfm25,omitzero"`
	ReductionCFM25Low  *float64 `json:"reduction_cfm25_low,omitzero"`
	ReductionCFM25High *float64 `json:"reduction_cfm25_high,omitzero"`
	// Reduction over before.
	ReductionRatio     *float64 `json:"reduction_ratio,omitzero"`
	ReductionRatioLow  *float64 `json:"reduction_ratio_low,omitzero"`
	ReductionRatioHigh *float64 `json:"reduction_ratio_high,omitzero"`
	// Leakage before per 100 ft² of floor.
	BeforePer100Ft2 *float64 `json:"before_cfm25_per_100ft2,omitzero"`
	// Leakage after per 100 ft² of floor.
	AfterPer100Ft2 *float64 `json:"after_cfm25_per_100ft2,omitzero"`
	// Reduction per 100 ft² of floor.
	ReductionPer100Ft2 *float64 `json:"reduction_cfm25_per_100ft2,omitzero"`
	// The floor area that was used.
	FloorAreaFt2 *float64 `json:"floor_area_ft2,omitzero"`
	// ln of before over after.
	LogReduction *float64 `json:"log_reduction,omitzero"`
	// Its standard uncertainty.
	LogReductionU *float64 `json:"log_reduction_u,omitzero"`
	// One gauge, fan and ring did both tests, so that their calibration cancels.
	SameInstrument *bool `json:"same_instrument,omitzero"`
	// The smallest reduction that these two tests could have told from none.
	SmallestRatio *float64 `json:"smallest_reduction_ratio,omitzero"`
	// From no change, by these tests.
	Distinguishable *bool `json:"distinguishable,omitzero"`
	// What to say where it is not.
	DistinguishableNote string `json:"distinguishable_note,omitzero"`
	// A pressure was below 24.5 Pa.
	Extrapolated bool `json:"extrapolated"`
	// The reading after is the least that the instrument reads: the reduction is understated.
	BelowRange bool `json:"below_range,omitzero"`
	// good, weak or undecided, the worse of both readings.
	Quality leakage.Quality `json:"quality,omitzero"`

	// The measurements used.
	Readings []UsedReading `json:"readings"`
	// The measurements left out and why.
	LeftOut []LeftOutReading `json:"left_out"`

	// What each repair took away, where leakage was read in between.
	Steps *JobSteps `json:"steps,omitzero"`
	// Why readings in between gave no steps.
	StepsReason string `json:"steps_reason,omitzero"`
	// The last pan pass before the work.
	PanBefore *PanSummary `json:"pan_before,omitzero"`
	// The last pan pass after it.
	PanAfter *PanSummary `json:"pan_after,omitzero"`

	Shown Shown `json:"shown"`

	// What storage, statistics and pay start from: tenths of cfm25, half-even.
	BeforeTenths *int64 `json:"-"`
	AfterTenths  *int64 `json:"-"`

	limits        domain.TestLimits // of the program's rule set
	change        leakage.Change
	before, after *taken
}

// UsedReading is a measurement that the result rests on, and how its figure
// was got.
type UsedReading struct {
	MeasurementID domain.UUID    `json:"measurement_id"`
	Stage         domain.Stage   `json:"stage"`
	CFM25         float64        `json:"cfm25"`
	Computed      leakage.Method `json:"computed"` // one_point, two_point, multi_point; subtraction
	Exponent      float64        `json:"exponent"` // assumed for one point and for a subtraction
	UncertaintyU  float64        `json:"relative_u_ratio"`
	Extrapolated  bool           `json:"extrapolated"`
	MethodVersion string         `json:"method_version"`
}

// LeftOutReading is a measurement that the result does not rest on, and why.
type LeftOutReading struct {
	MeasurementID domain.UUID  `json:"measurement_id"`
	Stage         domain.Stage `json:"stage"`
	Reason        string       `json:"reason"`
	Detail        string       `json:"detail,omitzero"`
}

// ReductionTenths is before − after in tenths of cfm25, of the two as they
// are published, so that the three add up; false where one is absent.
// Source: arithmetic of whole numbers [calc].
func (r *Result) ReductionTenths() (int64, bool) {
	if r.BeforeTenths == nil || r.AfterTenths == nil {
		return 0, false
	}
	return *r.BeforeTenths - *r.AfterTenths, true
}

// Compute gives a job's result from the readings in force, in cfm25, Pa, ft² and
// fractions. It needs no rule but the methods that the program asks for: of
// two methods with a reading before and after, one that is asked for comes first.
// Nothing is refused: a reading that package leakage refuses is left out with
// that reason. Source: package leakage; which reading counts [cp].
func Compute(set Set, job *Assembled) Result {
	r := Result{MethodVersion: ResultVersion, Readings: []UsedReading{}, LeftOut: []LeftOutReading{}, Shown: job.shown(), limits: set.tests}
	tests := job.tests(&r)
	r.choose(set, tests)
	r.leaveOut(job, tests)
	if r.before != nil {
		r.use(r.before, &r.BeforeCFM25, &r.BeforeCFM25Low, &r.BeforeCFM25High, &r.BeforeTenths)
	}
	if r.after != nil {
		r.use(r.after, &r.AfterCFM25, &r.AfterCFM25Low, &r.AfterCFM25High, &r.AfterTenths)
	}
	switch {
	case r.before == nil && r.after == nil:
		r.Reason = NoReadings
	case r.before == nil:
		r.Reason = NoBefore
	case r.after == nil:
		r.Reason = NoAfter
	case r.before.Record.Method != r.after.Record.Method:
		r.Reason = MethodsDiffer
		r.Method = ""
	default:
		r.reduce(job)
		r.steps(job)
	}
	r.PanBefore, r.PanAfter = job.panSummary(&set, domain.Before), job.panSummary(&set, domain.After)
	return r
}
