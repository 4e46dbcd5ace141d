package performance

import (
	"cmp"
	"slices"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// minEffectJobs is the number of jobs below which nothing is said of a kind
// of repair.
const minEffectJobs = 5

// How a step is known.
const (
	BasisInterim     = "interim"     // readings right before and right after this kind of repair alone
	BasisAssociation = "association" // the job's whole reduction, where this repair was among others
)

// A Step is what leakage did across one kind of repair in one job: readings
// of one method at one duct pressure, between which only repairs of this kind
// were made. At one pressure parallel leaks add, so the steps of a job add up
// to its whole reduction.
type Step struct {
	JobID        domain.UUID
	RepairType   string
	Basis        string // BasisInterim or BasisAssociation
	BeforeTenths int64  // tenths of cfm25
	AfterTenths  int64
}

// A RepairEffect is what one kind of repair typically brings.
type RepairEffect struct {
	RepairType     string   `json:"repair_type"`
	Basis          string   `json:"basis"` // an association is no effect: what else was done in those jobs is in it
	N              int      `json:"n"`
	Median         *float64 `json:"reduction_cfm25,omitempty"`
	MiddleLow      *float64 `json:"reduction_p25_cfm25,omitempty"`
	MiddleHigh     *float64 `json:"reduction_p75_cfm25,omitempty"`
	Low            *float64 `json:"reduction_cfm25_low,omitempty"`
	High           *float64 `json:"reduction_cfm25_high,omitempty"`
	Interval       string   `json:"interval,omitempty"`
	Level          *float64 `json:"level_ratio,omitempty"`
	Reason         string   `json:"reason,omitempty"`
	IntervalReason string   `json:"interval_reason,omitempty"`
}

// RepairEffects gives, for each kind of repair and basis, the median step in
// cfm25, the middle half (type-7 quarter points) and the order-statistic
// interval of the median; null below five jobs. Steps of one job and kind are
// added up first, so a job counts once. Alphabetical by kind, interim first.
//
// Refused: an unknown basis (/basis), no kind (/repair_type), a reading below 0
// or above MaxTenths (/leakage_cfm25). Source: Hyndman & Fan (1996) for the
// quartiles [mem]; order statistics and the binomial distribution [calc].
func RepairEffects(steps []Step) ([]RepairEffect, error) {
	sorted := slices.Clone(steps)
	slices.SortFunc(sorted, func(a, b Step) int {
		return cmp.Or(cmp.Compare(a.RepairType, b.RepairType), cmp.Compare(b.Basis, a.Basis), a.JobID.Compare(b.JobID))
	})
	effects := []RepairEffect{}
	var tenths []int64 // steps of the kind in hand, a job each
	for i, s := range sorted {
		if err := s.check(); err != nil {
			return nil, err
		}
		drop := s.BeforeTenths - s.AfterTenths
		same := i > 0 && sorted[i-1].RepairType == s.RepairType && sorted[i-1].Basis == s.Basis
		if same && sorted[i-1].JobID == s.JobID {
			tenths[len(tenths)-1] += drop
		} else {
			tenths = append(tenths, drop)
		}
		if i+1 < len(sorted) && sorted[i+1].RepairType == s.RepairType && sorted[i+1].Basis == s.Basis {
			continue
		}
		e, err := effectOf(s, tenths)
		if err != nil {
			return nil, err
		}
		effects, tenths = append(effects, e), tenths[:0]
	}
	return effects, nil
}

func effectOf(s Step, tenths []int64) (RepairEffect, error) {
	n := len(tenths)
	e := RepairEffect{RepairType: s.RepairType, Basis: s.Basis, N: n}
	if n < minEffectJobs {
		e.Reason = TooFewJobs
		return e, nil
	}
	slices.Sort(tenths)
	values := make([]float64, n)
	for i, v := range tenths {
		values[i] = cfm25(v)
	}
	for _, q := range []struct {
		to **float64
		p  float64
	}{{&e.MiddleLow, 0.25}, {&e.Median, 0.5}, {&e.MiddleHigh, 0.75}} {
		v, err := stat.Quantile(values, q.p)
		if err != nil {
			return e, err
		}
		*q.to = &v
	}
	rank, coverage, err := stat.MedianRank(n, Level)
	if err != nil {
		e.IntervalReason = TooFewJobs
		return e, nil
	}
	e.Low, e.High = &values[rank-1], &values[n-rank]
	e.Interval, e.Level = IntervalOrder, &coverage
	return e, nil
}

func (s *Step) check() error {
	switch {
	case s.RepairType == "":
		return stat.Refuse(stat.NotComplete, "/repair_type", "", "job %s: a step without a kind of repair", s.JobID)
	case s.Basis != BasisInterim && s.Basis != BasisAssociation:
		return stat.Refuse(stat.OutOfRange, "/basis", "", "job %s: %q is neither %s nor %s", s.JobID, s.Basis, BasisInterim, BasisAssociation)
	}
	for _, t := range []int64{s.BeforeTenths, s.AfterTenths} {
		if t < 0 || t > MaxTenths {
			return stat.Refuse(stat.OutOfRange, "/leakage_cfm25", "", "job %s: %d is outside 0 to %d tenths of cfm25", s.JobID, t, MaxTenths)
		}
	}
	return nil
}
