package rules

import (
	"fmt"
	"slices"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// ResultVersion names the way from a job's readings to its result. Stored
// beside each result: a change that moves a digit or another reading gets a
// new one.
//
// result-4: a masked flow equal to the whole one or above it is below what a
// subtraction can tell, whether or not it was ticked; such a reading before the
// work decides nothing. A result says the level of its limits, and the factor
// behind those of the reduction.
const ResultVersion = "result-4/" + leakage.MethodVersion

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
	// Of every low and high here. All that is not known of a reading is in them: the scatter of a fit by Student's t, the
	// instrument's calibration and doing the test again by 1.96.
	Level *float64 `json:"level_ratio,omitzero"`
	// Between the uncertainty of the reduction and its limits: 1.96, or more where a fit has few degrees of freedom.
	Coverage *float64 `json:"reduction_coverage_factor,omitzero"`
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
	// What the job saves of heating energy in a year, where the program's rule set says how it is estimated.
	Energy *EnergyEstimate `json:"energy_estimate,omitzero"`
	// The last pan pass before the work.
	PanBefore *PanSummary `json:"pan_before,omitzero"`
	// The last pan pass after it.
	PanAfter *PanSummary `json:"pan_after,omitzero"`

	Shown Shown `json:"shown"`

	// What storage, statistics and pay start from: tenths of cfm25, half-even.
	BeforeTenths *int64 `json:"-"`
	AfterTenths  *int64 `json:"-"`

	// Where payment waits for pictures: those that rules ask for and that have
	// not arrived.
	PicturesOwed int `json:"-"`

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
	r.Energy = estimateEnergy(&set, job, &r)
	r.PanBefore, r.PanAfter = job.panSummary(&set, domain.Before), job.panSummary(&set, domain.After)
	return r
}

// choose takes the first test before and the last one after of one method, of
// those asked for in their order, then of any; of whatever method where none
// has both.
func (r *Result) choose(set Set, tests []taken) {
	var order [6]domain.Method
	methods := order[:0]
	for _, m := range set.MethodsAsked {
		if m != domain.Pan {
			methods = append(methods, m)
		}
	}
	methods = append(methods, domain.FanTotal, domain.FanOutside, domain.Subtraction)
	for _, m := range methods {
		before, after := ends(tests, m)
		if before != nil && after != nil {
			r.before, r.after, r.Method = before, after, m
			return
		}
	}
	r.before, r.after = ends(tests, "")
	if one := r.before; one != nil {
		r.Method = one.Record.Method
	} else if one := r.after; one != nil {
		r.Method = one.Record.Method
	}
}

// ends finds the first test before and the last after; of any method where
// none is named. Ties in time go by id.
func ends(tests []taken, method domain.Method) (before, after *taken) {
	for i := range tests {
		t := &tests[i]
		switch {
		case method != "" && t.Record.Method != method:
		case t.Record.Stage == domain.Before && (before == nil || t.Record.TakenAt.Before(before.Record.TakenAt)):
			before = t
		case t.Record.Stage == domain.After && (after == nil || !t.Record.TakenAt.Before(after.Record.TakenAt)):
			after = t
		}
	}
	return before, after
}

// leaveOut names each measurement that was not used.
func (r *Result) leaveOut(job *Assembled, tests []taken) {
	for i := range tests {
		t := &tests[i]
		switch {
		case t == r.before || t == r.after:
		case t.Record.Method != r.Method:
			r.without(t.Entry, t.Record, OtherMethod, "")
		case t.Record.Stage == domain.Before:
			r.without(t.Entry, t.Record, NotFirst, "")
		default:
			r.without(t.Entry, t.Record, NotLast, "")
		}
	}
	for _, e := range job.Superseded {
		r.withoutEntry(e, IsReplaced)
	}
	for _, d := range job.Disputed {
		for _, e := range d.By {
			r.withoutEntry(e, IsReplacedTwice)
		}
	}
	for _, e := range job.Voided {
		r.withoutEntry(e, IsVoided)
	}
}

func (r *Result) withoutEntry(e *domain.Entry, reason string) {
	if m, ok := e.Record.(*domain.Measurement); ok {
		r.without(e, m, reason, "")
	}
}

func (r *Result) without(e *domain.Entry, m *domain.Measurement, reason, detail string) {
	r.LeftOut = append(r.LeftOut, LeftOutReading{e.ID, m.Stage, reason, detail})
}

// use puts one test's figure into the result.
func (r *Result) use(t *taken, value, low, high **float64, tenths **int64) {
	*value = &t.cfm25
	if t.limits != nil {
		*low, *high, r.Level = &t.limits.Low, &t.limits.High, new(leakage.Level95)
	}
	if n, err := stat.Units(t.cfm25, 1); err == nil {
		*tenths = &n
	}
	r.Readings = append(r.Readings, UsedReading{t.ID, t.Record.Stage, t.cfm25, t.computed, t.exponent, t.uncertainty.Relative(), t.extrapolated, t.version()})
	r.Extrapolated = r.Extrapolated || t.extrapolated
	if r.Quality == "" || qualityRank(t.quality) > qualityRank(r.Quality) {
		r.Quality = t.quality
	}
}

func qualityRank(q leakage.Quality) int {
	switch q {
	case leakage.Good:
		return 0
	case leakage.Weak:
		return 1
	}
	return 2
}

// reduce compares the two tests.
func (r *Result) reduce(job *Assembled) {
	r.BelowRange = r.after.below
	if r.Quality == leakage.Undecided {
		r.Reason = IsUndecided
		return
	}
	p := leakage.DefaultReductionParameters()
	shared := sameFan(r.before.Record, r.after.Record)
	if shared {
		p.SharedCalibration = 1
	}
	if area := job.home().FloorAreaFt2; area != nil && *area > 0 {
		p.FloorAreaFt2, r.FloorAreaFt2 = *area, area
	}
	var reduction leakage.Reduction
	var err error
	if r.Method == domain.FanTotal {
		reduction, err = leakage.Reduce(measured[leakage.TotalLeakage](r.before), measured[leakage.TotalLeakage](r.after), p)
	} else {
		reduction, err = leakage.Reduce(measured[leakage.OutsideLeakage](r.before), measured[leakage.OutsideLeakage](r.after), p)
	}
	if err != nil {
		r.Reason = refusalCode(err)
		return
	}
	absolute, ratio := reduction.Absolute, reduction.Ratio
	r.Level, r.Coverage = new(leakage.Level95), &reduction.Factor
	r.ReductionCFM25, r.ReductionCFM25Low, r.ReductionCFM25High = &absolute.Value, &absolute.Limits.Low, &absolute.Limits.High
	r.ReductionRatio, r.ReductionRatioLow, r.ReductionRatioHigh = &ratio.Value, &ratio.Limits.Low, &ratio.Limits.High
	if area := reduction.PerArea; area != nil {
		r.BeforePer100Ft2, r.AfterPer100Ft2, r.ReductionPer100Ft2 = &area.Before, &area.After, &area.Reduction.Value
	}
	changed := reduction.Change != leakage.NoChange
	r.SmallestRatio, r.Distinguishable, r.DistinguishableNote = &reduction.SmallestRatio, &changed, reduction.Note
	r.LogReduction, r.LogReductionU, r.SameInstrument = &reduction.Log.Value, &reduction.Log.U, &shared
	r.change = reduction.Change
}

func measured[L leakage.Leakage](t *taken) leakage.Measured[L] {
	return leakage.Measured[L]{CFM25: L(t.cfm25), Uncertainty: t.uncertainty}
}

// sameFan tells whether one gauge, fan and ring did both tests, so that their
// calibration cancels; without a named ring it is not assumed.
func sameFan(x, y *domain.Measurement) bool {
	ring := func(m *domain.Measurement) string {
		if len(m.Readings) == 0 {
			return ""
		}
		return m.Readings[0].Range
	}
	return x.InstrumentID == y.InstrumentID && ring(x) != "" && ring(x) == ring(y)
}

// JobSteps are the steps of a job's leakage from one reading to the next, by
// kind of repair, with the check that they add up to before − after.
type JobSteps struct {
	Method string `json:"method"`
	leakage.RepairSteps
	MeasurementIDs []domain.UUID `json:"measurement_ids"` // the reading after each step
}

// steps finds what each kind of repair took away, where leakage was read in
// between by the method of the result. A reading's repairs are those that it
// names, else those done by then; none counts twice.
func (r *Result) steps(job *Assembled) {
	if r.ReductionCFM25 == nil {
		return
	}
	interim := job.interim(r)
	if len(interim) == 0 {
		return
	}
	s := stepper{job: job}
	before := leakage.SteppedReading{LeakageCFM25: r.before.cfm25, UncertaintyCFM25: r.before.uncertaintyCFM25()}
	between := make([]leakage.SteppedReading, len(interim))
	out := &JobSteps{Method: "repair_steps"}
	for i := range interim {
		between[i] = s.reading(&interim[i])
		out.MeasurementIDs = append(out.MeasurementIDs, interim[i].ID)
	}
	after := s.reading(r.after)
	steps, err := leakage.Steps(before, between, after)
	if err != nil {
		r.StepsReason = refusalCode(err) + ": " + refusalDetail(err)
		return
	}
	out.RepairSteps, out.MeasurementIDs = steps, append(out.MeasurementIDs, r.after.ID)
	r.Steps = out
}

func (t *taken) uncertaintyCFM25() float64 { return t.cfm25 * t.uncertainty.Relative() }

// interim are the readings between the two of the result, by its method, that
// decide something, in the order of time.
func (a *Assembled) interim(r *Result) (list []taken) {
	for _, m := range a.Measurements {
		if m.Record.Stage != domain.Interim || m.Record.Method != r.Method ||
			!m.Record.TakenAt.After(r.before.Record.TakenAt) || !m.Record.TakenAt.Before(r.after.Record.TakenAt) {
			continue
		}
		if t, err := a.test(m, r.limits); err == nil && t.quality != leakage.Undecided && !t.below {
			list = append(list, t)
		}
	}
	slices.SortStableFunc(list, func(x, y taken) int { return x.Record.TakenAt.Compare(y.Record.TakenAt) })
	return list
}

// stepper hands out each repair once.
type stepper struct {
	job  *Assembled
	told []domain.UUID
}

// reading is one test with the kinds of repair since the one before it.
func (s *stepper) reading(t *taken) leakage.SteppedReading {
	out := leakage.SteppedReading{LeakageCFM25: t.cfm25, UncertaintyCFM25: t.uncertaintyCFM25()}
	for _, r := range s.job.Repairs {
		since := !r.Record.DoneAt.After(t.Record.TakenAt)
		if named := t.Record.AfterRepairIDs; len(named) > 0 {
			since = slices.Contains(named, r.ID)
		}
		if !since || slices.Contains(s.told, r.ID) {
			continue
		}
		s.told = append(s.told, r.ID)
		if kind := string(r.Record.Repair); !slices.Contains(out.RepairKinds, kind) {
			out.RepairKinds = append(out.RepairKinds, kind)
		}
	}
	slices.Sort(out.RepairKinds)
	return out
}

// InspectorTenths is the inspector's last reading by the crew's method in tenths of cfm25,
// computed as the crew's own after is; 0 where there is none. Of are the job and the readings of its
// inspections.
//
// Refused: records that Assemble refuses, as of two jobs. Source: as Compute [calc].
func InspectorTenths(id domain.UUID, method domain.Method, of, instruments []domain.Entry) (int64, error) {
	var records []domain.Entry
	read := false
	for _, e := range of {
		switch m := e.Record.(type) {
		case *domain.Measurement:
			after := *m
			after.Stage, read = domain.After, true
			e.Record = &after
			records = append(records, e)
		case *domain.Job:
			records = append(records, e)
		}
	}
	if !read {
		return 0, nil
	}
	job, err := Assemble(id, records, Outside{Entries: instruments})
	if err != nil {
		return 0, fmt.Errorf("inspection of job %s: %w", id, err)
	}
	result := Compute(Set{MethodsAsked: []domain.Method{method}}, job)
	if result.AfterTenths == nil || result.Method != method {
		return 0, nil
	}
	return *result.AfterTenths, nil
}
