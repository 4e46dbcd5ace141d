package api_test

import (
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

type repeated struct {
	N      int
	URatio *float64 `json:"u_ratio"`
	Low    *float64 `json:"u_ratio_low"`
	High   *float64 `json:"u_ratio_high"`
	Reason string
}

// A crew does its test after so many times again, set up anew: 121 and 123 cfm at
// 25.1 Pa in turn, in tenths of cfm25 120.7 and 122.7.
func again(t *testing.T, in *invented, times int) {
	t.Helper()
	at := slices.IndexFunc(in.items, func(i rules.Item) bool {
		m, ok := i.Record.(*domain.Measurement)
		return ok && m.Stage == domain.After
	})
	gauge := slices.IndexFunc(in.items, func(i rules.Item) bool {
		p, ok := i.Record.(*domain.Photo)
		return ok && p.Stage == domain.AfterStage && len(p.Subjects) > 0 && p.Subjects[0].Shows == domain.ShowsGauge
	})
	picture := *in.items[gauge].Record.(*domain.Photo)
	last, id := *in.items[at].Record.(*domain.Measurement), in.items[at].ID
	for n := range times {
		m, repeats, flow := last, id, 121+2*float64((n+1)%2)
		m.Repeats, m.TakenAt = &repeats, m.TakenAt.Add(time.Minute)
		m.Readings = []domain.Reading{{PressurePa: last.Readings[0].PressurePa, FlowCFM: &flow}}
		last, id = m, storagetest.ID()
		shown, photo := picture, storagetest.ID()
		shown.TakenAt, shown.SHA256 = m.TakenAt, fmt.Sprintf("%x", sha256.Sum256(photo[:]))
		shown.Subjects = []domain.PhotoSubject{{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge}}
		in.Work = append(in.Work, item(domain.MeasurementKind, id, 0, &m), item(domain.PhotoKind, photo, 0, &shown))
	}
}

// Pairs of one crew and instrument are offered from 15 on, with n and interval, and
// no result moves by it. A test that nobody called a repeat makes no pair.
func TestRepeatabilityFromPairs(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	accepted(a, a.World, a.Tokens)
	few := invent(a, a.World)
	again(t, few, 14)
	few.sendIn(a, a.Tokens)
	must(a, a.Tokens[domain.Staff], few.review(domain.Accept))
	var got struct {
		InForce float64  `json:"in_force_u_ratio"`
		One     repeated `json:"one_instrument"`
		Two     repeated `json:"two_instruments"`
		By      repeated `json:"inspector"`
	}
	a.Do(domain.Staff, "GET", "/v1/repeatability"+inOctober, nil).Want(200).Into(&got)
	if got.One.N != 14 || got.One.URatio != nil || got.One.Reason != "n_too_small" || got.InForce != 0.02 {
		t.Errorf("from 14 pairs: %+v", got)
	}
	more := invent(a, a.World)
	again(t, more, 1)
	more.sendIn(a, a.Tokens)
	must(a, a.Tokens[domain.Staff], more.review(domain.Accept))
	a.Do(domain.Staff, "GET", "/v1/repeatability"+inOctober, nil).Want(200).Into(&got)
	// s_w = |ln(122.7/120.7)|/√2 where all pairs differ alike; limits by chi-square
	// 6.262 and 27.488 of 15 degrees of freedom, standard tables [mem].
	want := math.Log(122.7/120.7) / math.Sqrt2
	if got.One.N != 15 || got.One.URatio == nil || math.Abs(*got.One.URatio-want) > 1e-12 {
		t.Fatalf("from 15 pairs: %+v, want %v", got.One, want)
	}
	if math.Abs(*got.One.Low/want-math.Sqrt(15/27.488)) > 1e-4 || math.Abs(*got.One.High/want-math.Sqrt(15/6.262)) > 1e-4 {
		t.Errorf("limits %v to %v", *got.One.Low, *got.One.High)
	}
	if got.Two.N != 0 || got.By.N != 0 || got.By.Reason == "" {
		t.Errorf("of others: %+v, %+v", got.Two, got.By)
	}
	a.Do(domain.ContractorRole, "GET", "/v1/repeatability"+inOctober, nil).Want(403)
}
