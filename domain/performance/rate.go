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
	Reason    string   `json:"reason,omitempty"`
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
