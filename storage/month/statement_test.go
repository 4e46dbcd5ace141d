package month_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/month"
	"ductledger/domain/rules"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// statement reads all pages of one.
func (a *agency) statement(m domain.Month, limit int) monthdb.Statement {
	a.t.Helper()
	var whole monthdb.Statement
	for {
		page, err := monthdb.ReadStatement(context.Background(), a.DB, a.Staff, a.Contractor, m, "", int64(len(whole.Lines)), limit)
		if err != nil {
			a.t.Fatalf("statement of %s: %v", m, err)
		}
		lines := append(whole.Lines, page.Lines...)
		whole = page
		whole.Lines = lines
		if !page.More {
			return whole
		}
	}
}

// Over thirteen months in which everything happens to the jobs of two contractors,
// the statements of both add up to the package: lines to payments.csv,
// corrections to what the reconciliation says moved, and the package to a recount
// of what stands, to the cent.
func TestStatementsAddUpToThePackage(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2025, 10, 3, 18, 0, 0, 0, time.UTC))
	both := []*agency{a, {a.Second(), t}}
	random := rand.New(rand.NewPCG(7, 2026))
	jobs := [2][]*standingJob{}
	corrected := int64(0)
	for i := range 13 {
		begin := time.Date(2025, time.Month(10+i), 1, 0, 0, 0, 0, time.UTC)
		m := domain.Month(begin.Format("2006-01"))
		a.MoveTo(begin.AddDate(0, 0, 4).Format("2006-01-02") + " 08:00:00")
		for k, c := range both {
			for range 2 {
				j := &standingJob{before: float64(100 + random.IntN(400)), after: float64(20 + random.IntN(80)), accepted: true}
				j.id = c.Accepted(j.before, j.after)
				jobs[k] = append(jobs[k], j)
			}
			for range 4 {
				c.happen(random, jobs[k][random.IntN(len(jobs[k]))])
			}
		}
		a.MoveTo(begin.AddDate(0, 1, 1).Format("2006-01-02") + " 08:00:00")
		b := a.build(m, 0)
		a.compare(b, slices.Concat(jobs[0], jobs[1])) // the recount
		if i%2 == 0 {
			if _, _, err := monthdb.Release(context.Background(), a.DB, a.Admin, m, "", b.Revision, false); err != nil {
				t.Fatal(err)
			}
		}
		var paid, held, moved, released int64
		for _, row := range b.tables["payments"] {
			paid, held = paid+units(t, row["amount_cents"]), held+units(t, row["held_back_cents"])
		}
		for measure, into := range map[string]*int64{"payable": &moved, "held_back": &released} {
			line := strings.Fields(b.line(measure))
			*into = units(t, line[3]) - units(t, line[4])
		}
		var got, listed month.StatementSums
		for _, c := range both {
			s := c.statement(m, 3)
			if p := s.Newest().Package; p == nil || p.SHA256 != b.SHA256 {
				t.Errorf("%s: the statement is not of the package", m)
			}
			for _, sums := range []month.StatementSums{s.Totals.StatementSums} {
				got.Amount, got.HeldBack = got.Amount+sums.Amount, got.HeldBack+sums.HeldBack
				got.Correction, got.CorrectionHeld = got.Correction+sums.Correction, got.CorrectionHeld+sums.CorrectionHeld
			}
			for _, l := range s.Lines {
				if l.CountedAs == month.CountedCorrection {
					listed.Correction, listed.CorrectionHeld = listed.Correction+l.AmountCents, listed.CorrectionHeld+l.HeldBackCents
				} else {
					listed.Amount, listed.HeldBack = listed.Amount+l.AmountCents, listed.HeldBack+l.HeldBackCents
				}
			}
		}
		want := month.StatementSums{Amount: paid, HeldBack: held, Correction: moved, CorrectionHeld: released}
		if got != want || listed != want {
			t.Errorf("%s: the statements come to %+v, their lines to %+v, the package to %+v", m, got, listed, want)
		}
		corrected += max(moved, -moved)
	}
	if corrected == 0 {
		t.Error("nothing was corrected: the test shows less than it says")
	}
}

// What a correction shows: the line that stood, taken back, and the one that
// stands; a hold-back that an inspection released; nothing where a decision
// moved no money.
func TestStatementOfCorrections(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	again, opened, voided, released, excluded := a.Accepted(300, 100), a.Accepted(300, 150), a.Accepted(300, 160), a.Accepted(300, 170), a.Accepted(300, 180)
	a.MoveTo("2026-10-02 09:00:00")
	a.build("2026-09", 0)
	a.Decide(again, domain.Reopen)
	a.Must(t, a.Field, a.Reading(again, domain.After, 90, time.Hour))
	a.Send(again)
	a.Clock.Move(2 * time.Hour)
	a.Decide(again, domain.Accept)
	a.Decide(opened, domain.Reopen)
	a.Void(voided)
	a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), &domain.Inspection{JobID: released, Purpose: "final", InspectedOn: "2026-10-02", InspectorName: "Ina Invented", Result: "passed"}))
	a.Decide(excluded, domain.Exclude)
	s := a.statement("2026-10", 100)
	var lines []string
	for _, l := range s.Lines {
		lines = append(lines, fmt.Sprintf("%s %s %s %s×%d=%d held %d", map[domain.UUID]string{again: "again", opened: "opened", voided: "voided", released: "released", excluded: "excluded"}[l.JobID],
			l.CountedAs, l.Event, strconv.FormatFloat(float64(l.QuantityTenths)/10, 'f', 1, 64), l.UnitCents, l.AmountCents, l.HeldBackCents))
	}
	slices.Sort(lines)
	want := []string{ // 2.50 a cfm25, a tenth held back [calc]
		"again correction accepted_again -200.0×250=-50000 held -5000",
		"again correction accepted_again 210.0×250=52500 held 5250",
		"opened correction re_opened -150.0×250=-37500 held -3750",
		"opened not_accepted  150.0×250=0 held 0", // opened again: it may expect what it had
		"released correction hold_released 0.0×250=0 held -3250",
		"voided correction voided -140.0×250=-35000 held -3500",
	}
	if !slices.Equal(lines, want) {
		t.Errorf("lines:\n%s\nwant\n%s", strings.Join(lines, "\n"), strings.Join(want, "\n"))
	}
	if due := s.Totals.Due(); due != -70000-(-10250) { // 2500 − 37500 − 35000; held 250 − 3750 − 3500 − 3250 [calc]
		t.Errorf("due %d", due)
	}
	if p := s.Newest(); p.Package != nil || p.Finished {
		t.Errorf("October has no package and has not ended: %+v, %t", p.Package, p.Finished)
	}
	if h := s.Totals.Headings(); len(h) != 1 || h[0].Heading != (month.Heading{Category: "labor", FundSource: "state_fund"}) || h[0].Correction != -70000 {
		t.Errorf("headings: %+v", h)
	}
}

// The invented job with three faults, sent in: its pay is withheld by the
// rules whose findings are open, and it may expect 197.3 cfm25 at 2.50 [calc].
func TestStatementNamesWhatWithholds(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	db, clock := storagetest.Open(t)
	clock.Move(time.Date(2026, 10, 14, 23, 30, 0, 0, time.UTC).Sub(clock.Now()))
	w := &storagetest.World{DB: db, Program: storage.ProgramID("WITHHELD")}
	set := &domain.RuleSet{Name: "with prices", FromOn: "2020-01-01", Prices: []domain.Price{{Line: month.LineReduction, AmountCents: 250, FundSource: "state_fund", Category: "labor"}}}
	if err := db.CreateProgram(ctx, storage.Program{ID: w.Program, Code: "WITHHELD", Name: "Invented", TimeZone: "America/Los_Angeles"}, storagetest.ID(), storagetest.ID(), set); err != nil {
		t.Fatal(err)
	}
	w.Staff = storagetest.Token(t, db, storage.Token{Role: domain.Staff, Name: "Sam Invented"}, w.Program)
	var items []*intake.Item
	var id domain.UUID
	var done domain.Job
	for _, item := range rules.ExampleEvaluation().Items {
		switch r := item.Record.(type) {
		case *domain.Contractor:
			w.Contractor = item.ID
		case *domain.Job:
			id, done = item.ID, *r
			r.State, r.Outcome = domain.Assigned, ""
		}
		items = append(items, storagetest.Item(t, item.ID, item.Record))
	}
	w.Must(t, w.Staff, items...)
	done.State, done.Outcome = domain.SentIn, domain.Completed
	w.Field = storagetest.Token(t, db, storage.Token{Role: domain.Field, ContractorID: w.Contractor}, w.Program)
	w.Must(t, w.Field, storagetest.On(storagetest.Item(t, id, &done), 1))
	s, err := monthdb.ReadStatement(ctx, db, w.Staff, w.Contractor, "2026-10", "", 0, 10)
	if err != nil || len(s.Lines) != 2 {
		t.Fatalf("%+v, %v", s.Lines, err)
	}
	l := s.Lines[0]
	slices.Sort(l.Withheld)
	if l.State != month.Withheld || l.AmountCents != 0 || l.ExpectedCents != 49325 || l.QuantityTenths != 1973 ||
		!slices.Equal(l.Withheld, []string{"crossover_collar_screws", "end_closure_clear_of_outlets", "energy_isolated"}) {
		t.Errorf("%+v", l)
	}
	if l := s.Lines[1]; l.Line != month.LineCrossover || l.State != month.Unpaid || l.Withheld != nil { // without a price nothing withholds it
		t.Errorf("%+v", l)
	}
	if s.Totals.Due() != 0 || s.Totals.Expected != 49325 {
		t.Errorf("due %d, expected %d", s.Totals.Due(), s.Totals.Expected)
	}
}
