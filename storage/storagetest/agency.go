package storagetest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/month"
	"ductledger/domain/rules"
	"ductledger/storage"
)

// Agency is a program in Los Angeles without rules, so that a test decides
// what is accepted, with prices of invented, round sums.
type Agency struct {
	*World
	Clock *Clock
	Set   domain.RuleSet // the first
	Fund  string         // of the jobs that are made next

	t testing.TB
}

// NewAgency makes one in a database of its own, at a moment.
func NewAgency(t testing.TB, start time.Time, change ...func(*domain.RuleSet)) *Agency {
	t.Helper()
	db, clock := Open(t)
	clock.Move(start.Sub(clock.Now()))
	w := &World{DB: db, Contractor: ID(), Lead: ID(), Instrument: ID(), Home: ID()}
	set := &domain.RuleSet{Name: "invented", FromOn: "2020-01-01"}
	yes, ratio, floor, fifth := true, 0.1, int64(15000), 0.2
	for _, key := range rules.Keys() {
		set.Rules = append(set.Rules, domain.RuleSetting{Rule: key, Off: &yes})
	}
	set.Prices = []domain.Price{{Line: month.LineReduction, AmountCents: 250, FloorCents: &floor, FundSource: "state_fund", Category: "labor"},
		{Line: month.LineCallBack, AmountCents: 1000, PaidRatio: &fifth}}
	set.HoldBackRatio = &ratio
	for _, f := range change {
		f(set)
	}
	code := fmt.Sprintf("MONTH%d", ID()[15])
	w.Program = storage.ProgramID(code)
	err := db.CreateProgram(context.Background(), storage.Program{ID: w.Program, Code: code, Name: "Invented program", TimeZone: "America/Los_Angeles", Demo: true},
		ID(), ID(), set)
	if err != nil {
		t.Fatal(err)
	}
	a := &Agency{World: w, t: t, Clock: clock, Set: *set, Fund: "state_fund"}
	w.Admin = Token(t, db, storage.Token{Role: domain.Admin, Name: "Ada Invented"}, w.Program)
	w.Staff = Token(t, db, storage.Token{Role: domain.Staff, Name: "Sam Invented"}, w.Program)
	w.Must(t, w.Staff,
		Item(t, w.Contractor, &domain.Contractor{Name: "=Invented, \"Sealing\""}),
		Item(t, w.Instrument, &domain.Instrument{ContractorID: &w.Contractor, Instrument: domain.DuctFan, Serial: "F-1", CalibratedOn: "2020-01-01", CalibratedUntilOn: "2030-12-31"}))
	w.Field = Token(t, db, storage.Token{Role: domain.Field, ContractorID: w.Contractor}, w.Program)
	return a
}

// Second is another contractor of the same program.
func (a *Agency) Second() *Agency {
	a.t.Helper()
	w := *a.World
	w.Contractor, w.Instrument = ID(), ID()
	w.Must(a.t, w.Staff,
		Item(a.t, w.Contractor, &domain.Contractor{Name: "Other Invented"}),
		Item(a.t, w.Instrument, &domain.Instrument{ContractorID: &w.Contractor, Instrument: domain.DuctFan, Serial: "F-2", CalibratedOn: "2020-01-01", CalibratedUntilOn: "2030-12-31"}))
	w.Field = Token(a.t, a.DB, storage.Token{Role: domain.Field, ContractorID: w.Contractor}, a.Program)
	return &Agency{World: &w, t: a.t, Clock: a.Clock, Fund: a.Fund}
}

// SentIn does a whole job, sent in: before and after are the flows at 25 Pa.
func (a *Agency) SentIn(before, after float64) domain.UUID {
	a.t.Helper()
	home, id := ID(), ID()
	area := 1000.0
	a.Must(a.t, a.Staff, Item(a.t, home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}, FloorAreaFt2: &area}),
		Item(a.t, id, &domain.Job{HomeID: home, ContractorID: a.Contractor, PayBasis: domain.Measured, State: domain.Assigned, FundSource: a.Fund}))
	a.Must(a.t, a.Field, append(a.Shown(id), a.Reading(id, domain.Before, before, -2*time.Hour), a.Reading(id, domain.After, after, -time.Hour))...)
	a.Send(id)
	return id
}

// Shown is the least that a paid job shows: a visit, a repair and a photo.
func (a *Agency) Shown(job domain.UUID) []*intake.Item {
	visit, now := ID(), a.DB.Now()
	digest := sha256.Sum256(visit[:])
	return []*intake.Item{
		Item(a.t, visit, &domain.Visit{JobID: job, VisitedOn: domain.DateOf(now, time.UTC)}),
		Item(a.t, ID(), &domain.Repair{JobID: job, Repair: domain.RepairTrunkSeam, DoneAt: now.Add(-90 * time.Minute)}),
		Item(a.t, ID(), &domain.Photo{JobID: job, SHA256: hex.EncodeToString(digest[:]), BytesCount: 1, MediaType: "image/jpeg", WidthPx: 1, HeightPx: 1,
			TakenAt: now.Add(-time.Hour), Stage: domain.AfterStage, Subjects: []domain.PhotoSubject{{Kind: domain.VisitKind, ID: visit}}}),
	}
}

// Reading is what the crew's fan reads at 25 Pa, some time from now.
func (a *Agency) Reading(job domain.UUID, stage domain.Stage, flow float64, at time.Duration) *intake.Item {
	pressure := 25.0
	return Item(a.t, ID(), &domain.Measurement{JobID: job, Method: domain.FanTotal, Stage: stage, InstrumentID: a.Instrument,
		TakenAt: a.DB.Now().Add(at), Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}})
}

// Send hands a job in that the crew has done.
func (a *Agency) Send(id domain.UUID) {
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
	job.State, job.Outcome = domain.SentIn, domain.Completed
	a.Must(a.t, a.Field, On(Item(a.t, id, job), seen.Entry.Version))
}

// Decide reviews a job.
func (a *Agency) Decide(job domain.UUID, decision domain.Decision) {
	a.t.Helper()
	review := &domain.Review{JobID: job, Decision: decision}
	if decision != domain.Accept && decision != domain.Include {
		review.ReasonCodes = []string{"wrong_reading"}
	}
	a.Must(a.t, a.Staff, Item(a.t, ID(), review))
}

// Accepted does a whole job and accepts it.
func (a *Agency) Accepted(before, after float64) domain.UUID {
	a.t.Helper()
	id := a.SentIn(before, after)
	a.Decide(id, domain.Accept)
	return id
}

// Void takes a job out as entered twice.
func (a *Agency) Void(job domain.UUID) {
	a.t.Helper()
	seen, err := a.DB.Record(context.Background(), a.Staff, domain.JobKind, job)
	if err != nil {
		a.t.Fatal(err)
	}
	item := &intake.Item{Kind: domain.JobKind, ID: job, BaseVersion: seen.Entry.Version, Void: "entered twice"}
	item.Raw = fmt.Appendf(nil, `{"kind":"job","id":%q,"base_version":%d,"void":{"reason":"entered twice"}}`, job, seen.Entry.Version)
	a.Must(a.t, a.Staff, item)
}

// MoveTo sets the clock to a local time of the program.
func (a *Agency) MoveTo(local string) {
	a.t.Helper()
	zone, err := time.LoadLocation("America/Los_Angeles")
	if err != nil {
		a.t.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04:05", local, zone)
	if err != nil {
		a.t.Fatal(err)
	}
	a.Clock.Move(at.Sub(a.Clock.Now()))
}
