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
	HomeID       domain.UUID
	Together     uint64 // as of Job
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
	// Homes: on fewer than 5 no figure rests.
	HomesCount int `json:"homes_count"`
	// What the interval rests on: homes that go together, of one park or else one crew's week, are taken to be alike and
	// count as one.
	IndependentCount int `json:"independent_count"`
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
// interval of the median, over all homes and by class; null below five homes.
// Where homes go together the interval is that of as many fewer jobs as runs
// widen the mean, see bunches. Each element is the steps of one
// job; those of one kind are added up first, so a job counts once. The jobs may
// come in any order. Alphabetical by kind, interim
// first.
//
// Refused: an unknown basis (/basis), no kind (/repair_type), a reading below 0
// or above MaxTenths (/leakage_cfm25). Source: Hyndman & Fan (1996) for the
// quartiles [mem]; order statistics and the binomial distribution [calc].
func RepairEffects(jobs iter.Seq2[[]Step, error]) ([]RepairEffect, error) {
	all, tables := map[effectKey]*drops{}, newTables()
	for steps, err := range jobs {
		if err != nil {
			return nil, err
		}
		if err := countSteps(steps, all); err != nil {
			return nil, err
		}
	}
	keys := slices.SortedFunc(maps.Keys(all), func(a, b effectKey) int {
		return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(basisRank(a.basis), basisRank(b.basis)), wholeFirst(a.class)-wholeFirst(b.class), cmp.Compare(classRank(a.class), classRank(b.class)), cmp.Compare(a.class, b.class))
	})
	effects := make([]RepairEffect, 0, len(keys))
	for _, k := range keys {
		effects = append(effects, effectOf(k, all[k].of, tables))
	}
	return effects, nil
}

// A drop is what one job took away across one kind of repair.
type drop struct {
	home     domain.UUID
	together uint64
	tenths   int32
}

// drops are those of one key, a job each, and the sum of the job in hand.
type drops struct {
	of  []drop
	sum int64
}

// countSteps takes what one job tells.
func countSteps(steps []Step, all map[effectKey]*drops) error {
	var touched []*drops
	add := func(s *Step, class string) {
		k := effectKey{s.RepairType, class, s.Basis}
		d := all[k]
		if d == nil {
			d = &drops{}
			all[k] = d
		}
		if !slices.Contains(touched, d) {
			touched, d.sum = append(touched, d), 0
		}
		d.sum += s.BeforeTenths - s.AfterTenths
	}
	for i := range steps {
		s := &steps[i]
		if err := s.check(); err != nil {
			return err
		}
		add(s, "")
		if s.HomeClass != "" {
			add(s, s.HomeClass)
		}
	}
	for _, d := range touched {
		if d.sum != int64(int32(d.sum)) {
			return stat.Refuse(stat.OutOfRange, "/leakage_cfm25", "", "job %s: its steps add up to %d tenths of cfm25", steps[0].JobID, d.sum)
		}
		d.of = append(d.of, drop{steps[0].HomeID, steps[0].Together, int32(d.sum)})
	}
	return nil
}

// homesOf counts the homes of some jobs.
func homesOf(drops []drop) int {
	homes := make([]domain.UUID, len(drops))
	for i, d := range drops {
		homes[i] = d.home
	}
	slices.SortFunc(homes, domain.UUID.Compare)
	return len(slices.Compact(homes))
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

func effectOf(k effectKey, drops []drop, tables *tables) RepairEffect {
	tenths, values := make(order, len(drops)), make([]runValue, len(drops))
	for i, d := range drops {
		tenths[i], values[i] = d.tenths, runValue{d.together, float64(d.tenths)}
	}
	tenths.sorted()
	e := RepairEffect{RepairType: k.kind, HomeClass: k.class, Basis: k.basis, N: len(drops), HomesCount: homesOf(drops)}
	var design float64
	design, e.IndependentCount = designOf(values)
	if e.HomesCount < leastHomes {
		e.Reason = TooFewHomes
		return e
	}
	points := tenths.middleHalf(inCFM25)
	if k.basis == BasisInterim {
		e.MiddleLow, e.Median, e.MiddleHigh = points[0], points[1], points[2]
	} else {
		e.JobMiddleLow, e.JobMedian, e.JobMiddleHigh = points[0], points[1], points[2]
	}
	low, high, level, reason := tenths.medianLimits(design, e.IndependentCount, tables)
	if e.IntervalReason = reason; reason != "" {
		return e
	}
	if k.basis == BasisInterim {
		e.Low, e.High = low, high
	} else {
		e.JobLow, e.JobHigh = low, high
	}
	e.Interval, e.Level = IntervalOrder, level
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
