// Package triage says what sealing a waiting home is likely to bring, from homes alike
// that were sealed before. It says nothing of the order in which homes are served: law and
// program set that, and no model outranks them.
//
// A home's reduction is told as the middle of the homes alike, and as the range in which
// nine of ten of them lay: one home more is about as likely to lie there. Where its
// leakage was read at intake, the homes' shares removed are told times that leakage, since
// leaky homes lose more. Homes alike are those of the same class; of too few, all.
//
// Source: quantiles of type 7, Hyndman & Fan, Am. Stat. 50 (1996) 361 [mem].
package triage

import (
	"slices"

	"ductledger/domain/stat"
)

// MethodVersion names how the expectation is computed.
const MethodVersion = "triage-1"

// A Sealed home was accepted, with its leakage in cfm25 read before and after.
type Sealed struct {
	Class         string
	Before, After float64
}

// Least homes alike. With fewer than twenty the outermost twentieth is no home's. Common practice, without a source [cp].
const Least = 20

// Expected is what sealing is likely to bring in one home.
type Expected struct {
	// The middle of the homes alike.
	ReductionCFM25 *float64 `json:"reduction_cfm25,omitempty"`
	// Nine of ten homes alike lay from here …
	LowCFM25 *float64 `json:"reduction_cfm25_low,omitempty"`
	// … to here.
	HighCFM25 *float64 `json:"reduction_cfm25_high,omitempty"`
	// Sealed homes that this rests on.
	N int `json:"n"`
	// Homes of the same class, or all.
	Alike string `json:"alike,omitempty" validate:"omitempty,oneof=class all"`
	// The share of them that leaked less before than the program starts at.
	BelowStartRatio *float64 `json:"below_start_ratio,omitempty"`
	// Why the figure is absent.
	Reason string `json:"reason,omitempty"`
}

// Experience is what sealed homes showed.
type Experience struct {
	all     []Sealed
	byClass map[string][]Sealed
}

// Learn keeps the homes that were sealed; those without a reading above 0 before or with
// one below 0 after are left out.
func Learn(homes []Sealed) *Experience {
	e := &Experience{byClass: map[string][]Sealed{}}
	for _, h := range homes {
		if h.Before > 0 && h.After >= 0 {
			e.all = append(e.all, h)
			e.byClass[h.Class] = append(e.byClass[h.Class], h)
		}
	}
	return e
}

// Expect tells of a home of a class. read is its leakage in cfm25 at intake, startFrom the
// leakage from which on the program works; 0: not known, none. It refuses nothing: too few
// homes are a reason. Source: package comment [mem].
func (e *Experience) Expect(class string, read, startFrom float64) Expected {
	alike, x := e.byClass[class], Expected{Alike: "class"}
	if len(alike) < Least {
		alike, x.Alike = e.all, "all"
	}
	if x.N = len(alike); x.N < Least {
		return Expected{N: x.N, Reason: stat.TooFew}
	}
	brought, below := make([]float64, len(alike)), 0
	for i, h := range alike {
		brought[i] = h.Before - h.After
		if read > 0 {
			brought[i] = float64(read * (brought[i] / h.Before))
		}
		if h.Before < startFrom {
			below++
		}
	}
	slices.Sort(brought)
	quantile := func(p float64) *float64 {
		q, err := stat.Quantile(brought, p)
		if err != nil {
			return nil // it is sorted and has no other number in it
		}
		return &q
	}
	x.ReductionCFM25, x.LowCFM25, x.HighCFM25 = quantile(.5), quantile(.05), quantile(.95)
	if startFrom > 0 {
		ratio := float64(below) / float64(len(alike))
		x.BelowStartRatio = &ratio
	}
	return x
}
