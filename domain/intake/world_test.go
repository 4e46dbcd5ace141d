package intake

import (
	"testing"
	"time"

	"ductledger/domain"
)

// id is an invented id that is told by one byte.
func id(n byte) (u domain.UUID) { u[15] = n; return u }

// The ids of what is stored in the world of these tests.
var (
	ours, theirs         = id(1), id(2) // contractors
	ourMember            = id(3)
	ourHome, otherHome   = id(4), id(5)
	ourJob, theirJob     = id(6), id(7) // ours is at ourHome, theirs at otherHome
	anotherJob           = id(8)        // ours too, at otherHome
	ourBoot, theirBoot   = id(9), id(10)
	anotherBoot          = id(11) // of anotherJob
	ourFan               = id(12)
	reading, panReading  = id(13), id(14)
	picture, ourReview   = id(15), id(16)
	firstSet, comingSet  = id(17), id(18)
	theirMember, ourNote = id(19), id(20)
	nobody, fresh        = id(98), id(99)
)

const today = domain.Date("2026-10-01")

var (
	field      = domain.Caller{Role: domain.Field, Contractor: ours, Token: id(30), Device: id(31)}
	contractor = domain.Caller{Role: domain.ContractorRole, Contractor: ours, Token: id(32)}
	inspector  = domain.Caller{Role: domain.Inspector, Name: "Ivy Invented", Token: id(33), Person: id(63)}
	staff      = domain.Caller{Role: domain.Staff, Name: "Sam Invented", Token: id(34), Person: id(64)}
	nameless   = domain.Caller{Role: domain.Staff, Token: id(35)}
	admin      = domain.Caller{Role: domain.Admin, Name: "Ada Invented", Token: id(36), Person: id(66)}
	funder     = domain.Caller{Role: domain.Funder, Token: id(37)}
)

// world is a store with records at version 1.
type world struct {
	testing.TB
	*Store
}

func newWorld(t testing.TB) *world {
	w := &world{t, &Store{
		Heads: map[Key]Head{}, Jobs: map[domain.UUID]Job{}, Contents: map[VersionKey]Content{}, OpenHomes: map[domain.UUID]bool{},
		OwnHomes: map[domain.UUID]bool{}, Replaced: map[domain.UUID]Replaceable{}, RuleSets: map[domain.UUID]domain.Date{}, Today: today,
	}}
	w.put(ours, &domain.Contractor{Name: "Invented Sealing"})
	w.put(theirs, &domain.Contractor{Name: "Other Invented"})
	w.put(ourMember, &domain.CrewMember{ContractorID: ours, Name: "Lee Invented"})
	w.put(theirMember, &domain.CrewMember{ContractorID: theirs, Name: "Kim Invented"})
	w.put(ourFan, &domain.Instrument{ContractorID: &ours, Instrument: domain.DuctFan, Serial: "F-1"})
	w.put(ourHome, &domain.Home{SectionCount: 1})
	w.put(otherHome, &domain.Home{SectionCount: 2})
	w.put(firstSet, &domain.RuleSet{Name: "first", FromOn: "2020-01-01"})
	w.put(comingSet, &domain.RuleSet{Name: "coming", FromOn: "2026-10-02"})
	w.putJob(ourJob, ourHome, ours, domain.InWork)
	w.putJob(theirJob, otherHome, theirs, domain.InWork)
	w.putJob(anotherJob, otherHome, ours, domain.InWork)
	w.put(ourBoot, boot(ourJob))
	w.put(theirBoot, boot(theirJob))
	w.put(anotherBoot, boot(anotherJob))
	w.put(reading, fanTest(nil))
	w.put(panReading, &domain.Measurement{JobID: ourJob, Method: domain.Pan, Stage: domain.Before, InstrumentID: ourFan})
	w.put(picture, photo(nil))
	w.put(ourReview, &domain.Review{JobID: ourJob, Decision: domain.Reply, Text: "seen"})
	w.put(ourNote, &domain.Waiver{JobID: ourJob, Reason: "agreed"})
	return w
}

func boot(job domain.UUID) *domain.Component {
	return &domain.Component{JobID: job, Component: domain.Boot, Section: "A"}
}

func fanTest(replaces *domain.UUID) *domain.Measurement {
	return &domain.Measurement{JobID: ourJob, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: ourFan, Replaces: replaces}
}

func photo(replaces *domain.UUID) *domain.Photo {
	return &domain.Photo{JobID: ourJob, SHA256: "00", Stage: domain.BeforeStage, Replaces: replaces}
}

func job(home, contractor domain.UUID, state domain.JobState) *domain.Job {
	j := &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: state}
	if state == domain.SentIn || state == domain.Accepted {
		j.Outcome = domain.Completed
	}
	return j
}

// put stores a record as version 1, as storage would tell of it.
func (w *world) put(id domain.UUID, record domain.Record) {
	w.Helper()
	item := w.item(id, record)
	head := Head{Version: 1, JobID: record.Job()}
	s := sorter{store: w.Store}
	if head.ContractorID = s.owner(record); item.Kind == domain.ContractorKind {
		head.ContractorID = id
	}
	switch r := record.(type) {
	case *domain.Measurement:
		w.Replaced[id] = ReplaceableOf(r.JobID, r.Method, r.Replaces)
	case *domain.Photo:
		w.Replaced[id] = ReplaceableOf(r.JobID, "", r.Replaces)
	case *domain.RuleSet:
		w.RuleSets[id] = r.FromOn
	}
	w.Heads[item.Key()] = head
	w.Contents[VersionKey{item.Key(), 1}] = Content{Digest: item.Digest, Texts: item.Texts}
}

// putJob stores a job as version 1 and tells who has it.
func (w *world) putJob(id, home, contractor domain.UUID, state domain.JobState) {
	w.Helper()
	record := job(home, contractor, state)
	item := w.item(id, record)
	head := Head{Version: 1, JobID: id}
	w.Heads[item.Key()], w.Contents[VersionKey{item.Key(), 1}] = head, Content{Digest: item.Digest, Texts: item.Texts}
	w.Jobs[id] = Job{Head: head, Record: *record, Body: item.Body, Holders: []domain.UUID{contractor}}
	if state.Open() {
		w.OpenHomes[home] = true
		w.OwnHomes[home] = w.OwnHomes[home] || contractor == ours
	}
}

// change alters a stored job.
func (w *world) change(id domain.UUID, alter func(*Job)) {
	j := w.Jobs[id]
	alter(&j)
	w.Jobs[id] = j
	w.Heads[Key{domain.JobKind, id}] = j.Head
}

// edit makes version 2 of a stored record of other content.
func (w *world) edit(id domain.UUID, record domain.Record) {
	w.Helper()
	item := w.item(id, record)
	head := w.Heads[item.Key()]
	head.Version = 2
	w.Heads[item.Key()] = head
	w.Contents[VersionKey{item.Key(), 2}] = Content{Digest: item.Digest, Texts: item.Texts}
}

func (w *world) item(id domain.UUID, record domain.Record) *Item {
	w.Helper()
	item, err := NewItem(record.Kind(), id, record)
	if err != nil {
		w.Fatal(err)
	}
	item.ReceivedAt = time.Date(2026, 10, 1, 15, 0, 0, 0, time.UTC)
	return item
}

func void(kind domain.Kind, id domain.UUID, base int64) *Item {
	item := &Item{Kind: kind, ID: id, BaseVersion: base}
	item.TakeVoid("a mistake")
	return item
}

func on(base int64, item *Item) *Item { item.BaseVersion = base; return item }

// decide gives the decision on one item.
func (w *world) decide(caller domain.Caller, item *Item) Decision {
	w.Helper()
	for _, d := range Decide(caller, []*Item{item}, w.Store) {
		if d.Item == item {
			return d
		}
	}
	w.Fatal("no decision")
	return Decision{}
}
