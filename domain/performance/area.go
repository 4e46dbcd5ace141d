package performance

// PerArea relates the pooled leakage to the floor area of the homes whose area
// is known: 100·Σcfm25/Σft². Source: definition [calc].
type PerArea struct {
	// Jobs used.
	N         int      `json:"n"`
	Before    *float64 `json:"before_cfm25_per_100ft2,omitempty"`
	After     *float64 `json:"after_cfm25_per_100ft2,omitempty"`
	Reduction *float64 `json:"reduction_cfm25_per_100ft2,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

func perAreaOf(a *areaSums) PerArea {
	p := PerArea{N: int(a.n)}
	if a.n == 0 {
		p.Reason = NoAreas
		return p
	}
	// tenths / hundredths of ft² · 100 ft² · (1/10)/(1/100) = ·1000
	per := func(tenths int64) *float64 { return ptr(float64(tenths) * 1000 / float64(a.hundredths)) }
	p.Before, p.After, p.Reduction = per(a.before), per(a.after), per(a.before-a.after)
	return p
}
