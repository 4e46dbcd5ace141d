package rules

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// asked tells whether this job owes leakage readings. Where a fixed sum is
// paid, the program names no method and nothing was read, it does not.
func (c *check) asked() bool {
	switch {
	case !c.job.worked():
		c.notApplicable("no work on ducts was done")
	case c.job.Job.Record.PayBasis == domain.Deemed && len(c.set.MethodsAsked) == 0 && !slices.ContainsFunc(c.job.Measurements, ofTheJob):
		c.notApplicable("a fixed sum is paid, the program names no method and nothing was read")
	default:
		return true
	}
	return false
}

// ofTheJob tells the readings by which a job is judged from interim ones and
// an inspector's.
func ofTheJob(m Of[domain.Measurement]) bool {
	return m.Record.Stage == domain.Before || m.Record.Stage == domain.After
}

var readingsInOrder = Rule{
	Key: "readings_in_order", Title: "Readings stand before and after the work",
	Why:      "A reading before that follows the first cut measures the cut, and one after that is older than the last patch measures the hole.",
	Judged:   "The reading before is older than the first opening or repair, the one after younger than the last repair and closure. The reading after can be taken again, the one before cannot. Weather puts the one after off to another visit; any other reason for a missing reading is for a reviewer.",
	None:     "no test is asked",
	Fix:      "Read the leakage again, now that all is closed.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Softens: true,
	Source: practice,
	Example: Example{
		Holds:  "Before 09:20, first opening 09:45; last closure 14:32, after 15:05.",
		Broken: "After 14:00, last closure 14:32.",
	},
	check: func(c *check) {
		if !c.asked() {
			return
		}
		before, after := c.readings()
		if before == nil || after == nil {
			p := c.on(c.job.subject())
			if before == nil {
				p.cure = NoCure
				p.lack(c.noReading(domain.Before))
			}
			if after == nil {
				p.cure, p.fix = OnSite, "Close everything, then read the leakage after."
				p.lack(c.noReading(domain.After))
			}
			c.unread(&p, before != nil)
			p.done()
		}
		if first := c.job.firstWork(); before != nil {
			p := c.on(before.Subject())
			p.cure = NoCure
			if first != nil && !before.Record.TakenAt.Before(*first) {
				p.fault("it was taken ", c.job.clock(before.Record.TakenAt), "; the program wants it before the work, which began ", c.job.clock(*first))
			}
			p.done()
		}
		if last := c.job.lastWork(); after != nil {
			p := c.on(after.Subject())
			if last != nil && !after.Record.TakenAt.After(*last) {
				p.fault("it was taken ", c.job.clock(after.Record.TakenAt), "; the program wants it after the last repair or closure, ", c.job.clock(*last))
			}
			p.done()
		}
	},
}

// unread judges the reason for which a reading is missing. Weather puts the one
// after off; any other reason is for a reviewer.
func (c *check) unread(p *part, before bool) {
	switch reason := c.job.Job.Record.NoReadingReason; {
	case reason == "":
	case reason == domain.NoReadingWeather && before:
		p.cure, p.fix = ReturnVisit, "Read the leakage after on another visit, with everything closed."
	default:
		p.lacks = nil
		p.soften(Check)
		p.cure, p.fix = ReturnVisit, "A reviewer decides whether the reason holds."
		if !before {
			p.cure = NoCure
		}
		p.fault("leakage was not read; the reason given is ", spaced(string(reason)))
	}
}

// readings are the two that the job is judged by: of leakage, or the pan
// passes where the program asks for nothing else.
func (c *check) readings() (before, after *Of[domain.Measurement]) {
	if c.set.asksLeakage() {
		if c.result.before != nil {
			before = &c.result.before.Of
		}
		if c.result.after != nil {
			after = &c.result.after.Of
		}
		return before, after
	}
	return c.job.pans(domain.Before), c.job.pans(domain.After)
}

// noReading says what is missing, and of one that cannot be computed why.
func (c *check) noReading(stage domain.Stage) string {
	for _, l := range c.result.LeftOut {
		if l.Stage == stage && l.Detail != "" {
			return "a reading " + string(stage) + " that can be computed (" + l.Detail + ")"
		}
	}
	return "the reading " + string(stage)
}

// pans is the last pan pass of a stage; nil where there is none.
func (a *Assembled) pans(stage domain.Stage) (last *Of[domain.Measurement]) {
	for i := range a.Measurements {
		m := &a.Measurements[i]
		if m.Record.Method == domain.Pan && m.Record.Stage == stage && (last == nil || !m.Record.TakenAt.Before(last.Record.TakenAt)) {
			last = m
		}
	}
	return last
}

// firstWork is when the crew first opened, took down or repaired anything.
func (a *Assembled) firstWork() (first *time.Time) {
	earlier := func(t *time.Time) {
		if t != nil && (first == nil || t.Before(*first)) {
			first = t
		}
	}
	for _, o := range a.Openings {
		if o.Record.Made() {
			earlier(o.Record.MadeAt)
		}
	}
	for _, x := range a.Crossovers {
		earlier(x.Record.TakenDownAt)
	}
	for r := range a.done() {
		earlier(r.Record.OpenedAt)
		earlier(&r.Record.DoneAt)
	}
	return first
}

// lastWork is when the crew last repaired or closed anything, before any
// complaint: work after one is judged by its own date.
func (a *Assembled) lastWork() (last *time.Time) {
	later := func(t *time.Time) {
		if t != nil && (last == nil || t.After(*last)) && !a.afterCallBack(*t) {
			last = t
		}
	}
	for _, o := range a.Openings {
		later(o.Record.ClosedAt)
	}
	for _, r := range a.Repairs {
		later(&r.Record.DoneAt)
	}
	return last
}

var sameMethodBeforeAfter = Rule{
	Key: "same_method_before_after", Title: "Both readings by one method",
	Why:      "Two readings that were prepared differently differ by more than the work did.",
	Judged:   "Before and after are read by one method, one that the program asks for, at one home pressure and with the same preparation. Total leakage and leakage to outside never mix.",
	None:     "one of the readings is lacking",
	Severity: MustFix, Missing: Blocks, Cure: NoCure, Softens: true,
	Parameters: []Parameter{{"house_pressure_within_pa", "Pa", 1, 0, 10, practice}},
	Source:     practice,
	Example: Example{
		Holds:  "Fan test of total leakage before and after, registers sealed both times.",
		Broken: "Total leakage before, leakage to outside after.",
	},
	check: func(c *check) {
		if !c.asked() {
			return
		}
		if before, after := c.readings(); before != nil && after != nil {
			c.sameMethod(before, after)
		}
		if before, after := c.job.pans(domain.Before), c.job.pans(domain.After); c.set.asksLeakage() && before != nil && after != nil {
			c.sameMethod(before, after)
		}
	},
}

func (c *check) sameMethod(before, after *Of[domain.Measurement]) {
	b, a := before.Record, after.Record
	p := c.on(after.Subject())
	switch {
	case b.Method != a.Method:
		p.fault("it is ", methodName(a.Method), ", the one before ", methodName(b.Method))
	case a.Method != domain.Pan && len(c.set.MethodsAsked) > 0 && !slices.Contains(c.set.MethodsAsked, a.Method):
		p.fault("both are ", methodName(a.Method), ", which the program does not ask for")
	}
	within := c.limit("house_pressure_within_pa")
	switch {
	case b.HousePressurePa == nil && a.HousePressurePa == nil:
		if a.Method != domain.FanTotal && b.Method == a.Method {
			p.lack("the home's pressure before and after")
		}
	case b.HousePressurePa == nil:
		p.lack("the home's pressure before")
	case a.HousePressurePa == nil:
		p.lack("the home's pressure after")
	case over(max(*b.HousePressurePa-*a.HousePressurePa, *a.HousePressurePa-*b.HousePressurePa), within):
		p.fault("the home was held at ", number(*a.HousePressurePa), " Pa, before at ", number(*b.HousePressurePa), " Pa; the program wants within ", number(within), " Pa")
	}
	switch {
	case b.SetUp == nil:
		p.lack("what was prepared for the reading before")
	case a.SetUp == nil:
		p.lack("what was prepared for the reading after")
	default:
		for _, tick := range b.SetUp {
			if !slices.Contains(a.SetUp, tick) {
				p.fault(spaced(tick), " is ticked for the reading before and not for this one")
			}
		}
		for _, tick := range a.SetUp {
			if !slices.Contains(b.SetUp, tick) {
				p.fault(spaced(tick), " is ticked for this reading and not for the one before")
			}
		}
	}
	p.done()
}

var instrumentInCalibration = Rule{
	Key: "instrument_in_calibration", Title: "The instrument was in calibration",
	Why:      "A reading is worth what its instrument is worth on that day.",
	Judged:   "For each reading before and after, the instrument's calibration covers the day. A reading after can be taken again with another instrument; of one before a reviewer decides.",
	None:     "no reading before or after is recorded",
	Fix:      "Read again with an instrument that is in calibration.",
	Severity: MustFix, Missing: Blocks, Cure: OnSite, Softens: true,
	Source: practice,
	Example: Example{
		Holds:  "Reading of 2026-10-14, calibrated to 2027-04-30.",
		Broken: "Reading of 2026-10-14, calibrated to 2026-10-13.",
	},
	check: func(c *check) {
		for _, m := range c.job.Measurements {
			if !ofTheJob(m) {
				continue
			}
			p := c.on(m.Subject())
			if m.Record.Stage == domain.Before {
				p.soften(Check)
				p.cure = NoCure
			}
			day := c.job.Day(m.Record.TakenAt)
			instrument, known := find(c.job.Instruments, m.Record.InstrumentID)
			if !known {
				p.lack("its instrument")
			} else if covers, recorded := instrument.Record.CalibrationCovers(day); !recorded {
				p.lack("until when its instrument is calibrated")
			} else if !covers {
				p.fault("its instrument is calibrated from ", string(instrument.Record.CalibratedOn), " to ",
					string(instrument.Record.CalibratedUntilOn), ", the reading is of ", string(day))
			}
			p.done()
		}
	},
}

var leakageNotHigherAfter = Rule{
	Key: "leakage_not_higher_after", Title: "The ducts do not leak more than before",
	Why:      "Something came off, or one of the readings was prepared differently: either way somebody must look before the crew drives home.",
	Judged:   "The leakage after is not above the one before. Within the uncertainty of both readings it is a note only: they cannot tell it from no change.",
	None:     "one of the readings is lacking",
	Fix:      "Look for a part that came off, compare the preparation of both readings, and read again.",
	Severity: MustFix, Missing: Silent, Cure: OnSite, Softens: true, Hazard: CrawlSpace,
	Source: practice + "; JCGM 100 (GUM) for the uncertainty",
	Example: Example{
		Holds:  "318 cfm25 before, 120.7 cfm25 after.",
		Broken: "200 cfm25 before, 260 cfm25 after.",
	},
	check: func(c *check) {
		r := c.result
		if r.Reason == IsUndecided {
			c.undecided()
			return
		}
		if r.ReductionCFM25 == nil {
			return
		}
		p := c.on(r.after.Subject())
		if *r.AfterCFM25 > *r.BeforeCFM25 {
			words := ""
			if !c.increased() {
				p.soften(Note)
				words = ", not distinguishable from no change by these readings"
			}
			p.fault("the ducts leak ", fixed(*r.AfterCFM25, 1), " cfm25, before ", fixed(*r.BeforeCFM25, 1), " cfm25", words)
		}
		p.done()
	},
}

// increased tells a rise that is beyond the uncertainty of both readings.
func (c *check) increased() bool { return c.result.change == leakage.Increased }

// undecided asks for a reading that tells something: to be taken again while
// that is possible, else of the reviewer.
func (c *check) undecided() {
	for _, t := range []*taken{c.result.before, c.result.after} {
		if t.quality != leakage.Undecided {
			continue
		}
		p := c.on(t.Subject())
		for _, r := range c.job.Repairs {
			if r.Record.DoneAt.After(t.Record.TakenAt) { // the ducts are no longer those that were read
				p.soften(Check)
				break
			}
		}
		p.fault("this reading is too uncertain to decide anything: read again, or record it as below what the method can tell")
		p.done()
	}
}

// taken is one measurement with the leakage that follows from it.
type taken struct {
	Of[domain.Measurement]
	cfm25        float64
	uncertainty  leakage.Uncertainty
	limits       *leakage.Interval
	extrapolated bool
	quality      leakage.Quality
	computed     leakage.Method
	exponent     float64
	below        bool // what the method can tell: cfm25 is the limit
}

// version is that of the computation behind the figure.
func (t *taken) version() string {
	if t.Record.Method == domain.Subtraction {
		return leakage.SubtractionVersion
	}
	return leakage.FanTestVersion
}

// tests computes each leakage measurement in force before and after; what
// cannot be computed is left out with the reason.
func (a *Assembled) tests(r *Result) []taken {
	tests := make([]taken, 0, len(a.Measurements))
	for _, m := range a.Measurements {
		switch {
		case !ofTheJob(m):
			r.without(m.Entry, m.Record, OtherStage, "")
			continue
		case m.Record.Method == domain.Pan:
			r.without(m.Entry, m.Record, OtherMethod, "")
			continue
		}
		t, err := a.test(m, r.limits)
		if err != nil {
			r.without(m.Entry, m.Record, refusalCode(err), refusalDetail(err))
			continue
		}
		tests = append(tests, t)
	}
	return tests
}

// fanParameters are the usual ones with the program's own limits over them.
func fanParameters(l domain.TestLimits) leakage.FanParameters {
	p := leakage.DefaultFanParameters()
	lay(&p.Accuracy.Repeatability, l.RepeatabilityURatio)
	lay(&p.Bounds.Good, l.FanGoodRatio)
	lay(&p.Bounds.Undecided, l.FanUndecidedRatio)
	lay(&p.Bounds.ExponentSE, l.FanExponentSE)
	return p
}

func subtractionParameters(l domain.TestLimits) leakage.SubtractionParameters {
	p := leakage.DefaultSubtractionParameters()
	lay(&p.Accuracy.Repeatability, l.RepeatabilityURatio)
	lay(&p.Bounds.Good, l.SubtractionGoodRatio)
	lay(&p.Bounds.Undecided, l.SubtractionUndecidedRatio)
	return p
}

func lay(to *float64, own *float64) {
	if own != nil {
		*to = *own
	}
}

// testFaults are limits that leave nothing weak between good and undecided.
func testFaults(l domain.TestLimits) (faults []domain.Fault) {
	for _, b := range []struct {
		field  string
		bounds leakage.Bounds
	}{
		{"fan", fanParameters(l).Bounds}, {"subtraction", subtractionParameters(l).Bounds},
	} {
		if b.bounds.Undecided < b.bounds.Good {
			faults = append(faults, domain.Fault{Pointer: "/tests/" + b.field + "_undecided_ratio", Code: "too_small",
				Detail: fmt.Sprintf("%v is less than %v, up to which a test is good", b.bounds.Undecided, b.bounds.Good)})
		}
	}
	return faults
}

func refusalCode(err error) string {
	var r *stat.Refusal
	if errors.As(err, &r) {
		return r.Code
	}
	return NotComplete
}

func refusalDetail(err error) string {
	var r *stat.Refusal
	if errors.As(err, &r) {
		return r.Detail
	}
	return err.Error()
}

// test computes the leakage of one measurement.
func (a *Assembled) test(m Of[domain.Measurement], limits domain.TestLimits) (taken, error) {
	if m.Record.Method == domain.Subtraction {
		return a.subtraction(m, subtractionParameters(limits))
	}
	readings, err := a.fanReadings(m.Record)
	if err != nil {
		return taken{}, err
	}
	p := fanParameters(limits)
	a.accuracy(m.Record.InstrumentID, &p.Accuracy)
	test, err := leakage.Fan(readings, p)
	if err != nil {
		return taken{}, err
	}
	return taken{m, test.LeakageCFM, test.Uncertainty, test.Limits, test.Extrapolated, test.Quality, test.Method, test.Exponent, yes(m.Record.BelowRange)}, nil
}

// Leakage is what one measurement of a job reads, of whatever stage, in tenths of
// cfm25, and whether it decides anything by the limits of the set; not known where
// it cannot be computed. An interim reading, or an inspector's, is so read as the
// crew's own reading after is.
// Source: package leakage [calc].
func (s *Set) Leakage(job *Assembled, m Of[domain.Measurement]) (tenths int64, decides, known bool) {
	if m.Record.Method == domain.Pan {
		return 0, false, false
	}
	after := *m.Record
	after.Stage = domain.After
	t, err := job.test(Of[domain.Measurement]{Entry: m.Entry, Record: &after}, s.tests)
	if err != nil {
		return 0, false, false
	}
	tenths, err = stat.Units(t.cfm25, 1)
	return tenths, t.quality != leakage.Undecided, err == nil
}

// fanReadings are the pairs of pressure and flow of a fan test, less the
// gauge's offset. Where the fan's own pressure was read, the flow follows from
// the equation on the instrument's certificate.
func (a *Assembled) fanReadings(m *domain.Measurement) ([]leakage.Reading, error) {
	readings := make([]leakage.Reading, 0, len(m.Readings))
	for _, line := range m.Readings {
		if line.PressurePa == nil {
			return nil, stat.Refuse(NotComplete, "/readings", "", "a reading has no pressure in the duct")
		}
		flow, err := a.flow(m, &line)
		if err != nil {
			return nil, err
		}
		readings = append(readings, leakage.Reading{PressurePa: *line.PressurePa, FlowCFM: flow})
	}
	if m.ZeroOffsetPa == nil || *m.ZeroOffsetPa == 0 {
		return readings, nil
	}
	return leakage.SubtractZero(readings, []float64{*m.ZeroOffsetPa}, nil)
}

func (a *Assembled) flow(m *domain.Measurement, line *domain.Reading) (float64, error) {
	if line.FlowCFM != nil {
		return *line.FlowCFM, nil
	}
	if line.FanPressurePa == nil || line.Range == "" {
		return 0, stat.Refuse(NotComplete, "/readings", "", "a reading has neither a flow nor the fan's pressure and range")
	}
	instrument, ok := find(a.Instruments, m.InstrumentID)
	if !ok {
		return 0, stat.Refuse(NoInstrument, "/instrument_id", "", "the instrument with its flow equation is not known here")
	}
	return FlowEquation(instrument.Record.FlowEquations).Flow(line.Range, *line.FanPressurePa)
}

// Where a certificate names no limit of a range, any pressure a gauge can
// show lies in it.
const (
	lowestFanPa  = 1e-6
	highestFanPa = 1e6
)

// FlowEquation is the equation on a certificate as package leakage takes it:
// cfm and Pa. An absent limit is one beyond any gauge. It refuses nothing;
// leakage.FlowEquation.Check does. Source: the instrument's certificate [cp].
func FlowEquation(ranges []domain.FlowEquation) leakage.FlowEquation {
	e := make(leakage.FlowEquation, 0, len(ranges))
	for _, r := range ranges {
		line := leakage.FlowRange{Name: r.Range, Coefficient: r.Coefficient, Exponent: r.Exponent, LowPa: lowestFanPa, HighPa: highestFanPa}
		if r.LowestPa != nil && *r.LowestPa > 0 {
			line.LowPa = *r.LowestPa
		}
		if r.HighestPa != nil {
			line.HighPa = *r.HighestPa
		}
		e = append(e, line)
	}
	return e
}

// accuracy takes an instrument's own limits of error, rectangular, over the
// ones that are assumed.
func (a *Assembled) accuracy(instrument domain.UUID, to *leakage.Accuracy) {
	i, ok := find(a.Instruments, instrument)
	if !ok {
		return
	}
	if r := i.Record.FlowAccuracyRatio; r != nil && *r >= 0 && *r <= 1 {
		to.Flow = leakage.Rectangular(*r)
	}
	if r := i.Record.PressureAccuracyRatio; r != nil && *r >= 0 && *r <= 1 {
		to.Pressure = leakage.Rectangular(*r)
	}
}

// subtraction computes leakage to outside from the first line of a blower
// door test; a second one belongs into a measurement of its own.
func (a *Assembled) subtraction(m Of[domain.Measurement], p leakage.SubtractionParameters) (taken, error) {
	r := m.Record
	if len(r.Readings) == 0 || r.HousePressurePa == nil || r.Readings[0].WholeCFM == nil || r.Readings[0].MaskedCFM == nil || r.Readings[0].HouseToDuctPa == nil {
		return taken{}, stat.Refuse(NotComplete, "/readings", "", "a subtraction needs the home's pressure, the whole and the masked flow, and the pressure between home and ducts")
	}
	line := r.Readings[0]
	a.accuracy(r.InstrumentID, &p.Accuracy)
	s, err := leakage.Subtract(leakage.SubtractionTest{
		HousePa: *r.HousePressurePa, WholeCFM: *line.WholeCFM, MaskedCFM: *line.MaskedCFM, HouseToDuctPa: *line.HouseToDuctPa,
	}, p)
	if err != nil {
		return taken{}, err
	}
	if s.BelowLimit && (yes(r.BelowRange) || s.LeakageCFM25 <= 0) {
		// Below what the method can tell, as it was recorded or since masking took
		// nothing away: after the work a success, and the limit stands for the
		// leakage, which understates the reduction. Before the work the limit would
		// overstate it, so that the reading decides nothing.
		quality := leakage.Weak
		if r.Stage == domain.Before || s.CorrectionFactor > p.UndecidedCorrection {
			quality = leakage.Undecided
		}
		return taken{m, s.LimitCFM25, leakage.Uncertainty{}, &s.Limits, false, quality, leakage.Method(domain.Subtraction), s.Exponent, true}, nil
	}
	out, err := leakage.OutsideBySubtraction(s)
	if err != nil {
		return taken{}, err
	}
	return taken{m, s.LeakageCFM25, out.Uncertainty, &s.Limits, false, s.Quality, leakage.Method(domain.Subtraction), s.Exponent, false}, nil
}
