package device_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/device"
	"ductledger/api/device/book"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// agency is one program with contractors and their phones. All chance in it
// comes from one seed.
type agency struct {
	t           *testing.T
	a           *apitest.API
	r           *rand.Rand
	program     domain.UUID
	staff       string
	contractors []domain.UUID
	instruments []domain.UUID // one of each contractor
	homes       []domain.UUID
	jobs        []domain.UUID
	parts       []part
	phones      []*fieldPhone
	era         int    // how often the database was set back
	restored    string // the epoch of the newest backup that was set back
	named       bool   // the operator said so
	trace       []string
}

// part is a record of a job that somebody wrote.
type part struct {
	kind    domain.Kind
	id, job domain.UUID
}

// fieldPhone is a phone with its link and a note of what it was answered.
type fieldPhone struct {
	*device.Device
	name       string
	contractor int
	options    device.Options
	journal    *device.Memory
	link       *device.BadLink
	answers    []answered
	agency     *agency
}

// answered is one item with its answer, as the phone got it.
type answered struct {
	era int
	book.Told
}

// newAgency makes a program without rules, so that the test decides what is
// accepted.
func newAgency(t *testing.T, a *apitest.API, code string, r *rand.Rand, contractors, phones int) *agency {
	t.Helper()
	ctx := context.Background()
	g := &agency{t: t, a: a, r: r, program: storage.ProgramID(code)}
	a.T = t
	a.Clock.Move(storagetest.Start.Sub(a.Clock.Now()))
	set, off := &domain.RuleSet{Name: "invented", FromOn: "2020-01-01"}, true
	for _, key := range rules.Keys() {
		set.Rules = append(set.Rules, domain.RuleSetting{Rule: key, Off: &off})
	}
	err := a.DB.CreateProgram(ctx, storage.Program{ID: g.program, Code: code, Name: "Invented program", TimeZone: "America/Los_Angeles"}, g.id(), g.id(), set)
	if err != nil {
		t.Fatal(err)
	}
	g.staff = a.Token(t, g.program, storage.Token{Role: domain.Staff, Name: "Sam Invented"})
	for i := range contractors {
		contractor, instrument := g.id(), g.id()
		g.contractors, g.instruments = append(g.contractors, contractor), append(g.instruments, instrument)
		g.put(contractor, &domain.Contractor{Name: fmt.Sprintf("Invented Sealing %d", i)}, 0)
		g.put(instrument, &domain.Instrument{ContractorID: &contractor, Instrument: domain.DuctFan, Serial: "F-1", CalibratedOn: "2026-01-01", CalibratedUntilOn: "2027-12-31"}, 0)
	}
	for i := range phones {
		g.phone(fmt.Sprintf("phone %d", i), i%contractors)
	}
	return g
}

// id is a new id of version 7, by the seed.
func (g *agency) id() (id domain.UUID) {
	for i := range id {
		id[i] = byte(g.r.IntN(256))
	}
	id[6], id[8] = 0x70|id[6]&0x0f, 0x80|id[8]&0x3f
	return id
}

func (g *agency) phone(name string, contractor int) *fieldPhone {
	g.t.Helper()
	id := g.id()
	g.put(id, &domain.Device{ContractorID: &g.contractors[contractor], Name: name, State: domain.DeviceActive}, 0)
	p := &fieldPhone{name: name, contractor: contractor, agency: g, journal: &device.Memory{}, link: &device.BadLink{Rand: rand.New(rand.NewPCG(g.r.Uint64(), 1))}}
	p.options = device.Options{URL: g.a.URL, ID: id, Journal: p.journal, Link: &book.Log{Link: p.link, Note: p.noteAnswer}, Now: g.a.Clock.Now, Rand: rand.New(rand.NewPCG(g.r.Uint64(), 2)), Tries: 5,
		Token: g.a.Token(g.t, g.program, storage.Token{Role: domain.Field, ContractorID: g.contractors[contractor], DeviceID: id}),
		Wait:  func(ctx context.Context, _ time.Duration) error { return ctx.Err() }}
	g.phones = append(g.phones, p)
	p.restart()
	return p
}

// restart ends the app and starts it from its journal.
func (p *fieldPhone) restart() {
	p.agency.t.Helper()
	d, err := device.Open(p.options)
	if err != nil {
		p.agency.t.Fatal(err)
	}
	p.Device = d
}

// manyAnswers are far more than any seed needs: some hundreds.
const manyAnswers = 5000

// noteAnswer keeps what became of an item.
func (p *fieldPhone) noteAnswer(told book.Told) {
	if len(p.answers) > manyAnswers {
		p.agency.t.Fatalf("%s sends without end", p.name)
	}
	p.answers = append(p.answers, answered{p.agency.era, told})
	p.agency.note("%s: %s %s base %d: %s %d", p.name, told.Item.Kind, short(told.Item.ID), told.Item.BaseVersion, told.Answer.Status, told.Answer.Version)
}

func short(id domain.UUID) string { return id.String()[:8] }

func (g *agency) note(format string, args ...any) {
	g.trace = append(g.trace, fmt.Sprintf(format, args...))
}

// office sends a request of the staff's.
func (g *agency) office(method, path string, body any, header ...string) apitest.Answer {
	g.t.Helper()
	answer := g.a.Send(g.staff, method, path, body, header...)
	g.note("staff: %s %s: %d", method, path, answer.Status)
	if answer.Status >= 500 {
		g.t.Fatalf("%s %s: %d %s", method, path, answer.Status, answer.Body)
	}
	return answer
}

// put writes a record in the office, on a version.
func (g *agency) put(id domain.UUID, record domain.Record, version int64) apitest.Answer {
	g.t.Helper()
	row, _ := domain.RowOf(record.Kind())
	var header []string
	if version > 0 {
		header = []string{"If-Match", fmt.Sprintf("%q", fmt.Sprint(version))}
	}
	return g.office(http.MethodPut, "/v1/"+row.Plural+"/"+id.String(), record, header...)
}

// read gives a record as the office sees it; version 0 where it is not there.
func (g *agency) read(kind domain.Kind, id domain.UUID, into any) int64 {
	g.t.Helper()
	row, _ := domain.RowOf(kind)
	answer := g.office(http.MethodGet, "/v1/"+row.Plural+"/"+id.String(), nil)
	if answer.Status != http.StatusOK {
		return 0
	}
	var e struct {
		Version int64
		Record  json.RawMessage
	}
	answer.Into(&e)
	if err := json.Unmarshal(e.Record, into); err != nil {
		g.t.Fatal(err)
	}
	return e.Version
}

// epoch names the program's history.
func (g *agency) epoch() string {
	g.t.Helper()
	var start struct{ Epoch string }
	g.office(http.MethodGet, "/v1/sync", nil).Want(http.StatusOK).Into(&start)
	return start.Epoch
}

// newJob assigns a job at a home of its own.
func (g *agency) newJob(contractor int) domain.UUID {
	g.t.Helper()
	home, job := g.id(), g.id()
	g.homes, g.jobs = append(g.homes, home), append(g.jobs, job)
	g.put(home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}}, 0)
	g.office(http.MethodPut, "/v1/homes/"+home.String()+"/resident", `{"name":"Invented Resident","phone":"555-0100"}`)
	g.put(job, &domain.Job{HomeID: home, ContractorID: g.contractors[contractor], PayBasis: domain.Measured, State: domain.Assigned}, 0)
	return job
}

// moveJob writes a new version of a job.
func (g *agency) moveJob(id domain.UUID, change func(*domain.Job)) {
	g.t.Helper()
	var job domain.Job
	if version := g.read(domain.JobKind, id, &job); version > 0 {
		change(&job)
		g.put(id, &job, version)
	}
}

// review decides on a job.
func (g *agency) review(job domain.UUID, decision domain.Decision) apitest.Answer {
	g.t.Helper()
	review := &domain.Review{JobID: job, Decision: decision}
	if decision != domain.Accept {
		review.ReasonCodes = []string{"wrong_reading"}
	}
	return g.put(g.id(), review, 0)
}

// sync syncs; a broken link is no failure, a refusal of the service is one.
func (p *fieldPhone) sync() {
	p.agency.t.Helper()
	if err := p.Sync(context.Background()); err != nil {
		var problem *device.Problem
		if errors.As(err, &problem) {
			p.agency.t.Errorf("%s: %v", p.name, err)
		}
		p.agency.note("%s: sync: %v", p.name, err)
	}
}

// quiet syncs all phones over good links until nothing moves any more.
func (g *agency) quiet() {
	g.t.Helper()
	before := ""
	for range 12 {
		for _, p := range g.phones {
			p.link.LoseReply, p.link.Repeat, p.link.Late = 0, 0, 0
			if err := p.Sync(context.Background()); err != nil {
				g.t.Fatalf("%s: %v", p.name, err)
			}
		}
		now := ""
		for _, p := range g.phones {
			now += fmt.Sprint(p.Cursor(), p.Pending(), " ")
		}
		if now == before && !slices.ContainsFunc(g.phones, func(p *fieldPhone) bool { return p.Pending() > 0 }) {
			return
		}
		before = now
	}
	g.t.Fatal("the phones do not come to rest: each sync still moves something")
}
