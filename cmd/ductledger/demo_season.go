package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ductledger/api"
	"ductledger/api/device"
	"ductledger/api/sheet"
	"ductledger/api/strict"
	"ductledger/api/wire"
	"ductledger/cmd/ductledger/fixture"
	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/rules"
	"ductledger/storage"
	monthdb "ductledger/storage/month"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// season is one program on its way through the invented past.
type season struct {
	*seeding
	fixture     *fixture.Program
	program     domain.UUID
	tokens      map[domain.Role]string
	office      *office
	phones      map[*fixture.Crew]*device.Device
	phoneTokens map[*fixture.Crew]string
	jobs        []*job
	first       int // jobs before it are finished
	sentIn      int
	duties
}

// job is a plan with where it stands. On one day either the office or its
// crew has it in hand, never both.
type job struct {
	*fixture.Plan
	stand     stand
	reviewOn  int // day
	returnOn  int // day on which the crew mends what was wrong
	wasFixed  bool
	wasLooked bool
}

type stand int

const (
	planned stand = iota
	assigned
	sentIn
	returned
	finished
)

// day gives what is to be done on a day: by the office, and by each crew.
func (s *season) day(day int) (tasks []func(context.Context) error) {
	var forOffice []*job
	forCrew := map[*fixture.Crew][]*job{}
	for s.first < len(s.jobs) && s.jobs[s.first].stand == finished {
		s.first++
	}
	for _, j := range s.jobs[s.first:] {
		if j.Assigned > day {
			break // they stand in the order of their assignment
		}
		switch {
		case j.stand == planned, j.stand == sentIn && j.reviewOn <= day:
			forOffice = append(forOffice, j)
		case j.stand == assigned && j.Worked <= day, j.stand == returned && j.returnOn <= day:
			forCrew[j.Crew] = append(forCrew[j.Crew], j)
		}
	}
	if len(forOffice) > 0 {
		tasks = append(tasks, func(ctx context.Context) error { return s.office.work(ctx, day, forOffice) })
	}
	for _, crew := range s.fixture.Crews {
		if jobs := forCrew[crew]; len(jobs) > 0 {
			for _, j := range jobs {
				if j.stand == assigned {
					s.sentIn++
				}
			}
			tasks = append(tasks, func(ctx context.Context) error { return s.crewDay(ctx, s.phones[crew], day, jobs) })
		}
	}
	return tasks
}

// The links of the invented crews.
const (
	loseReply = 0.08
	repeat    = 0.05
	late      = 0.03
)

// handOutPhone gives a crew its device, on a bad link.
func (s *season) handOutPhone(crew *fixture.Crew) error {
	text, err := makeToken(s.in, s.db, s.program, storage.Token{Role: domain.Field, Name: fmt.Sprintf("DEMO Lead %d", crew.Number), ContractorID: crew.Contractor, DeviceID: crew.Device})
	if err != nil {
		return err
	}
	if crew.Number == 1 {
		s.tokens[domain.Field] = text
	}
	chance := rand.New(rand.NewPCG(demoSeed, uint64(crew.Number)))
	phone, err := device.Open(device.Options{
		URL: s.url, Token: text, ID: crew.Device, Now: s.clock.now, Rand: chance,
		Link:   &device.BadLink{Link: s.link, Rand: rand.New(rand.NewPCG(demoSeed+1, uint64(crew.Number))), LoseReply: loseReply, Repeat: repeat, Late: late},
		Wait:   func(ctx context.Context, _ time.Duration) error { return ctx.Err() }, // the clock stands: there is nothing to wait for
		Client: wire.Client{Name: "DEMO field app", Version: "1", Schema: 1},
	})
	s.phones[crew], s.phoneTokens[crew] = phone, text
	return err
}

// crewDay is a crew's evening: it pulls what it was given, and sends in what
// it did.
func (s *season) crewDay(ctx context.Context, phone *device.Device, day int, jobs []*job) error {
	if err := phone.Pull(ctx); err != nil {
		return err
	}
	for _, j := range jobs {
		if err := s.record(phone, day, j); err != nil {
			return err
		}
	}
	if err := phone.Push(ctx); err != nil {
		return err
	}
	for _, t := range phone.Troubles() {
		return fmt.Errorf("the service refused a %s: %s", t.Kind, t.Problem)
	}
	return nil
}

// record writes down a job's work, or what was mended of it.
func (s *season) record(phone *device.Device, day int, j *job) error {
	work := j.Work()
	items := work.Sent
	if j.stand == returned {
		items = work.Cure
	}
	for _, item := range items {
		if err := phone.Put(item.ID, item.Record); err != nil {
			return err
		}
	}
	moved := *j.Job
	moved.State, moved.Outcome = domain.SentIn, domain.Completed
	switch {
	case j.Begun():
		moved.State, moved.Outcome = domain.InWork, ""
	case j.Deferred:
		moved.Outcome, moved.OutcomeReason = domain.DeferredWork, "DEMO: the crew could not work"
		moved.DeferCodes, moved.DeferLiftedBy = j.DeferCodes(), "DEMO: the home is mended"
	}
	if err := phone.Put(j.JobID, &moved); err != nil {
		return err
	}
	switch {
	case j.Begun():
		j.stand = finished // nothing more is done about it
	case j.stand == returned:
		j.stand, j.wasFixed, j.reviewOn = sentIn, true, day+1
	default:
		j.stand, j.reviewOn = sentIn, max(j.reviewOn, day+1)
	}
	return nil
}

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
		if err := s.main.visits(day, midnight); err != nil {
			return fmt.Errorf("visits of %s: %w", midnight.Format(time.DateOnly), err)
		}
		s.clock.set(midnight.Add(fixture.Evening))
		if err := s.main.inspections(day, midnight); err != nil {
			return fmt.Errorf("inspections of %s: %w", midnight.Format(time.DateOnly), err)
		}
		if err := together(s.in.ctx, append(s.main.day(day), s.other.day(day)...)); err != nil {
			return fmt.Errorf("on %s: %w", midnight.Format(time.DateOnly), err)
		}
		s.show.step(midnight, s.main.sentIn)
	}
	s.clock.set(now)
	err = s.main.finish(now.In(zone), months)
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
	const state, utility = fixture.StateFund, fixture.UtilityFund
	return &domain.RuleSet{Name: "DEMO rules", FromOn: firstRuleSetFrom, PayBasis: domain.Measured, FundSources: []string{state, utility},
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

// movedClock stands where it is set until it is let go; then it is the real one.
type movedClock struct {
	at   atomic.Pointer[time.Time]
	real func() time.Time
}

func (c *movedClock) set(at time.Time) { c.at.Store(&at) }
func (c *movedClock) letGo()           { c.at.Store(nil) }

// now is where the clock stands.
func (c *movedClock) now() time.Time {
	if at := c.at.Load(); at != nil {
		return *at
	}
	return c.real()
}

// office is the agency's staff: it assigns jobs, looks at what comes in, and
// accepts, returns or defers it.
type office struct {
	season *season
	token  string
	http   *http.Client
	ids    *rand.Rand
}

// openOffice makes the tokens of those who belong to no crew and records what
// stands in no job.
func (s *season) openOffice() error {
	s.tokens, s.phones, s.phoneTokens = map[domain.Role]string{}, map[*fixture.Crew]*device.Device{}, map[*fixture.Crew]string{}
	for _, t := range []storage.Token{{Role: domain.Staff, Name: "DEMO Staff"}, {Role: domain.Admin, Name: "DEMO Admin"},
		{Role: domain.Funder, Name: "DEMO Funder"}, {Role: domain.Inspector, Name: "DEMO Inspector"}} {
		text, err := makeToken(s.in, s.db, s.program, t)
		if err != nil {
			return err
		}
		s.tokens[t.Role] = text
	}
	s.duties = newDuties()
	s.inspector = &office{season: s, token: s.tokens[domain.Inspector], http: &http.Client{Transport: s.link}}
	s.office = &office{season: s, token: s.tokens[domain.Staff], http: &http.Client{Transport: s.link}, ids: rand.New(rand.NewPCG(demoSeed+2, uint64(len(s.fixture.Plans))))}
	if _, err := s.office.send(s.in.ctx, s.fixture.Setup); err != nil {
		return err
	}
	text, err := makeToken(s.in, s.db, s.program, storage.Token{Role: domain.ContractorRole, Name: "DEMO Owner 1", ContractorID: s.fixture.Crews[0].Contractor})
	s.tokens[domain.ContractorRole] = text
	return err
}

// work is a day at the office: one batch.
func (o *office) work(ctx context.Context, day int, jobs []*job) error {
	var items []rules.Item
	accepts := map[int]*job{} // by the place of the review
	add := func(id domain.UUID, r domain.Record) {
		items = append(items, rules.Item{Kind: r.Kind(), ID: id, Record: r})
	}
	for _, j := range jobs {
		if j.stand == planned {
			add(j.HomeID, j.Home)
			add(j.JobID, j.Job)
			j.stand = assigned
			continue
		}
		decision, records, err := o.decide(ctx, j)
		if err != nil {
			return err
		}
		for _, r := range records {
			add(o.id(), r)
		}
		switch decision.Decision {
		case domain.Accept:
			accepts[len(items)] = j
			j.stand = finished
			if on, complains := j.CallBackDay(day); complains {
				o.season.complains[on] = append(o.season.complains[on], j)
			}
		case domain.Return:
			j.stand, j.returnOn = returned, day+2
		default:
			j.stand = finished
		}
		add(o.id(), decision)
	}
	answers, err := o.send(ctx, items)
	var refused *refusedError
	if errors.As(err, &refused) {
		if j := accepts[refused.index]; j != nil && refused.code == domain.NotAcceptable {
			j.stand, j.reviewOn = sentIn, day+1 // look again tomorrow
			if j.wasLooked {
				j.reviewOn = math.MaxInt // it waits for whoever looks around in the demo
			}
			j.wasLooked = true
			return nil
		}
	}
	_ = answers
	return err
}

// decide looks at a job that was sent in: what cannot be cured is waived, what
// asks is answered, what can be cured is returned once.
func (o *office) decide(ctx context.Context, j *job) (*domain.Review, []domain.Record, error) {
	review := &domain.Review{JobID: j.JobID, Decision: domain.Accept}
	if j.Deferred {
		review.Decision, review.ReasonCodes = domain.Defer, []string{"not_workable"}
		return review, nil, nil
	}
	counts, told := o.season.phones[j.Crew].Counts(j.JobID)
	if told && !j.wasLooked && counts.MustFixCount+counts.CheckCount+counts.NotRecordedCount == 0 {
		return review, nil, nil
	}
	var found struct {
		Findings []rules.Finding `json:"findings"`
	}
	if err := o.get(ctx, "/v1/jobs/"+j.JobID.String()+"/findings", &found); err != nil {
		return nil, nil, err
	}
	var settled []domain.Record
	for _, f := range found.Findings {
		ref := f.Ref()
		switch {
		case f.Severity == rules.Note:
		case f.Severity == rules.Check:
			settled = append(settled, &domain.Review{JobID: j.JobID, Decision: domain.Answer, Finding: &ref, Text: "DEMO: looked at, it may stay."})
		case f.Cure == rules.NoCure || j.wasFixed || f.Rule == "leakage_not_higher_after":
			settled = append(settled, &domain.Waiver{JobID: j.JobID, Finding: ref, Reason: "DEMO: it cannot be mended now.", AgreedConsequence: "DEMO: the lesson is repeated.", SafetyTalkOn: domain.DateOf(o.season.clock.now().AddDate(0, 0, -1), time.UTC)})
		default:
			review.Decision = domain.Return
			review.ReasonCodes = appendNew(review.ReasonCodes, f.Rule)
		}
	}
	return review, settled, nil
}

func appendNew(list []string, word string) []string {
	for _, w := range list {
		if w == word {
			return list
		}
	}
	return append(list, word)
}

// id is drawn like those that people's apps make.
func (o *office) id() domain.UUID { return fixture.ID(o.ids, o.season.clock.now()) }

// refusedError is an item of the office that was not taken.
type refusedError struct {
	index int
	code  domain.Code
	text  string
}

func (e *refusedError) Error() string { return "the service refused what the office sent: " + e.text }

// maxItems is what a batch takes.
const maxItems = 500

// send sends records in batches; an item that is not taken is an error, the
// others of its batch stand.
func (o *office) send(ctx context.Context, records []rules.Item) ([]wire.ItemAnswer, error) {
	return o.sendOver(ctx, 0, records)
}

// sendOver sends the next version of records of which one version is known.
func (o *office) sendOver(ctx context.Context, version int64, records []rules.Item) ([]wire.ItemAnswer, error) {
	var all []wire.ItemAnswer
	for from := 0; from < len(records); from += maxItems {
		var batch wire.Batch
		for _, r := range records[from:min(from+maxItems, len(records))] {
			body, err := json.Marshal(r.Record)
			if err != nil {
				return nil, err
			}
			batch.Items = append(batch.Items, wire.Item{Kind: r.Kind, ID: r.ID, BaseVersion: version, Record: strict.Record{Raw: body}})
		}
		body, err := json.Marshal(batch)
		if err != nil {
			return nil, err
		}
		var answer wire.BatchAnswer
		if err := o.call(ctx, http.MethodPost, "/v1/batches", body, &answer); err != nil {
			return nil, err
		}
		all = append(all, answer.Items...)
	}
	for i, a := range all {
		if a.Status != "created" && a.Status != "updated" && a.Status != "replayed" {
			return all, &refusedError{index: i, code: codeOf(a.Problem), text: fmt.Sprintf("%s %s: %s %s", records[i].Kind, a.ID, a.Status, a.Problem)}
		}
	}
	return all, nil
}

func codeOf(problem jsontext.Value) domain.Code {
	var p struct {
		Code domain.Code `json:"code"`
	}
	if json.Unmarshal(problem, &p) != nil {
		return ""
	}
	return p.Code
}

func (o *office) get(ctx context.Context, path string, into any) error {
	return o.call(ctx, http.MethodGet, path, nil, into)
}

// call is one request; the office has a good link.
func (o *office) call(ctx context.Context, method, path string, body []byte, into any) error {
	request, err := http.NewRequestWithContext(ctx, method, o.season.url+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+o.token)
	if body != nil {
		request.Header.Set("Content-Type", "application/json")
	}
	response, err := o.http.Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = response.Body.Close() }()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return err
	}
	if response.StatusCode >= 300 {
		return fmt.Errorf("%s %s: %d %s", method, path, response.StatusCode, strings.TrimSpace(string(text)))
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(text, into)
}

// duties are what the office and the inspector have in hand beside the jobs.
type duties struct {
	inspector *office
	byID      map[domain.UUID]*job
	toInspect map[int][]*job // by day, as the three below
	complains map[int][]*job
	repaired  map[int][]*callBack
	settled   map[int][]rules.Item
	scheduled map[*job]bool // to be inspected, or inspected
	inspected map[*fixture.Crew]int
}

// callBack is a complaint that a crew answers for.
type callBack struct {
	crew   *fixture.Crew
	repair []rules.Item
}

func newDuties() duties {
	return duties{toInspect: map[int][]*job{}, complains: map[int][]*job{}, repaired: map[int][]*callBack{}, settled: map[int][]rules.Item{},
		scheduled: map[*job]bool{}, inspected: map[*fixture.Crew]int{}}
}

// asSentIn tells that the jobs of a day's month are drawn as they are sent in: so it is in
// the last month and the running one. Before, each month was drawn once it was over.
func (s *season) asSentIn(midnight time.Time) bool {
	last := s.fixture.Days[len(s.fixture.Days)-1]
	return !midnight.Before(time.Date(last.Year(), last.Month()-1, 1, 0, 0, 0, 0, last.Location()))
}

// visits lets crews begin jobs in reach of a signal, and the inspector see those at work
// that the service drew; nobody told him before.
func (s *season) visits(day int, midnight time.Time) error {
	if !s.asSentIn(midnight) {
		return nil
	}
	s.clock.set(midnight.Add(fixture.Noon))
	begun := map[*job]bool{}
	for _, j := range s.jobs[s.first:] {
		if j.stand != assigned || j.Worked != day || !j.BeginsInSight() {
			continue
		}
		phone := s.phones[j.Crew]
		if err := phone.Pull(s.in.ctx); err != nil {
			return err
		}
		moved := *j.Job
		moved.State = domain.InWork
		if err := phone.Put(j.JobID, &moved); err != nil {
			return err
		}
		if err := phone.Push(s.in.ctx); err != nil {
			return err
		}
		begun[j] = true
	}
	if len(begun) == 0 {
		return nil
	}
	open, err := s.openToInspect()
	if err != nil {
		return err
	}
	var items []rules.Item
	for _, j := range open {
		if begun[j] {
			items = append(items, s.fixture.Visit(j.Plan, day))
		}
	}
	_, err = s.inspector.send(s.in.ctx, items)
	return err
}

// openToInspect are the jobs on the inspector's list.
func (s *season) openToInspect() (open []*job, err error) {
	var list struct {
		Items []struct {
			JobID domain.UUID `json:"job_id"`
		} `json:"items"`
	}
	if err := s.inspector.get(s.in.ctx, "/v1/worklist?sort=inspection_owed&limit=200", &list); err != nil {
		return nil, err
	}
	if s.byID == nil {
		s.byID = map[domain.UUID]*job{}
		for _, j := range s.jobs {
			s.byID[j.JobID] = j
		}
	}
	for _, item := range list.Items {
		if j := s.byID[item.JobID]; j != nil {
			open = append(open, j)
		}
	}
	return open, nil
}

// inspections is what the office and the inspector do on a day beside the jobs: the draws at
// the turn of a month, inspections, lessons, and what residents complain about.
func (s *season) inspections(day int, midnight time.Time) error {
	if midnight.Day() == 1 {
		if err := s.draw(midnight); err != nil {
			return err
		}
	}
	if err := s.callBacks(day); err != nil {
		return err
	}
	if midnight.Day() == 1 || s.asSentIn(midnight) {
		if err := s.schedule(day); err != nil {
			return err
		}
	}
	var items []rules.Item
	for _, j := range s.toInspect[day] {
		items = append(items, s.fixture.Inspect(j.Plan, day, s.inspected[j.Crew])...)
		s.inspected[j.Crew]++
	}
	_, err := s.inspector.send(s.in.ctx, items)
	return err
}

// callBacks are the complaints of a day, the repairs after earlier ones, and how those were
// settled.
func (s *season) callBacks(day int) error {
	items := s.fixture.Lessons(day)
	for _, j := range s.complains[day] {
		if j.stand != finished {
			continue // it is looked at again
		}
		c := s.fixture.CallBack(j.Plan, day)
		items = append(items, c.Told)
		if len(c.Repaired) > 0 {
			s.repaired[c.RepairedOn] = append(s.repaired[c.RepairedOn], &callBack{j.Crew, c.Repaired})
		}
		if c.Settled.Record != nil {
			s.settled[c.SettledOn] = append(s.settled[c.SettledOn], c.Settled)
		}
	}
	if _, err := s.office.send(s.in.ctx, items); err != nil {
		return err
	}
	for _, c := range s.repaired[day] {
		phone := s.phones[c.crew]
		if err := phone.Pull(s.in.ctx); err != nil {
			return err
		}
		for _, item := range c.repair {
			if err := phone.Put(item.ID, item.Record); err != nil {
				return err
			}
		}
		if err := phone.Push(s.in.ctx); err != nil {
			return err
		}
	}
	_, err := s.office.sendOver(s.in.ctx, 1, s.settled[day])
	return err
}

// inspectionDays are over how many days the inspections of a month are spread.
const inspectionDays = 9

// schedule gives each job that was opened to inspectors a day.
func (s *season) schedule(day int) error {
	open, err := s.openToInspect()
	if err != nil {
		return err
	}
	count := 0
	for _, j := range open {
		if s.scheduled[j] || j.stand < sentIn || j.Begun() {
			continue // or open for a visit during the work
		}
		s.scheduled[j] = true
		on := day + 1 + count%inspectionDays
		s.toInspect[on], count = append(s.toInspect[on], j), count+1
	}
	return nil
}

// draw begins the draw of a month, and ends that of the one that is over: both under a
// seed that is promised first, or as jobs are sent in.
func (s *season) draw(midnight time.Time) error {
	step := func(month time.Time, ask map[string]any) error {
		ask["month"] = month.Format("2006-01")
		body, err := json.Marshal(ask)
		if err != nil {
			return err
		}
		return s.office.call(s.in.ctx, http.MethodPost, "/v1/inspection-draws", body, nil)
	}
	promise := func(month time.Time) (seed, digest string) {
		secret := sha256.Sum256([]byte("DEMO seed of " + month.Format("2006-01"))) // of a demo: nobody is to be surprised
		told := draws.SeedDigest(secret[:])
		return hex.EncodeToString(secret[:]), hex.EncodeToString(told[:])
	}
	ask := map[string]any{"as_sent_in": true}
	if !s.asSentIn(midnight) {
		_, digest := promise(midnight)
		ask = map[string]any{"seed_sha256": digest}
	}
	if err := step(midnight, ask); err != nil {
		return err
	}
	last := midnight.AddDate(0, -1, 0)
	if !slices.ContainsFunc(s.jobs, func(j *job) bool { return j.stand != planned && j.frameOf(s.fixture, last) }) {
		return nil
	}
	if s.asSentIn(last) {
		return step(last, map[string]any{"as_sent_in": true})
	}
	seed, digest := promise(last)
	if err := step(last, map[string]any{"seed_sha256": digest}); err != nil { // the frame as it came to be
		return err
	}
	return step(last, map[string]any{"seed": seed})
}

// frameOf tells whether the job was sent in, and done, in the month that begins then.
func (j *job) frameOf(w *fixture.Program, month time.Time) bool {
	if j.Deferred || j.Begun() || j.Worked >= len(w.Days) {
		return false
	}
	on := w.Days[j.Worked]
	return on.Year() == month.Year() && on.Month() == month.Month()
}

// finish lets homes wait, gives the residents of the jobs that are still to be done a name,
// opens a job by hand, and hands a month to the funder.
func (s *season) finish(now time.Time, months int) error {
	if _, err := s.office.send(s.in.ctx, s.fixture.Waiting()); err != nil {
		return err
	}
	for n, j := range s.jobs {
		open := j.stand == assigned || j.Begun()
		if !open || j.Crew.Number != 1 {
			continue
		}
		body, err := json.Marshal(map[string]string{"name": fmt.Sprintf("DEMO Resident %d", n), "phone": fmt.Sprintf("555-01%02d", n%100), "street": fmt.Sprintf("%d DEMO Lane", n)})
		if err != nil {
			return err
		}
		if err := s.office.call(s.in.ctx, http.MethodPut, "/v1/homes/"+j.HomeID.String()+"/resident", body, nil); err != nil {
			return err
		}
	}
	if at := slices.IndexFunc(s.jobs, func(j *job) bool { return j.stand == finished && !j.Begun() && !j.Deferred && !s.scheduled[j] }); at >= 0 {
		body, err := json.Marshal(map[string]any{"job_id": s.jobs[at].JobID, "reason_codes": []string{"resident_complained"}})
		if err != nil {
			return err
		}
		if err := s.office.call(s.in.ctx, http.MethodPost, "/v1/inspection-draws", body, nil); err != nil {
			return err
		}
	}
	month := time.Date(now.Year(), now.Month()-2, 1, 0, 0, 0, 0, time.UTC)
	if months == 2 { // the first is the last one
		month = month.AddDate(0, 1, 0)
	}
	return s.release(month.Format("2006-01"))
}

// release builds a month's package of each fund, which another person then hands to the
// funder.
func (s *season) release(month string) error {
	end := inBackground(s.in.ctx, func(ctx context.Context) {
		monthdb.BuildAsked(ctx, s.db, monthdb.Options{BuildID: api.BuildID(), Summary: sheet.Write, Program: s.program})
	})
	defer end()
	admin := &office{season: s, token: s.tokens[domain.Admin], http: s.office.http}
	show := newShow(io.Discard)
	for _, fund := range []string{fixture.StateFund, fixture.UtilityFund} {
		c := exportCommand{Server: s.url, Token: s.tokens[domain.Staff], Month: month, Fund: fund}
		p, err := c.build(s.in.ctx, show)
		if err != nil {
			return err
		}
		if err := admin.call(s.in.ctx, http.MethodPost, "/v1/months/"+month+"/packages/"+p.Name+"/release", nil, nil); err != nil {
			return err
		}
	}
	return nil
}
