package month

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ductledger/domain"
	"ductledger/domain/pack"
)

// Positions 1 to 40 of an invented ledger, ten a month from 2026-08 on.
const perMonth = 10

func atPosition(p int64) time.Time {
	return time.Date(2026, time.Month(8+(p-1)/perMonth), 1+2*int((p-1)%perMonth), 12, 0, 0, 0, time.UTC)
}

// drawHistory invents the acceptances of a job.
func drawHistory(t *rapid.T) History {
	h := History{JobID: domain.UUID{15: byte(rapid.IntRange(1, 200).Draw(t, "job"))}}
	p := rapid.Int64Range(0, 3).Draw(t, "month")*perMonth + rapid.Int64Range(1, perMonth).Draw(t, "accepted")
	for {
		a := Acceptance{Position: p, AcceptedAt: atPosition(p), JobVersion: p}
		a.Outcome = rapid.SampledFrom([]domain.Outcome{domain.Completed, domain.Partial}).Draw(t, "outcome")
		before, after := rapid.Int64Range(0, 5000).Draw(t, "before"), rapid.Int64Range(0, 5000).Draw(t, "after")
		if rapid.Bool().Draw(t, "measured") {
			a.BeforeTenths, a.AfterTenths = &before, &after
		}
		a.FundSource = rapid.SampledFrom([]string{"", "north", "south"}).Draw(t, "fund")
		a.ContractorID = domain.UUID{1: byte(rapid.IntRange(1, 2).Draw(t, "contractor"))}
		for range rapid.IntRange(0, 3).Draw(t, "lines") {
			cents := rapid.Int64Range(0, 5000).Draw(t, "cents")
			a.Pay.add(PayLine{Line: LineHome, State: Payable, AmountCents: cents, HeldBackCents: cents / 10,
				FundSource: a.FundSource, Category: rapid.SampledFrom([]string{"", "labor", "materials"}).Draw(t, "category")})
		}
		if rapid.Bool().Draw(t, "inspected") {
			a.Inspected = rapid.Int64Range(1, 4*perMonth).Draw(t, "inspection")
			a.InspectedAt = atPosition(a.Inspected)
		}
		until := p + rapid.SampledFrom([]int64{1, 2, 3, 12}).Draw(t, "until")
		if until <= 4*perMonth && rapid.Bool().Draw(t, "ends") {
			a.Until, a.UntilAt, a.UntilVersion = until, atPosition(until), until
			a.UntilVoid = rapid.Bool().Draw(t, "void")
		}
		h.Acceptances = append(h.Acceptances, a)
		if a.Until == 0 {
			break
		}
		h.Void = a.UntilVoid
		p = a.Until + rapid.Int64Range(0, 3).Draw(t, "next")
		if a.UntilVoid || p > 4*perMonth || rapid.Bool().Draw(t, "stays open") {
			break
		}
	}
	h.Month = domain.MonthOf(h.Acceptances[0].AcceptedAt, time.UTC)
	charges := drawCharges(t, h.Acceptances)
	for i := range h.Acceptances {
		h.Acceptances[i].Charges = charges
	}
	return h
}

// drawCharges invents complaints: some are charged, some of these not for ever.
// A position of the ledger is one entry, so none stands where something else
// happens to the job.
func drawCharges(t *rapid.T, acceptances []Acceptance) (charges []Charge) {
	taken := map[int64]bool{}
	for _, a := range acceptances {
		taken[a.Position], taken[a.Until], taken[a.Inspected] = true, true, true
	}
	at := int64(0)
	next := func() (Charge, bool) {
		at += rapid.Int64Range(1, 10).Draw(t, "after")
		return Charge{Position: at, RecordedAt: atPosition(at), CallBackID: domain.UUID{1: byte(at)}}, !taken[at]
	}
	for range rapid.IntRange(0, 4).Draw(t, "complaints") {
		c, free := next()
		if !free {
			continue
		}
		c.Taking = Taking{rapid.Int64Range(1, 6000).Draw(t, "takes"), rapid.Int64Range(0, 6000).Draw(t, "priced")}
		charges = append(charges, c)
		if back, free := next(); free && rapid.Bool().Draw(t, "withdrawn") {
			back.CallBackID, back.Taking = c.CallBackID, Taking{}.minus(c.Taking)
			charges = append(charges, back)
		}
	}
	return charges
}

// upTo is the history as a package cut at a position sees it.
func (h History) upTo(position int64) (cut History, some bool) {
	cut = h
	cut.Acceptances, cut.Void = nil, false
	for _, a := range h.Acceptances {
		if a.Position > position {
			break
		}
		if a.Until > position {
			a.Until, a.UntilAt, a.UntilVersion, a.UntilVoid = 0, time.Time{}, 0, false
		}
		cut.Void = a.UntilVoid
		cut.Acceptances = append(cut.Acceptances, a)
	}
	return cut, len(cut.Acceptances) > 0
}

// Over consecutive packages, wherever the later ones are cut, each job explains
// all of the difference between two cumulatives, and each event is told once:
// in the packages of all funds together, and in those of each. What the funds
// show adds up to the whole, and a contractor's statements to what is paid.
func TestEveryJobExplainsItsPart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := drawHistory(t)
		var cuts []int64
		for i := range int64(4) {
			cuts = append(cuts, (i+1)*perMonth+rapid.Int64Range(0, 4).Draw(t, "cut later"))
		}
		whole := explainsItsPart(t, h, cuts)
		parts := Sums{}
		for _, fund := range []string{"north", "south", WithoutFund} {
			h.Fund = fund
			parts = parts.Plus(explainsItsPart(t, h, cuts))
		}
		if parts != whole {
			t.Fatalf("the funds show %v, together there are %v\n%+v", parts, whole, h)
		}
	})
}

// explainsItsPart gives what stands of a job in the last package.
func explainsItsPart(t *rapid.T, h History, cuts []int64) (cumulative Sums) {
	told := map[string]domain.Month{}
	previous, stated := int64(0), int64(0)
	costs := map[string]int64{}
	for i := range int64(4) {
		position := min(max(cuts[i], previous), 4*perMonth)
		r := Range{Month: domain.MonthOf(atPosition(i*perMonth+1), time.UTC), Fund: h.Fund, Previous: previous, Position: position, Zone: time.UTC}
		cut, some := h.upTo(position)
		previous = position
		if !some || h.Month > r.Month {
			continue
		}
		if err := cut.Check(); err != nil {
			t.Fatal(err)
		}
		var m Movement
		cut.Move(&r, &m)
		if h.Month == r.Month {
			m.New = cut.SumsAt(position)
		}
		lines, err := Reconcile(cumulative, m, cut.SumsAt(position))
		if err != nil {
			t.Fatalf("%s: %v\n%+v", r.Month, err, h)
		}
		for n, line := range lines {
			cumulative[n] = line.Cumulative()
		}
		checkSpending(t, &cut, &r, costs, cumulative[payableCents])
		// The statements of both contractors.
		if a := cut.at(position); a != nil && (h.Month == r.Month || cut.IsLate(&r)) {
			stated += a.PayAt(position).PayableCents
		}
		for c := range 2 {
			err := cut.PayCorrections(&r, domain.UUID{1: byte(c + 1)}, func(l *StatementLine) error {
				if l.Event == "" || l.FundSource != cmp.Or(strings.TrimPrefix(h.Fund, WithoutFund), l.FundSource) {
					return fmt.Errorf("a line of %q by %q in the statement of %q", l.FundSource, l.Event, h.Fund)
				}
				stated += l.AmountCents
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		if stated != cumulative[payableCents] {
			t.Fatalf("%s: the statements come to %d, the packages to %d\n%+v", r.Month, stated, cumulative[payableCents], h)
		}
		moved, takings := map[string]int64{}, map[string]int64{}
		err = cut.Corrections(&r, func(c *Correction) error {
			old, _ := strconv.ParseInt(c.Old, 10, 64)
			now, _ := strconv.ParseInt(c.New, 10, 64)
			moved[c.Field] += now - old
			if c.Event == TakenBack {
				takings[c.Field] += now - old
			}
			if at, twice := told[c.ID]; twice {
				return fmt.Errorf("%s is told in %s and %s", c.ID, at, r.Month)
			}
			told[c.ID] = r.Month
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for field, line := range map[string]pack.ReconciliationRow{"payable_cents": lines[payableCents], "held_back_cents": lines[heldBackCents]} {
			if want := line.Late + line.CorrectionsNet - line.Voided; h.Month < r.Month && moved[field] != want {
				t.Fatalf("%s: corrections of %s move %d, the figures %d\n%+v", r.Month, field, moved[field], want, h)
			}
			if line.Cumulative() < 0 {
				t.Fatalf("%s: %s stands at %d", r.Month, field, line.Cumulative())
			}
		}
		if held, payable := lines[heldBackCents].Cumulative(), lines[payableCents].Cumulative(); held > payable {
			t.Fatalf("%s: %d held back of %d", r.Month, held, payable)
		}
		err = cut.TakenLines(&r, func(l *TakenLine) error {
			takings["payable_cents"] -= l.Cents
			if at, twice := told[l.ID]; twice {
				return fmt.Errorf("%s is told in %s and %s", l.ID, at, r.Month)
			}
			told[l.ID] = r.Month
			return nil
		})
		if err != nil || h.Month < r.Month && takings["payable_cents"] != 0 {
			t.Fatalf("%s: lines taken back and corrections differ by %d, %v\n%+v", r.Month, takings["payable_cents"], err, h)
		}
	}
	// The last package is cut at the end: nothing that happened is missing.
	for i, a := range h.Acceptances {
		if !h.counts(&a) {
			continue
		}
		if _, found := told[correctionID(a.Until, h.JobID, "state")]; a.Until != 0 && !found && !(i+1 < len(h.Acceptances) && h.Acceptances[i+1].Position == a.Until) {
			t.Errorf("the end of acceptance %d at %d is told nowhere", i+1, a.Until)
		}
	}
	return cumulative
}

func TestReconcileNamesWhatDoesNotHold(t *testing.T) {
	previous, cumulative := Sums{jobsAccepted: 3}, Sums{jobsAccepted: 5}
	_, err := Reconcile(previous, Movement{New: Sums{jobsAccepted: 1}}, cumulative)
	if domain.CodeOf(err) != domain.NotReconciled {
		t.Fatal(err)
	}
	want := "not_reconciled: the figures do not follow from the month before: jobs_accepted: 3 before and what moved give 4, but 5 jobs stand (difference 1)"
	if err.Error() != want {
		t.Errorf("%v\nwant\n%s", err, want)
	}
	if err := Same(previous, previous, "x.zip"); err != nil {
		t.Error(err)
	}
	if err := Same(previous, cumulative, "x.zip"); domain.CodeOf(err) != domain.NotReconciled {
		t.Error(err)
	}
}

func TestHistoryRefusesWhatCannotBe(t *testing.T) {
	for name, list := range map[string][]Acceptance{
		"none":                     nil,
		"ends before it begins":    {{Position: 5, Until: 4}},
		"two at once":              {{Position: 5, Until: 8}, {Position: 7}},
		"one that never ended":     {{Position: 5}, {Position: 7}},
		"before the ledger begins": {{Position: 0}},
	} {
		h := History{Acceptances: list}
		if h.Check() == nil {
			t.Errorf("%s: was taken", name)
		}
	}
}

// checkSpending holds the costs of one job to the line from month to month:
// each begins where the month before ended, none falls out, and the cents add
// up to what is payable.
func checkSpending(t *rapid.T, h *History, r *Range, before map[string]int64, payable int64) {
	var s Spending
	s.Take(h, r)
	if a := h.at(r.Position); a != nil && h.Month == r.Month {
		s.TakeNew(&Work{Figures: Figures{Outcome: a.Outcome, Pay: a.PayAt(r.Position)}})
	}
	lines, err := s.Reconcile()
	if err != nil {
		t.Fatalf("%s: %v\n%+v", r.Month, err, h)
	}
	missing := len(before)
	sum := int64(0)
	for _, line := range lines {
		if was, known := before[line.Measure]; known {
			missing--
			if was != line.Previous {
				t.Fatalf("%s %s begins at %d, the month before ended at %d", r.Month, line.Measure, line.Previous, was)
			}
		} else if line.Previous != 0 {
			t.Fatalf("%s %s begins at %d and was not known before", r.Month, line.Measure, line.Previous)
		}
		before[line.Measure] = line.Cumulative()
		if strings.HasPrefix(line.Measure, "payable.") {
			sum += line.Cumulative()
		}
	}
	if missing != 0 || sum != payable {
		t.Fatalf("%s: %d measures fell out; the costs add up to %d, payable are %d", r.Month, missing, sum, payable)
	}
}
