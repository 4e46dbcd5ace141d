package month

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"ductledger/domain"
	"ductledger/domain/pack"
)

// A heading is what money is counted by: the fund that pays and the category
// under which the funder counts it. Either may be unnamed.
type heading struct{ fund, category string }

// Costs are payable cents by fund source and category, and the homes that were
// worked on: all of them, and by each fund that pays for work in them.
type Costs struct {
	homes  int64
	byFund map[string]int64
	cents  map[heading]int64
}

// add counts a job so many times: once, less once, or not at all, which only
// makes its headings known.
func (c *Costs) add(f *Figures, pay *Pay, times int64) {
	if c.cents == nil {
		c.cents, c.byFund = map[heading]int64{}, map[string]int64{}
	}
	worked := f.Outcome == domain.Completed || f.Outcome == domain.Partial
	if worked {
		c.homes += times
	}
	for i := range pay.Lines {
		line := &pay.Lines[i]
		if line.State != Payable {
			continue
		}
		c.cents[heading{line.FundSource, line.Category}] += times * line.AmountCents
		if worked && line.AmountCents > 0 && !paidBefore(pay.Lines[:i], line.FundSource) {
			c.byFund[line.FundSource] += times
		}
	}
}

func paidBefore(lines []PayLine, fund string) bool {
	return slices.ContainsFunc(lines, func(l PayLine) bool { return l.AmountCents > 0 && l.FundSource == fund })
}

// addAt counts what stands of a job at a position.
func (c *Costs) addAt(h *History, position, times int64) {
	if a := h.at(position); a != nil {
		pay := a.PayAt(position)
		c.add(&a.Figures, &pay, times)
	}
}

// Spending is how the costs of a package follow from those of the one before,
// as Movement is for the measures that every package has.
type Spending struct{ Previous, New, Late, Corrections, Voided, Cumulative Costs }

// Take adds what a job of any month is and was. Jobs of the range's own month
// are new and are added where their rows are written.
func (s *Spending) Take(h *History, r *Range) {
	if h.Month > r.Month {
		return
	}
	// A heading never falls out of the line, also when nothing stands under it.
	for i := range h.Acceptances {
		if a := &h.Acceptances[i]; h.counts(a) {
			s.Cumulative.add(&a.Figures, &a.Pay, 0)
		}
	}
	s.Cumulative.addAt(h, r.Position, 1)
	if h.Month == r.Month {
		return
	}
	s.Previous.addAt(h, r.Previous, 1)
	switch h.movedAs(r) {
	case movedLate:
		s.Late.addAt(h, r.Position, 1)
	case movedVoided:
		s.Voided.addAt(h, r.Previous, 1)
	case movedCorrected:
		s.Corrections.addAt(h, r.Position, 1)
		s.Corrections.addAt(h, r.Previous, -1)
	}
}

// TakeNew adds a job of this month.
func (s *Spending) TakeNew(w *Work) { s.New.add(&w.Figures, &w.Pay, 1) }

// Names of the measures of money and homes by fund source. A word of the
// program has no dash, so an unnamed one is never taken for a named one.
const (
	homesMeasure    = "homes_worked"
	payableMeasure  = "payable"
	unnamedFund     = domain.WithoutFund
	unnamedCategory = "no-category"
)

func (h heading) names() (fund, category string) {
	return cmp.Or(h.fund, unnamedFund), cmp.Or(h.category, unnamedCategory)
}

func (c *Costs) headings() []heading {
	return slices.SortedFunc(maps.Keys(c.cents), func(a, b heading) int {
		return cmp.Or(strings.Compare(a.fund, b.fund), strings.Compare(a.category, b.category))
	})
}

func (s *Spending) funds() []string { return slices.Sorted(maps.Keys(s.Cumulative.byFund)) }

// Reconcile gives a line for homes, for homes by fund, and for payable cents
// by fund and category, and holds each against what stands, as Reconcile does
// for the measures that every package has.
func (s *Spending) Reconcile() ([]pack.ReconciliationRow, error) {
	var lines []pack.ReconciliationRow
	var wrong []string
	add := func(measure, unit string, of func(*Costs) int64) {
		l := pack.ReconciliationRow{Measure: measure, Unit: unit, Previous: of(&s.Previous), New: of(&s.New), Late: of(&s.Late), CorrectionsNet: of(&s.Corrections), Voided: of(&s.Voided)}
		if stands := of(&s.Cumulative); l.Cumulative() != stands {
			wrong = append(wrong, fmt.Sprintf("%s: what moved gives %d, but %d %s stand", measure, l.Cumulative(), stands, unit))
		}
		lines = append(lines, l)
	}
	add(homesMeasure, "homes", func(c *Costs) int64 { return c.homes })
	for _, fund := range s.funds() {
		name, _ := heading{fund: fund}.names()
		add(homesMeasure+"."+name, "homes", func(c *Costs) int64 { return c.byFund[fund] })
	}
	for _, h := range s.Cumulative.headings() {
		fund, category := h.names()
		add(payableMeasure+"."+fund+"."+category, cents, func(c *Costs) int64 { return c.cents[h] })
	}
	if wrong != nil {
		return nil, domain.Errorf(domain.NotReconciled, "the costs do not follow from the month before: %s", strings.Join(wrong, "; "))
	}
	return lines, nil
}
