package main

import (
	"context"
	"fmt"
	"math/bits"
	"net/http"
	"sync"
	"time"

	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/storage"
)

// The invented programs. The seed is fixed: every demo is alike but for its
// dates.
const (
	demoSeed        = 20
	demoCode        = "DEMO"
	demoOtherCode   = "DEMO2"
	demoZone        = "America/Los_Angeles"
	demoContractors = 12
	otherShare      = 50 // the other program has one job for so many of the first's
)

// seeding drives the API until the invented past is in the database.
type seeding struct {
	in    *invocation
	db    *storage.DB
	clock *movedClock
	show  *show
	url   string
	owner string // address of the database as its owner
	link  http.RoundTripper

	main, other *season
}

// run moves the clock day by day. On each day the office and every crew with
// something to do work at the same time.
func (s *seeding) run(jobs, months int) error {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return err
	}
	now := s.in.now()
	big := fixture.New(fixture.Options{Seed: demoSeed, Jobs: jobs, Months: months, Contractors: demoContractors, Now: now, Zone: zone, Fixtures: true})
	small := fixture.New(fixture.Options{Seed: demoSeed + 1, Jobs: max(jobs/otherShare, 4), Months: months, Contractors: 2, Now: now, Zone: zone})
	s.clock.set(big.Start.Add(fixture.Morning))
	if s.main, err = s.season(demoCode, "DEMO program", big); err != nil {
		return err
	}
	if s.other, err = s.season(demoOtherCode, "DEMO second program", small); err != nil {
		return err
	}
	s.show.begin(len(big.Days))
	for day, midnight := range big.Days {
		if err := s.in.ctx.Err(); err != nil {
			return err
		}
		if bits.OnesCount(uint(day)) == 1 && bits.TrailingZeros(uint(day))%3 == 0 { // day 1, 8, 64 …: eight times as much as at the last look
			if err := storage.Analyze(s.in.ctx, s.owner); err != nil {
				return err
			}
		}
		s.clock.set(midnight.Add(fixture.Evening))
		if err := together(s.in.ctx, append(s.main.day(day), s.other.day(day)...)); err != nil {
			return fmt.Errorf("on %s: %w", midnight.Format(time.DateOnly), err)
		}
		s.show.step(midnight, s.main.sentIn)
	}
	s.clock.set(now)
	err = s.main.finish()
	s.show.end(s.main.sentIn)
	return err
}

// together runs all at once and gives the first error in their order.
func together(ctx context.Context, tasks []func(context.Context) error) error {
	errs := make([]error, len(tasks))
	var wait sync.WaitGroup
	for i, task := range tasks {
		wait.Go(func() { errs[i] = task(ctx) })
	}
	wait.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// season makes a program with its people and tokens.
func (s *seeding) season(code, name string, w *fixture.Program) (*season, error) {
	set, epoch, err := twoIDs()
	if err != nil {
		return nil, err
	}
	p := storage.Program{ID: storage.ProgramID(code), Code: code, Name: name, TimeZone: demoZone, Demo: true}
	if err := s.db.CreateProgram(s.in.ctx, p, set, epoch, firstRules()); err != nil {
		return nil, err
	}
	e := &season{seeding: s, fixture: w, program: p.ID}
	if err := e.openOffice(); err != nil {
		return nil, err
	}
	for _, crew := range w.Crews {
		if err := e.handOutPhone(crew); err != nil {
			return nil, err
		}
	}
	for _, plan := range w.Plans {
		e.jobs = append(e.jobs, &job{Plan: plan, reviewOn: plan.Reviewed})
	}
	return e, nil
}

// firstRules are the default rules with invented prices.
func firstRules() *domain.RuleSet {
	const state, utility = "state_fund", "utility_fund"
	return &domain.RuleSet{Name: "DEMO rules", FromOn: firstRuleSetFrom, PayBasis: domain.Measured, FundSources: []string{state, utility},
		Prices: []domain.Price{
			{Line: "home", SectionCount: new(1), AmountCents: 40000, FundSource: state, Category: "labor"},
			{Line: "home", SectionCount: new(2), AmountCents: 60000, FundSource: state, Category: "labor"},
			{Line: "home", SectionCount: new(3), AmountCents: 75000, FundSource: state, Category: "labor"},
			{Line: "home", AmountCents: 45000, FundSource: utility, Category: "labor"},
			{Line: "cfm25_removed", AmountCents: 500, FloorCents: new(int64(15000)), CapCents: new(int64(90000)), FundSource: state, Category: "labor"},
			{Line: "cfm25_removed", AmountCents: 420, FloorCents: new(int64(12000)), CapCents: new(int64(80000)), FundSource: utility, Category: "labor"},
			{Line: "crossover_replaced", AmountCents: 20000, Category: "materials"},
			{Line: "trip_fee", AmountCents: 7500, Category: "support"},
			{Line: "call_back", PaidRatio: new(0.25), CapCents: new(int64(10000))},
		}, CostCeilingCents: new(int64(80000))}
}

// variables are what the demo hands out.
func (s *seeding) variables(url, database string) []variable {
	t := s.main.tokens
	return []variable{
		{"DUCTLEDGER_URL", url}, {"DUCTLEDGER_FIELD_TOKEN", t[domain.Field]}, {"DUCTLEDGER_STAFF_TOKEN", t[domain.Staff]},
		{"DUCTLEDGER_FUNDER_TOKEN", t[domain.Funder]}, {"DUCTLEDGER_ADMIN_TOKEN", t[domain.Admin]},
		{"DUCTLEDGER_INSPECTOR_TOKEN", t[domain.Inspector]}, {"DUCTLEDGER_CONTRACTOR_TOKEN", t[domain.ContractorRole]},
		{"DUCTLEDGER_OTHER_STAFF_TOKEN", s.other.tokens[domain.Staff]}, {"DATABASE_URL", database},
	}
}
