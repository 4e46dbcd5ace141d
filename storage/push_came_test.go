package storage_test

import (
	"context"
	"flag"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

var pairs = flag.Int("pairs", 200, "how many pairs of a record and one that refers to it TestNoChildIsStuck sends at once")

// pairMaker has what the pairs below are made of.
type pairMaker struct {
	testing.TB
	*storagetest.World
	job  domain.UUID
	next int
}

// A reference is one kind of reference: two records with new ids, the second
// refers to the first.
type reference struct {
	name string
	make func(p *pairMaker, parent, child domain.UUID) (of, with domain.Record) // with nil: the voiding of the first
}

func (p *pairMaker) component() domain.Record {
	return &domain.Component{JobID: p.job, Component: domain.Boot}
}

func (p *pairMaker) reading(replaces *domain.UUID) *domain.Measurement {
	m := &domain.Measurement{JobID: p.job, Method: domain.FanTotal, Stage: domain.After, InstrumentID: p.Instrument, TakenAt: storagetest.Start,
		Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(100.0)}}, Replaces: replaces}
	if replaces != nil {
		m.Reason = "misread"
	}
	return m
}

func (p *pairMaker) photo(replaces *domain.UUID, subjects ...domain.PhotoSubject) *domain.Photo {
	p.next++
	photo := &domain.Photo{JobID: p.job, SHA256: fmt.Sprintf("%064x", p.next), BytesCount: 1000, MediaType: "image/jpeg", WidthPx: 1600, HeightPx: 1200,
		TakenAt: storagetest.Start, Stage: domain.AfterStage, Replaces: replaces, Subjects: subjects}
	if replaces != nil {
		photo.Reason = "blurred"
	}
	return photo
}

func (p *pairMaker) member() domain.Record {
	return &domain.CrewMember{ContractorID: p.Contractor, Name: "Lou Invented"}
}

func (p *pairMaker) device(contractor domain.UUID) domain.Record {
	return &domain.Device{ContractorID: &contractor, Name: "phone", State: domain.DeviceActive}
}

func (p *pairMaker) newJob(home, contractor domain.UUID) domain.Record {
	return &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: domain.Assigned}
}

func (p *pairMaker) repair() *domain.Repair {
	return &domain.Repair{JobID: p.job, Repair: domain.RepairBoot, DoneAt: storagetest.Start, Materials: []domain.Material{domain.Mastic}}
}

// references are all that Refs of the domain's records can give, and the void.
var references = []reference{
	{"home of a job", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Home{SectionCount: 1}, p.newJob(a, p.Contractor)
	}},
	{"contractor of a job", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Contractor{Name: "New Invented"}, p.newJob(p.Home, a)
	}},
	{"contractor of a crew member", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Contractor{Name: "New Invented"}, &domain.CrewMember{ContractorID: a, Name: "Lou Invented"}
	}},
	{"contractor of a credential", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Contractor{Name: "New Invented"}, &domain.Credential{ContractorID: &a, Credential: domain.DuctSealingCertificate, ValidFromOn: "2026-01-01"}
	}},
	{"contractor of an instrument", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Contractor{Name: "New Invented"}, &domain.Instrument{ContractorID: &a, Instrument: domain.DuctFan, Serial: "F-2"}
	}},
	{"contractor of a device", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Contractor{Name: "New Invented"}, p.device(a)
	}},
	{"crew member of a credential", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.Credential{CrewMemberID: &a, Credential: domain.DuctSealingCertificate, ValidFromOn: "2026-01-01"}
	}},
	{"crew member of a lesson", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.TrainingEvent{CrewMemberID: a, HeldOn: "2026-09-01", Topic: "boots"}
	}},
	{"lead of a visit", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.Visit{JobID: p.job, VisitedOn: "2026-10-01", LeadID: &a}
	}},
	{"crew of a visit", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.Visit{JobID: p.job, VisitedOn: "2026-10-01", CrewIDs: []domain.UUID{a}}
	}},
	{"call-back of a visit", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.CallBack{JobID: p.job, ReportedOn: "2026-10-01", Reason: "noise"}, &domain.Visit{JobID: p.job, VisitedOn: "2026-10-02", CallBackID: &a}
	}},
	{"credential of a combustion check", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Credential{CrewMemberID: &p.Lead, Credential: domain.DuctSealingCertificate, ValidFromOn: "2026-01-01"},
			&domain.Visit{JobID: p.job, VisitedOn: "2026-10-02", Combustion: &domain.CombustionCheck{CredentialID: &a}}
	}},
	{"who verified an isolation", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.EnergyIsolation{JobID: p.job, VerifiedByID: &a}
	}},
	{"who released an isolation", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.member(), &domain.EnergyIsolation{JobID: p.job, ReleasedByID: &a}
	}},
	{"member of a repair", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		r := p.repair()
		r.MemberID = &a
		return p.member(), r
	}},
	{"component of a repair", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		r := p.repair()
		r.ComponentIDs = []domain.UUID{a}
		return p.component(), r
	}},
	{"crossover of a repair", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		r := p.repair()
		r.CrossoverID = &a
		return &domain.Crossover{JobID: p.job, FromSection: "A", ToSection: "B", Crossover: domain.FlexRound}, r
	}},
	{"target of an opening", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.component(), &domain.Opening{JobID: p.job, In: domain.InWrap, Origin: domain.ByCrew, Section: "A",
			Target: &domain.Subject{Kind: domain.ComponentKind, ID: a}}
	}},
	{"instrument of a measurement", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		m := p.reading(nil)
		m.InstrumentID = a
		return &domain.Instrument{ContractorID: &p.Contractor, Instrument: domain.DuctFan, Serial: "F-3"}, m
	}},
	{"repair before a measurement", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		m := p.reading(nil)
		m.AfterRepairIDs = []domain.UUID{a}
		return p.repair(), m
	}},
	{"component of a reading", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		m := p.reading(nil)
		m.Readings[0].ComponentID = &a
		return p.component(), m
	}},
	{"replaced measurement", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.reading(nil), p.reading(&a)
	}},
	{"replaced photo", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) { return p.photo(nil), p.photo(&a) }},
	{"subject of a photo", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		return p.component(), p.photo(nil, domain.PhotoSubject{Kind: domain.ComponentKind, ID: a})
	}},
	{"device of a photo", func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		photo := p.photo(nil)
		photo.DeviceID = &a
		return p.device(p.Contractor), photo
	}},
	{"void of a home", func(p *pairMaker, _, _ domain.UUID) (domain.Record, domain.Record) {
		return &domain.Home{SectionCount: 1}, nil
	}},
	{"void of a component", func(p *pairMaker, _, _ domain.UUID) (domain.Record, domain.Record) { return p.component(), nil }},
}

// jobOf gives each kind of record of a job its reference to the job.
func jobReference(kind string, make func(p *pairMaker) domain.Record) reference {
	return reference{"job of a " + kind, func(p *pairMaker, a, _ domain.UUID) (domain.Record, domain.Record) {
		job := p.newJob(p.Home, p.Contractor)
		before := p.job
		p.job = a
		child := make(p)
		p.job = before
		return job, child
	}}
}

var jobReferences = []reference{
	jobReference("component", (*pairMaker).component),
	jobReference("visit", func(p *pairMaker) domain.Record { return &domain.Visit{JobID: p.job, VisitedOn: "2026-10-01"} }),
	jobReference("crossover", func(p *pairMaker) domain.Record {
		return &domain.Crossover{JobID: p.job, FromSection: "A", ToSection: "B", Crossover: domain.FlexRound}
	}),
	jobReference("opening", func(p *pairMaker) domain.Record {
		return &domain.Opening{JobID: p.job, In: domain.InWrap, Origin: domain.ByCrew, Section: "A"}
	}),
	jobReference("repair", func(p *pairMaker) domain.Record { return p.repair() }),
	jobReference("isolation", func(p *pairMaker) domain.Record { return &domain.EnergyIsolation{JobID: p.job} }),
	jobReference("measurement", func(p *pairMaker) domain.Record { return p.reading(nil) }),
	jobReference("photo", func(p *pairMaker) domain.Record { return p.photo(nil) }),
	jobReference("review", func(p *pairMaker) domain.Record {
		return &domain.Review{JobID: p.job, Decision: domain.Reply, Text: "seen"}
	}),
	jobReference("call-back", func(p *pairMaker) domain.Record {
		return &domain.CallBack{JobID: p.job, ReportedOn: "2026-10-01", Reason: "noise"}
	}),
	jobReference("waiver", func(p *pairMaker) domain.Record {
		return &domain.Waiver{JobID: p.job, Finding: domain.FindingRef{Rule: "photo_of_gauge", Subjects: []domain.Subject{}}, AgreedConsequence: "none", Reason: "agreed"}
	}),
	jobReference("inspection", func(p *pairMaker) domain.Record {
		return &domain.Inspection{JobID: p.job, Purpose: "monitoring", InspectedOn: "2026-10-20", InspectorName: "Ivy Invented", Result: "passed"}
	}),
}

// Two phones send a record and one that refers to it at the same moment, for
// every kind of reference. Whichever commits second finds the other: nothing
// waits in the end. -pairs=1000 makes it a long run.
func TestNoChildIsStuck(t *testing.T) {
	t.Parallel()
	const seed = 13
	url := storagetest.URL(t)
	one := func(o *storage.Options) { o.Connections = 1 }
	phones := [2]*storage.DB{openAt(t, url, one), openAt(t, url, one)}
	w := storagetest.Program(t, openAt(t, url))
	p := &pairMaker{TB: t, World: w}
	random := rand.New(rand.NewPCG(seed, 0))
	kinds := append(references, jobReferences...)
	waited := 0
	for i := range *pairs {
		if i%20 == 0 { // a home with many jobs, a job with many records would only be slow
			w.Home = storagetest.ID()
			w.Must(t, w.Staff, storagetest.Item(t, w.Home, &domain.Home{SectionCount: 1}))
			p.job = w.Job(t)
		}
		ref := kinds[i%len(kinds)]
		parent, child := storagetest.ID(), storagetest.ID()
		of, with := ref.make(p, parent, child)
		items := [2]*intake.Item{storagetest.Item(t, parent, of)}
		if with != nil {
			items[1] = storagetest.Item(t, child, with)
		} else {
			items[1], child = voidItem(of.Kind(), parent, 1), parent
		}
		var delays [2]time.Duration
		delays[random.IntN(2)] = time.Duration(random.IntN(4000)) * time.Microsecond
		statuses := [2]intake.Status{}
		for _, err := range atOnce(2, func(n int) error {
			time.Sleep(delays[n])
			pushed, err := phones[n].Push(context.Background(), w.Staff, stamp(w.Staff, w.DB.Now(), []*intake.Item{items[n]}))
			if err == nil {
				statuses[n] = pushed.Items[0].Status
			}
			return err
		}) {
			if err != nil {
				t.Fatalf("seed %d, pair %d, %s: %v", seed, i, ref.name, err)
			}
		}
		if statuses[1] == intake.Waiting {
			waited++
		}
		seen, err := w.DB.Record(context.Background(), w.Staff, items[1].Kind, child)
		if err != nil || statuses[0] != intake.Created || with == nil && seen.Entry.Version != 2 {
			t.Errorf("seed %d, pair %d, %s: the first is %s, the second %s and stuck: version %d, %v",
				seed, i, ref.name, statuses[0], statuses[1], seen.Entry.Version, err)
		}
	}
	t.Logf("of %d second records %d were answered with waiting", *pairs, waited)
	held, err := w.DB.HeldItems(context.Background(), w.Staff, "", domain.UUID{}, domain.UUID{}, 1000)
	if err != nil || len(held) > 0 {
		t.Errorf("%d items are held in the end, %v", len(held), err)
	}
	if err := verifyLedger(w.DB, w.Staff); err != nil {
		t.Error(err)
	}
}

// An item that waits though its record is there, as one that a program of
// before left, is decided again by the next look, and not after seven days.
func TestLookAgainDecidesAgainWhatStillWaits(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	home, job := storagetest.ID(), storagetest.ID()
	waits := w.Push(t, w.Field, storagetest.Item(t, job, &domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.InWork}))
	if waits.Items[0].Status != intake.Waiting {
		t.Fatalf("%s", waits.Items[0].Status)
	}
	owner := dial(t, storagetest.AddressOf(db))
	exec := func(sql string) {
		t.Helper()
		if _, err := owner.Exec(context.Background(), sql); err != nil {
			t.Fatal(err)
		}
	}
	exec("UPDATE held SET state = 'open'") // so that the home does not find it
	w.Must(t, w.Staff, storagetest.Item(t, home, &domain.Home{SectionCount: 1}))
	exec("UPDATE held SET state = 'waiting'")
	for _, step := range []struct {
		after  time.Duration
		looked int
	}{{10 * time.Second, 0}, {25 * time.Second, 1}, {time.Hour, 0}} {
		clock.Move(step.after)
		again, err := db.LookAgain(context.Background())
		if err != nil || again != (storage.LookedAgain{Looked: step.looked}) {
			t.Errorf("%s later: %+v, %v", step.after, again, err)
		}
	}
	if seen, err := db.Record(context.Background(), w.Staff, domain.JobKind, job); err != nil || seen.Entry.DeviceID != w.Device {
		t.Errorf("the job is not there: %+v, %v", seen.Entry, err)
	}
}

// What waits for a record that its sender may not know of is looked at each
// time its age has doubled, stays what it is, and is opened after seven days.
func TestLookAgainLeavesAloneWhatMayNotBeKnown(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	other, device := storagetest.ID(), storagetest.ID()
	w.Must(t, w.Staff, storagetest.Item(t, other, &domain.Contractor{Name: "Other Invented"}),
		storagetest.Item(t, device, &domain.Device{ContractorID: &other, Name: "phone 9", State: domain.DeviceActive}))
	stranger := storagetest.Token(t, db, storage.Token{Role: domain.Field, ContractorID: other, DeviceID: device}, w.Program)
	w.Push(t, stranger, storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: w.Job(t), Component: domain.Boot}))
	looked, opened := 0, int64(0)
	for clock.Now().Before(storagetest.Start.Add(8 * 24 * time.Hour)) {
		clock.Move(max(time.Minute, clock.Now().Sub(storagetest.Start)/10))
		again, err := db.LookAgain(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		looked, opened = looked+again.Looked, opened+again.Opened
	}
	if looked < 10 || looked > 16 || opened != 1 {
		t.Errorf("looked at %d times and opened %d", looked, opened)
	}
	held, err := db.HeldItems(context.Background(), w.Staff, "", domain.UUID{}, domain.UUID{}, 10)
	if err != nil || len(held) != 1 || held[0].State != "open" || held[0].Code != string(domain.ParentMissing) {
		t.Errorf("held: %+v, %v", held, err)
	}
}
