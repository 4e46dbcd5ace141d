package rules

import (
	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/stat"
)

// use puts one test's figure into the result.
func (r *Result) use(t *taken, value, low, high **float64, tenths **int64) {
	*value = &t.cfm25
	if t.limits != nil {
		*low, *high = &t.limits.Low, &t.limits.High
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
	r.BelowRange = r.after.Record.BelowRange != nil && *r.after.Record.BelowRange
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
