package performance

import "ductledger/domain/stat"

// Median is the middle reading, in cfm25: half of the homes leak more. Quantile
// of type 7, limits by order statistics from 6 jobs.
// Source: Hyndman & Fan (1996) [mem]; the binomial distribution [calc].
type Median struct {
	N              int      `json:"n"`
	Leakage        *float64 `json:"leakage_cfm25,omitempty"`
	Low            *float64 `json:"leakage_cfm25_low,omitempty"`
	High           *float64 `json:"leakage_cfm25_high,omitempty"`
	Interval       string   `json:"interval,omitempty"`
	Level          *float64 `json:"level_ratio,omitempty"` // true coverage, at least Level
	Reason         string   `json:"reason,omitempty"`
	IntervalReason string   `json:"interval_reason,omitempty"`
}

// medianOf gives the type-7 median with order-statistic limits, from 6 jobs.
// It holds while fewer than half of the readings are limits of an instrument's
// range.
func medianOf(tenths *readings, below int64) (Median, error) {
	n := tenths.n
	m := Median{N: int(n)}
	switch {
	case n == 0:
		m.Reason = NoJobs
		return m, nil
	case 2*below >= n:
		m.Reason = BelowRange
		return m, nil
	}
	middle, err := stat.MedianOf([]float64{cfm25(tenths.at((n - 1) / 2)), cfm25(tenths.at(n / 2))})
	if err != nil {
		return m, err
	}
	m.Leakage = &middle
	rank, coverage, err := stat.MedianRank(int(n), Level)
	if err != nil {
		m.IntervalReason = TooFewJobs
		return m, nil
	}
	m.Low, m.High = ptr(cfm25(tenths.at(int64(rank-1)))), ptr(cfm25(tenths.at(n-int64(rank))))
	m.Interval, m.Level = IntervalOrder, &coverage
	return m, nil
}
