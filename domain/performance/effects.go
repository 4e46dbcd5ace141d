package performance

import (
	"cmp"
	"iter"
	"maps"
	"math"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// minEffectJobs is the number of jobs below which nothing is said of a kind
// of repair.
const minEffectJobs = 5

// How a step is known.
const (
	BasisInterim  = "interim"   // readings right before and right after this kind of repair alone
	BasisWholeJob = "whole_job" // the job's whole reduction, where this repair was among others
)

// A Step is what leakage did across one kind of repair in one job: readings
// of one method at one duct pressure, between which only repairs of this kind
// were made. At one pressure parallel leaks add, so the steps of a job add up
// to its whole reduction.
type Step struct {
	JobID        domain.UUID
	RepairType   string
	HomeClass    string // empty when not known
	Basis        string // BasisInterim or BasisWholeJob
	BeforeTenths int64  // tenths of cfm25
	AfterTenths  int64
}

// A RepairEffect is what one kind of repair typically brings, where readings
// right before and after it were taken. Where none were, the kind gets no cfm25
// of its own: the whole reduction of jobs in which it was among others stands
// under names that say so.
type RepairEffect struct {
	RepairType string `json:"repair_type"`
	// Absent: homes of all classes.
	HomeClass string `json:"home_class,omitempty"`
	// interim, or whole_job: jobs in which it was among others.
	Basis string `json:"basis"`
	// Jobs.
	N int `json:"n"`
	// Median.
	Median     *float64 `json:"reduction_cfm25,omitempty"`
	MiddleLow  *float64 `json:"reduction_p25_cfm25,omitempty"`
	MiddleHigh *float64 `json:"reduction_p75_cfm25,omitempty"`
	Low        *float64 `json:"reduction_cfm25_low,omitempty"`
	High       *float64 `json:"reduction_cfm25_high,omitempty"`
	// Of whole jobs: all that was done in them is in it.
	JobMedian     *float64 `json:"whole_job_reduction_cfm25,omitempty"`
	JobMiddleLow  *float64 `json:"whole_job_reduction_p25_cfm25,omitempty"`
	JobMiddleHigh *float64 `json:"whole_job_reduction_p75_cfm25,omitempty"`
	JobLow        *float64 `json:"whole_job_reduction_cfm25_low,omitempty"`
	JobHigh       *float64 `json:"whole_job_reduction_cfm25_high,omitempty"`
	// How the interval was made: t, t_pooled, range of two jobs, order_statistic, normal.
	Interval string `json:"interval,omitempty"`
	// The level of the interval.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason string `json:"interval_reason,omitempty"`
}

// effectKey is what the steps are grouped by.
type effectKey struct{ kind, class, basis string }

// RepairEffects gives, for each kind of repair and basis, the median step in
// cfm25, the middle half (type-7 quarter points) and the order-statistic
// interval of the median, over all homes and by class; null below five jobs. Each element is the steps of one
// job; those of one kind are added up first, so a job counts once. The jobs may
// come in any order. Alphabetical by kind, interim
// first.
//
// Refused: an unknown basis (/basis), no kind (/repair_type), a reading below 0
// or above MaxTenths (/leakage_cfm25). Source: Hyndman & Fan (1996) for the
// quartiles [mem]; order statistics and the binomial distribution [calc].
func RepairEffects(jobs iter.Seq2[[]Step, error]) ([]RepairEffect, error) {
	orders, tables := map[effectKey]order{}, newTables()
	for steps, err := range jobs {
		if err != nil {
			return nil, err
		}
		if err := countSteps(steps, orders); err != nil {
			return nil, err
		}
	}
	keys := slices.SortedFunc(maps.Keys(orders), func(a, b effectKey) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(basisRank(a.basis), basisRank(b.basis)), wholeFirst(a.class)-wholeFirst(b.class), cmp.Compare(classRank(a.class), classRank(b.class)), cmp.Compare(a.class, b.class))
	})
	effects := make([]RepairEffect, 0, len(keys))
	for _, k := range keys {
		effects = append(effects, effectOf(k, orders[k].sorted(), tables))
	}
	return effects, nil
}

// countSteps takes what one job tells.
func countSteps(steps []Step, orders map[effectKey]order) error {
	drops := map[effectKey]int64{}
	for _, s := range steps {
		if err := s.check(); err != nil {
			return err
		}
		drops[effectKey{s.RepairType, "", s.Basis}] += s.BeforeTenths - s.AfterTenths
		if s.HomeClass != "" {
			drops[effectKey{s.RepairType, s.HomeClass, s.Basis}] += s.BeforeTenths - s.AfterTenths
		}
	}
	for k, drop := range drops {
		if drop != int64(int32(drop)) {
			return stat.Refuse(stat.OutOfRange, "/leakage_cfm25", "", "job %s: its steps add up to %d tenths of cfm25", steps[0].JobID, drop)
		}
		orders[k] = append(orders[k], int32(drop))
	}
	return nil
}

// wholeFirst puts homes of all classes before those of one.
func wholeFirst(class string) int { return min(1, len(class)) }

// basisRank puts what was read in between first.
func basisRank(basis string) int {
	if basis == BasisInterim {
		return 0
	}
	return 1
}

func effectOf(k effectKey, tenths order, tables *tables) RepairEffect {
	e := RepairEffect{RepairType: k.kind, HomeClass: k.class, Basis: k.basis, N: len(tenths)}
	if e.N < minEffectJobs {
		e.Reason = TooFewJobs
		return e
	}
	points := tenths.middleHalf(inCFM25)
	if k.basis == BasisInterim {
		e.MiddleLow, e.Median, e.MiddleHigh = points[0], points[1], points[2]
	} else {
		e.JobMiddleLow, e.JobMedian, e.JobMiddleHigh = points[0], points[1], points[2]
	}
	bounds := tables.median(int64(e.N))
	if bounds.rank == 0 {
		e.IntervalReason = TooFewJobs
		return e
	}
	low, high := tenths.between(bounds.rank)
	if k.basis == BasisInterim {
		e.Low, e.High = ptr(inCFM25(low)), ptr(inCFM25(high))
	} else {
		e.JobLow, e.JobHigh = ptr(inCFM25(low)), ptr(inCFM25(high))
	}
	e.Interval, e.Level = IntervalOrder, &bounds.coverage
	return e
}

func (s *Step) check() error {
	switch {
	case s.RepairType == "":
		return stat.Refuse(stat.NotComplete, "/repair_type", "", "job %s: a step without a kind of repair", s.JobID)
	case s.Basis != BasisInterim && s.Basis != BasisWholeJob:
		return stat.Refuse(stat.OutOfRange, "/basis", "", "job %s: %q is neither %s nor %s", s.JobID, s.Basis, BasisInterim, BasisWholeJob)
	}
	for _, t := range []int64{s.BeforeTenths, s.AfterTenths} {
		if t < 0 || t > MaxTenths {
			return stat.Refuse(stat.OutOfRange, "/leakage_cfm25", "", "job %s: %d is outside 0 to %d tenths of cfm25", s.JobID, t, MaxTenths)
		}
	}
	return nil
}

// A StageReading is one reading of a job's leakage, with the repairs that
// were made by then.
type StageReading struct {
	ID         domain.UUID
	Method     string
	TakenAt    time.Time
	Tenths     int64   // tenths of cfm25
	PressurePa float64 // duct pressure of a single reading; 0 for a line through several
	Repairs    []domain.UUID
}

// samePressurePa is how far apart the duct pressures of two single readings
// may lie, in Pa, for their difference to be a step: leaks in parallel add at
// one pressure only. About what a gauge is held to by hand [cp].
const samePressurePa = 0.5

// Reasons why two neighboring readings make no step.
const (
	SeveralKinds   = "several_kinds"   // repairs of several kinds lie between them
	NoRepair       = "no_repair"       // none does
	NotInOrder     = "not_in_order"    // the later one knows fewer repairs
	PressuresDrift = "pressures_drift" // they were taken at different duct pressures
)

// StepsOf pairs the readings of one method in the order of their times and
// gives a step for each pair between which repairs of one kind only were made;
// for each other pair it gives the reason. kinds names the kind of each repair.
// Readings of other methods than the first are not the job's result and are
// passed over. Tenths of cfm25. Nothing is refused.
// Source: parallel leaks add at one pressure [calc].
func StepsOf(job domain.UUID, readings []StageReading, kinds map[domain.UUID]string) (steps []Step, reasons []string) {
	sorted := slices.Clone(readings)
	slices.SortFunc(sorted, func(a, b StageReading) int {
		return cmp.Or(a.TakenAt.Compare(b.TakenAt), a.ID.Compare(b.ID))
	})
	if len(sorted) > 0 {
		method := sorted[0].Method
		sorted = slices.DeleteFunc(sorted, func(r StageReading) bool { return r.Method != method })
	}
	for i := 1; i < len(sorted); i++ {
		a, b := &sorted[i-1], &sorted[i]
		kind, reason := between(a, b, kinds)
		if reason == "" && math.Abs(a.PressurePa-b.PressurePa) > samePressurePa {
			reason = PressuresDrift
		}
		if reason != "" {
			reasons = append(reasons, reason)
			continue
		}
		steps = append(steps, Step{JobID: job, RepairType: kind, Basis: BasisInterim, BeforeTenths: a.Tenths, AfterTenths: b.Tenths})
	}
	return steps, reasons
}

// between is the one kind of repair that b knows beyond a.
func between(a, b *StageReading, kinds map[domain.UUID]string) (kind, reason string) {
	for _, id := range a.Repairs {
		if !slices.Contains(b.Repairs, id) {
			return "", NotInOrder
		}
	}
	for _, id := range b.Repairs {
		switch {
		case slices.Contains(a.Repairs, id):
		case kind == "":
			kind = kinds[id]
		case kind != kinds[id]:
			return "", SeveralKinds
		}
	}
	if kind == "" {
		return "", NoRepair
	}
	return kind, ""
}
