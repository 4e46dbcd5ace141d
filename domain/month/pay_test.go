package month

import (
	"math"
	"testing"

	"ductledger/domain"
)

func whole(n int64) *int64 { return &n }

// Amounts by hand, with a pocket calculator [calc]; the rule is quantity ×
// unit price, rounded once, half to even, then floor and cap.
func TestPayOf(t *testing.T) {
	one, two, ratio := 1, 2, 0.1
	prices := func(list ...domain.Price) *domain.RuleSet {
		return &domain.RuleSet{Prices: list, HoldBackRatio: &ratio}
	}
	reduction := domain.Price{Line: LineReduction, AmountCents: 250, FundSource: "state_fund", Category: "labor"}
	measured := Work{Figures: Figures{Outcome: domain.Completed, PayBasis: domain.Measured, Method: domain.FanTotal, BeforeTenths: whole(3180), AfterTenths: whole(1207)}, Sections: 2, WorkShown: true, TripShown: true}
	for _, c := range []struct {
		name         string
		set          *domain.RuleSet
		work         Work
		change       func(*domain.Price, *Work)
		amount, held int64
		states       string
	}{
		{"no prices", &domain.RuleSet{}, measured, nil, 0, 0, ""},
		{"197.3 at 2.50", nil, measured, nil, 49325, 4932, "payable "}, // 4932.5 is even
		{"to the cent, half to even down", nil, measured, func(p *domain.Price, w *Work) { p.AmountCents, w.BeforeTenths = 5, whole(1212) }, 2, 0, "payable "},
		{"to the cent, half to even up", nil, measured, func(p *domain.Price, w *Work) { p.AmountCents, w.BeforeTenths = 5, whole(1210) }, 2, 0, "payable "},
		{"floor", nil, measured, func(p *domain.Price, _ *Work) { p.FloorCents = whole(60000) }, 60000, 6000, "payable "},
		{"cap", nil, measured, func(p *domain.Price, _ *Work) { p.CapCents = whole(40000) }, 40000, 4000, "payable "},
		{"leakage rose", nil, measured, func(p *domain.Price, w *Work) { w.AfterTenths, p.FloorCents = whole(4000), whole(15000) }, 15000, 1500, "payable "},
		{"no reading after", nil, measured, func(_ *domain.Price, w *Work) { w.AfterTenths = nil }, 0, 0, "withheld missing_after "},
		{"no reading before", nil, measured, func(_ *domain.Price, w *Work) { w.BeforeTenths = nil }, 0, 0, "withheld missing_before "},
		{"readings that decide nothing, no floor", nil, measured, func(_ *domain.Price, w *Work) { w.Undecided = true }, 0, 0, "withheld undecided "},
		{"readings that decide nothing are paid the floor, whatever they say", nil, measured, func(p *domain.Price, w *Work) { w.Undecided, p.FloorCents = true, whole(15000) }, 15000, 1500, "payable "},
		{"a floor of nothing is a floor", nil, measured, func(p *domain.Price, w *Work) { w.Undecided, p.FloorCents = true, whole(0) }, 0, 0, "payable "},
		{"readings that decide nothing of work that is not shown", nil, measured, func(p *domain.Price, w *Work) { w.Undecided, w.WorkShown, p.FloorCents = true, false, whole(15000) }, 0, 0, "withheld not_shown "},
		{"before by one method, after by another", nil, measured, func(p *domain.Price, w *Work) { w.Method, p.FloorCents = "", whole(15000) }, 0, 0, "withheld methods_differ "},
		{"other homes only", nil, measured, func(p *domain.Price, _ *Work) { p.SectionCount = &one }, 0, 0, "unpaid "},
		{"by sections", nil, measured, func(p *domain.Price, _ *Work) { p.SectionCount = &two }, 49325, 4932, "payable "},
		{"inspected", nil, measured, func(_ *domain.Price, w *Work) { w.Inspected = true }, 49325, 0, "payable "},
		{"deemed", nil, measured, func(p *domain.Price, w *Work) { p.Line, p.AmountCents, w.PayBasis = LineHome, 32050, domain.Deemed }, 32050, 3205, "payable "},
		{"deferred", nil, measured, func(p *domain.Price, w *Work) { p.Line, p.AmountCents, w.Outcome = LineTrip, 7500, domain.DeferredWork }, 7500, 750, "payable "},
		{"work that is not shown", nil, measured, func(_ *domain.Price, w *Work) { w.WorkShown = false }, 0, 0, "withheld not_shown "},
		{"a sum for the home without work", nil, measured, func(p *domain.Price, w *Work) { p.Line, w.PayBasis, w.WorkShown = LineHome, domain.Deemed, false }, 0, 0, "withheld not_shown "},
		{"a trip that is not shown", nil, measured, func(p *domain.Price, w *Work) { p.Line, w.Outcome, w.TripShown = LineTrip, domain.DeferredWork, false }, 0, 0, "withheld not_shown "},
		{"refused, no line fits", nil, measured, func(_ *domain.Price, w *Work) { w.Outcome = domain.Refused }, 0, 0, ""},
		{"two crossovers besides", prices(reduction, domain.Price{Line: LineCrossover, AmountCents: 12345}), measured, func(_ *domain.Price, w *Work) { w.Crossovers = 2 }, 74015, 7401, "payable payable "},
		{"crossover without a price", nil, measured, func(_ *domain.Price, w *Work) { w.Crossovers = 1 }, 49325, 4932, "payable unpaid "},
	} {
		t.Run(c.name, func(t *testing.T) {
			set, work, price := c.set, c.work, reduction
			if c.change != nil {
				c.change(&price, &work)
			}
			if set == nil {
				set = prices(price)
			}
			pay, err := PayOf(set, &work)
			if err != nil {
				t.Fatal(err)
			}
			states := ""
			for _, line := range pay.Lines {
				states += line.State + " "
				if line.WithheldBy != "" {
					states += line.WithheldBy + " "
				}
			}
			if pay.PayableCents != c.amount || pay.HeldBackCents != c.held || states != c.states {
				t.Errorf("%d cents, %d held back, %q; want %d, %d, %q", pay.PayableCents, pay.HeldBackCents, states, c.amount, c.held, c.states)
			}
		})
	}
}

func TestPayRefusesWhatCannotBeCounted(t *testing.T) {
	set := &domain.RuleSet{Prices: []domain.Price{{Line: LineReduction, AmountCents: 1<<53 - 1}}}
	work := Work{Figures: Figures{Outcome: domain.Completed, PayBasis: domain.Measured, Method: domain.FanTotal, BeforeTenths: whole(math.MaxInt64), AfterTenths: whole(0)}, WorkShown: true}
	if _, err := PayOf(set, &work); err == nil {
		t.Error("an amount beyond 64 bits was paid")
	}
	for a, want := range map[int64]int64{5: 0, 15: 2, 25: 2, 35: 4, 26: 3, 24: 2} { // NIST SP 811 B.7.1, half to even [mem]
		if got, err := product(a, 1, 10); err != nil || got != want {
			t.Errorf("%d/10: %d, want %d", a, got, want)
		}
	}
}
