// Package season lets an invented program live its past: by the service's own API the
// office assigns and reviews, crews work on phones with a bad link, an inspector draws and
// looks, residents complain. Who and what stands in package fixture; here is what they do
// on which day.
package season

import (
	"context"
	"fmt"
	"math/bits"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/upkeep"
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

// Options say where the past is lived, and what only the command line knows to do.
type Options struct {
	Jobs, Months int
	DB           *storage.DB
	Owner        string // address of the database as its owner
	URL          string // of the service
	Link         http.RoundTripper
	Clock        *Clock
	Progress     Progress
	// Found makes a program with its first rules.
	Found func(context.Context, storage.Program, *domain.RuleSet) error
	// Token makes one and gives its text.
	Token func(context.Context, domain.UUID, storage.Token) (string, error)
	// Build has the package of a month and fund built, asked for by a token, and gives its name.
	Build func(ctx context.Context, program domain.UUID, token, month, fund string) (name string, err error)
}

// Progress is told how far it is.
type Progress interface {
	Begin(days int)
	Step(day time.Time, sentIn int)
	End(sentIn int)
}

// Past is the invented past of two programs, while it is lived and after.
type Past struct {
	Options
	ctx         context.Context
	main, other *season
}

// Live drives the API until the past is in the database.
func Live(ctx context.Context, o Options) (*Past, error) {
	s := &Past{Options: o, ctx: ctx}
	return s, s.run(o.Jobs, o.Months)
}

// Program is the one that is looked at.
func (s *Past) Program() domain.UUID { return s.main.program }

// TokenOf is the token of a role in it.
func (s *Past) TokenOf(role domain.Role) string { return s.main.tokens[role] }

// OtherToken is that of the other program's staff.
func (s *Past) OtherToken() string { return s.other.tokens[domain.Staff] }

// run moves the clock day by day. On each day the office and every crew with
// something to do work at the same time.
func (s *Past) run(jobs, months int) error {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return err
	}
	now := s.Clock.real()
	big := fixture.New(fixture.Options{Seed: demoSeed, Jobs: jobs, Months: months, Contractors: demoContractors, Now: now, Zone: zone, Fixtures: true})
	small := fixture.New(fixture.Options{Seed: demoSeed + 1, Jobs: max(jobs/otherShare, 4), Months: months, Contractors: 2, Now: now, Zone: zone})
	s.Clock.Set(big.Start.Add(fixture.Morning))
	if s.main, err = s.season(demoCode, "DEMO program", big); err != nil {
		return err
	}
	if s.other, err = s.season(demoOtherCode, "DEMO second program", small); err != nil {
		return err
	}
	s.Progress.Begin(len(big.Days))
	for day, midnight := range big.Days {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		if bits.OnesCount(uint(day)) == 1 && bits.TrailingZeros(uint(day))%3 == 0 { // day 1, 8, 64 …: eight times as much as at the last look
			if err := upkeep.Analyze(s.ctx, s.Owner); err != nil {
				return err
			}
		}
		if err := s.main.visits(day, midnight); err != nil {
			return fmt.Errorf("visits of %s: %w", midnight.Format(time.DateOnly), err)
		}
		s.Clock.Set(midnight.Add(fixture.Evening))
		if err := s.main.inspections(day, midnight); err != nil {
			return fmt.Errorf("inspections of %s: %w", midnight.Format(time.DateOnly), err)
		}
		if err := together(s.ctx, append(s.main.day(day), s.other.day(day)...)); err != nil {
			return fmt.Errorf("on %s: %w", midnight.Format(time.DateOnly), err)
		}
		s.Progress.Step(midnight, s.main.sentIn)
	}
	s.Clock.Set(now)
	err = s.main.finish(now.In(zone), months)
	s.Progress.End(s.main.sentIn)
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
func (s *Past) season(code, name string, w *fixture.Program) (*season, error) {
	p := storage.Program{ID: storage.ProgramID(code), Code: code, Name: name, TimeZone: demoZone, Demo: true}
	if err := s.Found(s.ctx, p, firstRules()); err != nil {
		return nil, err
	}
	e := &season{Past: s, fixture: w, program: p.ID}
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
	const state, utility = fixture.StateFund, fixture.UtilityFund
	return &domain.RuleSet{Name: "DEMO rules", PayBasis: domain.Measured, FundSources: []string{state, utility},
		AssignNeeds: []domain.AssignNeed{domain.NeedsPermission}, Inspecting: &domain.Inspecting{TopUpCount: new(2.0), VisitPercent: new(30)},
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
		}, CostCeilingCents: new(int64(80000)), EnergyFigures: energyFigures()}
}

// energyFigures are homes that the invented program takes for typical, and a sum
// for those that it pays by the home, which nobody has to test.
func energyFigures() []domain.EnergyFigure {
	const source = "DEMO figures, invented"
	typical := func(sections *int, flowCFM, outputBtuH, areaFt2, energyKWh float64) domain.EnergyFigure {
		return domain.EnergyFigure{SectionCount: sections, PayBasis: domain.Measured, Source: source, Typical: &domain.TypicalHeating{Quantity: domain.TotalLeakage,
			SupplyLeakRatio: 0.5, FanFlowCFM: flowCFM, HeatingOutputBtuH: outputBtuH, IndoorF: 70, SupplyAmbientF: 45, SupplyAreaFt2: areaFt2, SupplyRValue: new(4.0), HeatingEnergyKWh: &energyKWh}}
	}
	return []domain.EnergyFigure{
		typical(new(1), 900, 51000, 150, 9000), typical(nil, 1200, 68000, 220, 12000),
		{PayBasis: domain.Deemed, DeemedKWh: new(1400.0), Source: source},
	}
}

// A Clock stands where it is set until it is let go; then it is the real one.
type Clock struct {
	at   atomic.Pointer[time.Time]
	real func() time.Time
}

// NewClock is one that goes.
func NewClock(real func() time.Time) *Clock { return &Clock{real: real} }

// Set moves it, and it stands.
func (c *Clock) Set(at time.Time) { c.at.Store(&at) }

// LetGo lets it go on as the real one.
func (c *Clock) LetGo() { c.at.Store(nil) }

// Now is where the clock stands.
func (c *Clock) Now() time.Time {
	if at := c.at.Load(); at != nil {
		return *at
	}
	return c.real()
}
