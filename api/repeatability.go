package api

import (
	"context"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/ledger"
	"ductledger/domain/performance"
	performancedb "ductledger/storage/performance"
)

// How well a test of leakage repeats, from tests of unchanged ducts that were done twice. No result moves by it: an admin
// puts the figure into the next rule set, whose results then carry it.
type repeatabilityAnswer struct {
	// The first day.
	From domain.Date `json:"from"`
	// The day after the last.
	Before domain.Date `json:"before"`
	// When the position was recorded.
	AsOfAt string `json:"as_of_at"`
	// The place in the program's one order of accepted versions.
	Position      int64  `json:"position"`
	MethodVersion string `json:"method_version"`
	// What the rule set in force on the last day goes by.
	InForceURatio float64 `json:"in_force_u_ratio"`
	// Same-day pairs by one crew and one instrument, set up anew: what `repeatability_u_ratio` of a rule set means.
	OneInstrument repeatFigure `json:"one_instrument"`
	// Such pairs by two instruments: the calibration of both is in it.
	TwoInstruments repeatFigure `json:"two_instruments"`
	// A crew's reading after and an inspector's: reproducibility, with instrument, weather and the days between in it.
	Inspector repeatFigure `json:"inspector"`
}

// The spread of a test done again, as a share of the leakage. From 15 pairs on.
type repeatFigure struct {
	// Pairs.
	N int `json:"n"`
	// Standard deviation within pairs, of ln leakage.
	URatio     *float64 `json:"u_ratio,omitzero"`
	URatioLow  *float64 `json:"u_ratio_low,omitzero"`
	URatioHigh *float64 `json:"u_ratio_high,omitzero"`
	// The level of the interval, by chi-square.
	Level *float64 `json:"level_ratio,omitzero"`
	// 95 of 100 pairs differ by less, in ln leakage.
	Gap *float64 `json:"pairs_differ_under_ratio,omitzero"`
	// Why the figure is absent.
	Reason string `json:"reason,omitzero"`
}

func repeatOf(pairs [][2]float64) (f repeatFigure, err error) {
	if f.N = len(pairs); f.N < leakage.LeastPairs {
		f.Reason = performance.TooFewJobs
		return f, nil
	}
	r, err := leakage.Repeatability(pairs)
	if err != nil {
		return f, frame.Refused(err)
	}
	f.URatio, f.URatioLow, f.URatioHigh, f.Gap, f.Level = &r.WithinSD, &r.Limits.Low, &r.Limits.High, &r.Gap95, new(performance.Level)
	return f, nil
}

// repeatability offers what pairs of tests tell.
func (s *Server) repeatability(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	var a repeatabilityAnswer
	err := s.populate(ctx, caller, r, func(p *performancedb.Population) error {
		pairs, err := p.Repeats()
		if err != nil {
			return err
		}
		a = repeatabilityAnswer{From: domain.Date(r.Query.Get("from")), Before: domain.Date(r.Query.Get("before")),
			AsOfAt: ledger.Stamp(p.AsOfAt), Position: p.Position, MethodVersion: leakage.MethodVersion, InForceURatio: leakage.DefaultAccuracy().Repeatability}
		if own := p.InForce.Tests; own != nil && own.RepeatabilityURatio != nil {
			a.InForceURatio = *own.RepeatabilityURatio
		}
		if a.OneInstrument, err = repeatOf(pairs.OneInstrument); err != nil {
			return err
		}
		if a.TwoInstruments, err = repeatOf(pairs.TwoInstruments); err != nil {
			return err
		}
		a.Inspector, err = repeatOf(pairs.Inspector)
		return err
	})
	return frame.Answer{Body: a}, err
}

// repeatabilityOperations are what the contract says of the operation of this file.
func repeatabilityOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"getRepeatability": {
			Tag: "Performance", Summary: "How well a test of leakage repeats",
			Description: "From tests that name in `repeats` the one that they do again, of jobs accepted in the period, and from " +
				"inspectors' readings of jobs assigned in it. A figure stands from 15 pairs on, with its interval.",
			Query: figuresQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The figures.", Body: repeatabilityAnswer{}},
			},
		},
	}
}
