package performance

import "ductledger/domain/stat"

// A Rate is a share of jobs, as a fraction, with two intervals: Wilson's to look
// at, Clopper and Pearson's where a consequence follows from it.
// Source: methods 3 and 5 of Newcombe (1998) [pub].
type Rate struct {
	Count     int      `json:"count"`
	N         int      `json:"n"`
	Ratio     *float64 `json:"ratio,omitempty"`
	Low       *float64 `json:"ratio_low,omitempty"`
	High      *float64 `json:"ratio_high,omitempty"`
	ExactLow  *float64 `json:"ratio_exact_low,omitempty"`
	ExactHigh *float64 `json:"ratio_exact_high,omitempty"`
	Level     *float64 `json:"level_ratio,omitempty"`
	// Why the rate is absent.
	Reason string `json:"reason,omitempty"`

	// Of a contractor: the funnel, exact limits of chance around the program's rate at this number of jobs. Absent where
	// the program's rate is none or all.
	WatchLow  *float64 `json:"limit_95_ratio_low,omitempty"`
	WatchHigh *float64 `json:"limit_95_ratio_high,omitempty"`
	OuterLow  *float64 `json:"limit_998_ratio_low,omitempty"`
	OuterHigh *float64 `json:"limit_998_ratio_high,omitempty"`
}

// within sets the exact limits around the program's rate.
func (r *Rate) within(program *Rate) error {
	if r.N == 0 || program.Count == 0 || program.Count == program.N {
		return nil
	}
	target := float64(program.Count) / float64(program.N)
	inner, err := stat.FunnelRate(target, r.N, watchLevel)
	if err != nil {
		return err
	}
	outer, err := stat.FunnelRate(target, r.N, reviewLevel)
	r.WatchLow, r.WatchHigh = &inner.Low, &inner.High
	r.OuterLow, r.OuterHigh = &outer.Low, &outer.High
	return err
}

// rateOf is count of n; a single job has a rate with a very wide interval,
// none has no rate.
func rateOf(count, n int) (Rate, error) {
	r := Rate{Count: count, N: n}
	if n == 0 {
		r.Reason = NoJobs
		return r, nil
	}
	wilson, err := stat.Wilson(count, n, Level)
	if err != nil {
		return r, err
	}
	exact, err := stat.ClopperPearson(count, n, Level)
	if err != nil {
		return r, err
	}
	r.Ratio, r.Level = ptr(float64(count)/float64(n)), ptr(Level)
	r.Low, r.High = &wilson.Low, &wilson.High
	r.ExactLow, r.ExactHigh = &exact.Low, &exact.High
	return r, nil
}
