package rules

import (
	"errors"
	"fmt"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

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
	return taken{m, test.LeakageCFM, test.Uncertainty, test.Limits, test.Extrapolated, test.Quality, test.Method, test.Exponent}, nil
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
	if s.BelowLimit && r.BelowRange != nil && *r.BelowRange {
		// Recorded as below what the method can tell: a success, and the limit
		// stands for the leakage, which understates the reduction.
		limit := leakage.Interval{Low: 0, High: s.LimitCFM25}
		return taken{m, s.LimitCFM25, leakage.Uncertainty{}, &limit, false, leakage.Weak, leakage.Method(domain.Subtraction), s.Exponent}, nil
	}
	out, err := leakage.OutsideBySubtraction(s)
	if err != nil {
		return taken{}, err
	}
	return taken{m, s.LeakageCFM25, out.Uncertainty, &s.Limits, false, s.Quality, leakage.Method(domain.Subtraction), s.Exponent}, nil
}
