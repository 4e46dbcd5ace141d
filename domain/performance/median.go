package performance

// Median is the middle reading, in cfm25: half of the homes leak more. Quantile
// of type 7, limits by order statistics from 6 jobs.
// Source: Hyndman & Fan (1996) [mem]; the binomial distribution [calc].
type Median struct {
	// Jobs used.
	N int `json:"n"`
	// cfm at 25 Pa.
	Leakage *float64 `json:"leakage_cfm25,omitempty"`
	Low     *float64 `json:"leakage_cfm25_low,omitempty"`
	High    *float64 `json:"leakage_cfm25_high,omitempty"`
	// How the interval was made: t, t_pooled, range of two jobs, order_statistic, normal.
	Interval string `json:"interval,omitempty"`
	// The true coverage of the interval, at least the level that was asked for.
	Level *float64 `json:"level_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
	// Why the interval is absent.
	IntervalReason string `json:"interval_reason,omitempty"`
}

// medianOf gives the type-7 median with order-statistic limits, from 6 jobs.
// It holds while fewer than half of the readings are limits of an instrument's
// range.
func medianOf(tenths order, below int64, tables *tables) Median {
	n := int64(len(tenths))
	m := Median{N: int(n)}
	switch {
	case n == 0:
		m.Reason = NoJobs
		return m
	case 2*below >= n:
		m.Reason = BelowRange
		return m
	}
	m.Leakage = ptr(tenths.quantile(0.5, inCFM25))
	bounds := tables.median(n)
	if bounds.rank == 0 {
		m.IntervalReason = TooFewJobs
		return m
	}
	low, high := tenths.between(bounds.rank)
	m.Low, m.High = ptr(inCFM25(low)), ptr(inCFM25(high))
	m.Interval, m.Level = IntervalOrder, &bounds.coverage
	return m
}

// inCFM25 is a reading in tenths, or the difference of two, in cfm25.
func inCFM25(tenths int32) float64 { return cfm25(int64(tenths)) }
