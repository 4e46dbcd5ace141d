package month

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// What a complaint takes, by hand [calc]; the job was paid 493.25 and 123.45.
func TestChargesOf(t *testing.T) {
	quarter, all, one := 0.25, 1.0, 1
	work := &Work{Sections: 2}
	work.Pay.add(PayLine{State: Payable, AmountCents: 49325, HeldBackCents: 4932, FundSource: "north", Category: "labor"})
	work.Pay.add(PayLine{State: Unpaid})
	work.Pay.add(PayLine{State: Payable, AmountCents: 12345, HeldBackCents: 1234, FundSource: "south", Category: "materials"})
	for _, c := range []struct {
		name   string
		prices []domain.Price
		want   Taking
		lines  string // product, what limits it, amount
	}{
		{"no price", nil, Taking{}, ""},
		{"a sum", []domain.Price{{AmountCents: 10000}}, Taking{10000, 10000}, "-10000  -10000"},
		{"a quarter of 616.70", []domain.Price{{PaidRatio: &quarter}}, Taking{15418, 15418}, "-15418  -15418"}, // 154.175 is 15417.5 cents, half to even 15418
		{"both", []domain.Price{{AmountCents: 1000, PaidRatio: &quarter}}, Taking{16418, 16418}, "-16418  -16418"},
		{"floor", []domain.Price{{AmountCents: 1, FloorCents: whole(2000)}}, Taking{2000, 1}, "-1 floor -2000"},
		{"floor, from both lines", []domain.Price{{AmountCents: 1000, FloorCents: whole(50000)}}, Taking{50000, 1000}, "-1000 floor -49325; 0 floor -675"},
		{"cap", []domain.Price{{PaidRatio: &all, CapCents: whole(30000)}}, Taking{30000, 61670}, "-61670 cap -30000"},
		{"cap, from both lines", []domain.Price{{AmountCents: 90000, CapCents: whole(60000)}}, Taking{60000, 90000}, "-49325  -49325; -40675 cap -10675"},
		{"more than was paid", []domain.Price{{AmountCents: 99999999}}, Taking{99999999, 99999999}, "-49325  -49325; -99950674 paid -12345"},
		{"two prices, more than was paid", []domain.Price{{PaidRatio: &all}, {AmountCents: 5}}, Taking{61675, 61675}, "-49325  -49325; -12350 paid -12345"},
		{"other homes only", []domain.Price{{AmountCents: 10000, SectionCount: &one}}, Taking{}, ""},
	} {
		for i := range c.prices {
			c.prices[i].Line = LineCallBack
		}
		set := &domain.RuleSet{Prices: append(c.prices, domain.Price{Line: LineTrip, AmountCents: 7})}
		charges, err := ChargesOf([]CallBackVersion{{Position: 9, Charged: true, On: "2026-10-05"}}, func(domain.Date) *domain.RuleSet { return set }, work)
		if err != nil {
			t.Fatal(err)
		}
		got := Taken(charges, 9)
		if got != c.want || Taken(charges, 8) != (Taking{}) {
			t.Errorf("%s: %d, want %d; before it %d", c.name, got, c.want, Taken(charges, 8))
		}
		var lines []string
		for _, l := range work.Pay.Less(got).Lines[3:] {
			lines = append(lines, fmt.Sprint(l.ProductCents, " ", l.LimitedBy, " ", l.AmountCents))
			if l.QuantityTenths != -10 || l.UnitCents != -l.ProductCents {
				t.Errorf("%s: %d tenths at %d are not %d", c.name, l.QuantityTenths, l.UnitCents, l.ProductCents)
			}
		}
		if got := strings.Join(lines, "; "); got != c.lines {
			t.Errorf("%s: %s, want %s", c.name, got, c.lines)
		}
	}
}

// A complaint counts by its newest version, at the prices of the day on which
// it was reported.
func TestChargesFollowTheVersions(t *testing.T) {
	work := &Work{}
	work.Pay.add(PayLine{State: Payable, AmountCents: 50000})
	in := func(day domain.Date) *domain.RuleSet {
		cents := int64(100)
		if day >= "2026-11-01" {
			cents = 300
		}
		return &domain.RuleSet{Prices: []domain.Price{{Line: LineCallBack, AmountCents: cents}}}
	}
	a, b := domain.UUID{1}, domain.UUID{2}
	charges, err := ChargesOf([]CallBackVersion{
		{Position: 1, CallBackID: a, On: "2026-10-01"},                // reported
		{Position: 2, CallBackID: a, Charged: true, On: "2026-10-01"}, // closed at the crew's fault
		{Position: 3, CallBackID: b, Charged: true, On: "2026-11-01"}, // another
		{Position: 4, CallBackID: a, Charged: true, On: "2026-10-01"}, // a word of it changed
		{Position: 5, CallBackID: a, Charged: true, On: "2026-11-02"}, // reported on another day
		{Position: 6, CallBackID: b, On: "2026-11-01"},                // no fault of the crew
		{Position: 7, CallBackID: a, On: "2026-11-02"},                // void
	}, in, work)
	if err != nil {
		t.Fatal(err)
	}
	var got []int64
	for p := range int64(8) {
		got = append(got, Taken(charges, p).Cents)
	}
	if want := []int64{0, 0, 100, 400, 400, 600, 300, 0}; !slices.Equal(got, want) {
		t.Errorf("taken by position %v, want %v", got, want)
	}
}

// What is taken stands beside the lines that it is taken from, the first of
// them first, and no line gives more than it had.
func TestLess(t *testing.T) {
	var pay Pay
	pay.add(PayLine{State: Payable, AmountCents: 1000, HeldBackCents: 100, FundSource: "north", Category: "labor"})
	pay.add(PayLine{State: Payable, AmountCents: 500, HeldBackCents: 50, FundSource: "south"})
	for _, c := range []struct {
		cents int64
		want  string
	}{
		{0, "1500 150"},
		{-5, "1500 150"},
		{999, "501 51 | north labor -999 -99"}, // 100 × 999/1000 is 99.9, down [calc]
		{1000, "500 50 | north labor -1000 -100"},
		{1250, "250 25 | north labor -1000 -100 | south  -250 -25"},
		{1500, "0 0 | north labor -1000 -100 | south  -500 -50"},
		{99999, "0 0 | north labor -1000 -100 | south  -500 -50"},
	} {
		less := pay.Less(Taking{c.cents, c.cents})
		got := fmt.Sprint(less.PayableCents, " ", less.HeldBackCents)
		for _, l := range less.Lines[2:] {
			got += fmt.Sprintf(" | %s %s %d %d", l.FundSource, l.Category, l.AmountCents, l.HeldBackCents)
		}
		if got != c.want {
			t.Errorf("less %d: %s, want %s", c.cents, got, c.want)
		}
	}
	if len(pay.Lines) != 2 || pay.PayableCents != 1500 {
		t.Errorf("the pay itself changed: %+v", pay)
	}
}
