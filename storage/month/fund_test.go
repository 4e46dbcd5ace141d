package month_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"ductledger/domain"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// twoFunds are invented prices: 2.50 for each cfm25 removed, at least 150.00, of
// one fund; 3.10, at most 400.00, of the other. A complaint takes 10.00 and a
// fifth of what was paid.
func twoFunds(set *domain.RuleSet) {
	floor, top, fifth := int64(15000), int64(40000), 0.2
	set.FundSources = []string{"state_fund", "utility_fund"}
	set.Prices = []domain.Price{
		{Line: "cfm25_removed", AmountCents: 250, FloorCents: &floor, FundSource: "state_fund", Category: "labor"},
		{Line: "cfm25_removed", AmountCents: 310, CapCents: &top, FundSource: "utility_fund", Category: "labor"},
		{Line: "call_back", AmountCents: 1000, PaidRatio: &fifth},
	}
}

// modelJob is a job as a pocket calculator knows it.
type modelJob struct {
	id         domain.UUID
	who        *storagetest.Agency
	fund       string
	tenths     int64 // removed
	complaints int64
	open, void bool
}

// paid is what it comes to [calc]: readings of whole cfm, so nothing is rounded
// but the fifth, half to even.
func (j *modelJob) paid() int64 {
	if j.open || j.void {
		return 0
	}
	pay := min(j.tenths*31, 40000)
	if j.fund == "state_fund" {
		pay = max(j.tenths*25, 15000)
	}
	fifth := pay / 5
	if rest := pay % 5; rest > 2 {
		fifth++
	}
	return max(0, pay-j.complaints*(1000+fifth))
}

// correctFund gives an accepted job to another fund.
func (a *agency) correctFund(id domain.UUID, fund string) {
	a.t.Helper()
	seen, err := a.DB.Record(context.Background(), a.Staff, domain.JobKind, id)
	if err != nil {
		a.t.Fatal(err)
	}
	record, err := domain.Decode(domain.JobKind, seen.Entry.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	job := record.(*domain.Job)
	job.FundSource = fund
	a.Must(a.t, a.Staff, storagetest.Item(a.t, storagetest.ID(), &domain.Review{JobID: id, Decision: domain.Correct, ReasonCodes: []string{"wrong_fund"},
		Items: []domain.Subject{{Kind: domain.JobKind, ID: id}}}), storagetest.On(storagetest.Item(a.t, id, job), seen.Entry.Version))
}

// Thirteen months in which invented things happen to the jobs of two contractors
// and two funds: each fund's package holds its own jobs alone and follows from
// the one before; statements, payments, packages and a recount agree to the
// cent; a job that changes its fund is a correction in both packages.
func TestMoneyFollowsTheFund(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	a := newAgency(t, time.Date(2025, 10, 2, 18, 0, 0, 0, time.UTC), twoFunds)
	firms := []*storagetest.Agency{a.Agency, a.Second()}
	funds := []string{"state_fund", "utility_fund"}
	draw := rand.New(rand.NewPCG(19, 13))
	var jobs []*modelJob
	before := map[string]*built{}
	stated := map[string]int64{}
	moved := 0
	start := time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)
	for n := range 13 {
		m := domain.MonthOf(start.AddDate(0, n, 0), time.UTC)
		change := func(j *modelJob) {
			switch what := draw.IntN(6); {
			case j.void:
			case j.open:
				j.who.Send(j.id)
				j.who.Decide(j.id, domain.Accept)
				j.open = false
			case what == 0:
				j.who.Decide(j.id, domain.Reopen)
				j.open = true
			case what == 1:
				j.who.Void(j.id)
				j.void = true
			case what == 2:
				a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), a.callBack(j.id, "crew")))
				j.complaints++
			default:
				j.fund = funds[1-fundAt(funds, j.fund)]
				a.correctFund(j.id, j.fund)
				moved++
			}
			a.Clock.Move(time.Minute)
		}
		for range 3 {
			j := &modelJob{who: firms[draw.IntN(2)], fund: funds[draw.IntN(2)]}
			removed := 20 + draw.IntN(180)
			j.who.Fund = j.fund
			j.id, j.tenths = j.who.Accepted(float64(50+removed), 50), int64(10*removed)
			jobs = append(jobs, j)
			if draw.IntN(3) == 0 {
				change(j)
			}
		}
		for range 4 {
			change(jobs[draw.IntN(len(jobs))])
		}
		a.MoveTo(string(domain.MonthOf(start.AddDate(0, n+1, 0), time.UTC)) + "-02 09:00:00")
		if plan, err := monthdb.PlanOf(ctx, a.DB, a.Staff, m, "", 0); err != nil || plan.Fund != "" {
			t.Fatalf("without a fund the package is of the whole program: %q, %v", plan.Fund, err)
		}
		for _, fund := range funds {
			b := a.buildOf(m, fund, 0)
			b.verify(t, before[fund])
			before[fund] = b
			if _, _, err := monthdb.Release(ctx, a.DB, a.Admin, m, fund, b.Revision, false); err != nil {
				t.Fatal(err)
			}
			recount := int64(0)
			for _, j := range jobs {
				if j.fund == fund {
					recount += j.paid()
				}
			}
			for _, firm := range firms {
				s, err := monthdb.ReadStatement(ctx, a.DB, a.Staff, firm.Contractor, m, fund, 0, 1000)
				if err != nil {
					t.Fatal(err)
				}
				for _, l := range s.Lines {
					if l.FundSource != fund {
						t.Errorf("%s %s: a line of %q", m, fund, l.FundSource)
					}
				}
				stated[fund] += s.Totals.Amount + s.Totals.Correction
			}
			if got := b.cell("payable", "cumulative"); got != recount || stated[fund] != recount {
				t.Fatalf("%s %s: the package comes to %d, the statements to %d, the recount to %d", m, fund, got, stated[fund], recount)
			}
			for _, row := range b.tables["months"] { // all months are the whole, the month is what payments show
				if cents, _ := strconv.ParseInt(row["payable_cents"], 10, 64); row["period"] == "all_months" && cents != recount {
					t.Errorf("%s %s: months.csv comes to %d, the recount to %d", m, fund, cents, recount)
				}
			}
			payments := int64(0)
			for _, row := range b.tables["payments"] {
				if row["fund_source"] != fund {
					t.Errorf("%s %s: a payment of %q", m, fund, row["fund_source"])
				}
				cents, _ := strconv.ParseInt(row["amount_cents"], 10, 64)
				payments += cents
			}
			if want := b.cell("payable", "new") + b.cell("payable", "late"); payments != want {
				t.Errorf("%s %s: payments come to %d, new and late are %d", m, fund, payments, want)
			}
		}
		// Together they are the whole.
		whole := int64(0)
		for _, firm := range firms {
			s, err := monthdb.ReadStatement(ctx, a.DB, a.Staff, firm.Contractor, m, "", 0, 1000)
			if err != nil || len(s.Parts) != 3 {
				t.Fatalf("%d parts, %v", len(s.Parts), err)
			}
			whole += s.Totals.Amount + s.Totals.Correction
		}
		if m == "2025-10" && whole != stated[funds[0]]+stated[funds[1]] {
			t.Errorf("all funds' statements come to %d, each fund's to %d and %d", whole, stated[funds[0]], stated[funds[1]])
		}
	}
	if moved == 0 {
		t.Fatal("no job changed its fund")
	}
	if list, err := monthdb.Months(ctx, a.DB, a.Staff); err != nil || len(list) != 26 || list[0].Month != "2026-10" || list[0].Released != 1 {
		t.Errorf("%d months and funds, %v", len(list), err)
	}
	funder := domain.Caller{Program: a.Program, Role: domain.Funder, Fund: "utility_fund"}
	if list, err := monthdb.Packages(ctx, a.DB, funder, "2026-10", 0, 10); err != nil || len(list) != 1 || list[0].Fund != "utility_fund" {
		t.Errorf("a funder of one fund sees %+v, %v", list, err)
	}
	if _, err := monthdb.ReadPackage(ctx, a.DB, funder, "2026-10", "state_fund", 1); domain.CodeOf(err) != domain.NotFound {
		t.Errorf("a funder reads another fund's package: %v", err)
	}
}

func fundAt(funds []string, fund string) int {
	for i := range funds {
		if funds[i] == fund {
			return i
		}
	}
	panic("no such fund")
}

// cell is one of the reconciliation.
func (b *built) cell(measure, column string) int64 {
	for _, row := range b.tables["reconciliation"] {
		if row["measure"] == measure {
			n, _ := strconv.ParseInt(row[column], 10, 64)
			return n
		}
	}
	return -1
}

// A job that changes its fund by the office's correction: the months before
// stay, both funds' packages say so, and a line that a floor or a cap moved
// shows both amounts. By hand [calc]: 30.0 cfm25 at 2.50 are 75.00, paid 150.00;
// at 3.10 they are 93.00; 200.0 cfm25 at 3.10 are 620.00, paid 400.00.
func TestAChangeOfFundIsACorrectionInBoth(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC), twoFunds)
	moves := a.Accepted(80, 50)
	a.Fund = "utility_fund"
	capped := a.Accepted(250, 50)
	a.MoveTo("2026-10-02 09:00:00")
	september := map[string]*built{"state_fund": a.buildOf("2026-09", "state_fund", 0), "utility_fund": a.buildOf("2026-09", "utility_fund", 0)}
	a.correctFund(moves, "utility_fund")
	a.MoveTo("2026-11-02 09:00:00")
	october := map[string]*built{"state_fund": a.buildOf("2026-10", "state_fund", 0), "utility_fund": a.buildOf("2026-10", "utility_fund", 0)}
	line := func(b *built, job domain.UUID) string {
		for _, row := range b.tables["payments"] {
			if row["job_id"] == "J"+job.String() {
				return fmt.Sprint(row["unit_price_cents"], " ", row["product_cents"], " ", row["limited_by"], " ", row["amount_cents"])
			}
		}
		return "none"
	}
	correction := func(b *built, field string) string {
		for _, row := range b.tables["corrections"] {
			if row["field"] == field {
				return fmt.Sprint(row["original_month"], " ", row["event"], " ", row["old_value"], " > ", row["new_value"], " ", row["reason_code"])
			}
		}
		return "none"
	}
	for _, c := range []struct{ name, got, want string }{
		{"below the floor", line(september["state_fund"], moves), "250 7500 floor 15000"},
		{"above the cap", line(september["utility_fund"], capped), "310 62000 cap 40000"},
		{"not the other fund's", line(september["utility_fund"], moves), "none"},
		{"September", september["state_fund"].line("payable"), "0 15000 0 0 0 15000"},
		{"gone", october["state_fund"].line("payable"), "15000 0 0 -15000 0 0"},
		{"come", october["utility_fund"].line("payable"), "40000 0 9300 0 0 49300"},
		{"paid by the other", line(october["utility_fund"], moves), "310 9300  9300"},
		{"said where it went from", correction(october["state_fund"], "fund_source"), "2026-09 fund_changed state_fund >  wrong_fund"},
		{"and where it came to", correction(october["utility_fund"], "fund_source"), "2026-09 fund_changed  > utility_fund wrong_fund"},
		{"names", october["utility_fund"].FileName[len(october["utility_fund"].FileName)-len("_2026-10_utility-fund_r1_DEMO.zip"):], "_2026-10_utility-fund_r1_DEMO.zip"},
	} {
		if c.got != c.want {
			t.Errorf("%s: %q, want %q", c.name, c.got, c.want)
		}
	}
	seen, err := a.DB.Record(context.Background(), a.Staff, domain.JobKind, moves)
	if record, _ := domain.Decode(domain.JobKind, seen.Entry.Body); err != nil || record.(*domain.Job).State != domain.Accepted {
		t.Errorf("the job is no longer accepted: %s, %v", seen.Entry.Body, err)
	}
}
