package storagetest

import (
	"context"
	"crypto/sha256"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"

	"github.com/google/uuid"
)

// Clock is a clock that stands until it is moved.
type Clock struct {
	mu  sync.Mutex
	now time.Time
}

// Now is where the clock stands.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Move moves it on.
func (c *Clock) Move(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(by)
}

// Start is where the clock of a test begins.
var Start = time.Date(2026, 10, 1, 15, 0, 0, 0, time.UTC)

// Open gives a migrated, empty database with a standing clock.
func Open(t testing.TB, options ...func(*storage.Options)) (*storage.DB, *Clock) {
	t.Helper()
	url := URL(t)
	return openAt(t, url, url, options...)
}

// openAt opens the database at an address; direct is the one without a proxy.
func openAt(t testing.TB, url, direct string, options ...func(*storage.Options)) (*storage.DB, *Clock) {
	t.Helper()
	clock := &Clock{now: Start}
	o := storage.Options{Connections: 8, Now: clock.Now, Log: slog.New(slog.DiscardHandler),
		Patience: time.Minute} // a machine under test is busy, and no database of it is away
	for _, option := range options {
		option(&o)
	}
	db, err := storage.Open(context.Background(), url, o)
	if err != nil {
		t.Fatal(err)
	}
	addresses.Store(db, direct)
	t.Cleanup(func() { addresses.Delete(db); db.Close() })
	return db, clock
}

var addresses sync.Map // of *storage.DB, to its owner's address

// AddressOf is the address of an opened database as its owner, for what the
// service itself may not do.
func AddressOf(db *storage.DB) string {
	address, _ := addresses.Load(db)
	return address.(string)
}

// World is one program with one contractor, its crew, an instrument, a home
// and a device, and a caller of each role.
type World struct {
	DB         *storage.DB
	Program    domain.UUID
	Admin      domain.Caller
	Staff      domain.Caller
	Field      domain.Caller // of Contractor, on Device
	Contractor domain.UUID
	Lead       domain.UUID
	Instrument domain.UUID
	Device     domain.UUID
	Home       domain.UUID
}

var programs atomic.Int64

// Program makes a program with what a job needs.
func Program(t testing.TB, db *storage.DB) *World {
	t.Helper()
	ctx := context.Background()
	w := &World{DB: db, Contractor: ID(), Lead: ID(), Instrument: ID(), Device: ID(), Home: ID()}
	code := fmt.Sprintf("TEST%d", programs.Add(1))
	w.Program = storage.ProgramID(code)
	err := db.CreateProgram(ctx, storage.Program{ID: w.Program, Code: code, Name: "Test program", TimeZone: "America/Los_Angeles"},
		ID(), ID(), &domain.RuleSet{Name: "first", FromOn: "2020-01-01"})
	if err != nil {
		t.Fatal(err)
	}
	w.Admin = Token(t, db, storage.Token{Role: domain.Admin, Name: "Ada Invented"}, w.Program)
	w.Staff = Token(t, db, storage.Token{Role: domain.Staff, Name: "Sam Invented"}, w.Program)
	number := 20
	w.Must(t, w.Staff,
		Item(t, w.Contractor, &domain.Contractor{Name: "Invented Sealing"}),
		Item(t, w.Lead, &domain.CrewMember{ContractorID: w.Contractor, Name: "Lee Invented", HomesLedBeforeCount: &number}),
		Item(t, ID(), &domain.Credential{CrewMemberID: &w.Lead, Credential: domain.DuctSealingCertificate, ValidFromOn: "2026-01-01", ValidUntilOn: "2027-12-31"}),
		Item(t, w.Instrument, &domain.Instrument{ContractorID: &w.Contractor, Instrument: domain.DuctFan, Serial: "F-1", CalibratedOn: "2026-01-01", CalibratedUntilOn: "2027-12-31"}),
		Item(t, w.Device, &domain.Device{ContractorID: &w.Contractor, Name: "phone 1", State: domain.DeviceActive}),
		Item(t, w.Home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}}),
	)
	w.Field = Token(t, db, storage.Token{Role: domain.Field, ContractorID: w.Contractor, DeviceID: w.Device}, w.Program)
	return w
}

// ID is a new id.
func ID() domain.UUID { return domain.UUID(uuid.Must(uuid.NewV7())) }

// Token makes a token and gives its caller.
func Token(t testing.TB, db *storage.DB, token storage.Token, program domain.UUID) domain.Caller {
	t.Helper()
	digest := sha256.Sum256([]byte(ID().String()))
	if _, err := db.CreateToken(context.Background(), program, digest, token); err != nil {
		t.Fatal(err)
	}
	caller, err := db.Authenticate(context.Background(), digest, program)
	if err != nil {
		t.Fatal(err)
	}
	return caller
}

// Item is a new record as it would arrive; On makes it a change of a version.
func Item(t testing.TB, id domain.UUID, record domain.Record) *intake.Item {
	t.Helper()
	item, err := intake.NewItem(record.Kind(), id, record)
	if err != nil {
		t.Fatal(err)
	}
	item.Raw = fmt.Appendf(nil, `{"kind":%q,"id":%q,"base_version":0,"record":%s}`, item.Kind, item.ID, item.Body)
	return item
}

// On makes the item a change of a stored version.
func On(item *intake.Item, base int64) *intake.Item {
	item.BaseVersion = base
	item.Raw = fmt.Appendf(nil, `{"kind":%q,"id":%q,"base_version":%d,"record":%s}`, item.Kind, item.ID, base, item.Body)
	return item
}

// Push sends items as the caller and keeps what is not accepted.
func (w *World) Push(t testing.TB, caller domain.Caller, items ...*intake.Item) storage.Pushed {
	t.Helper()
	for i, item := range items {
		item.SentBy(caller)
		item.Index, item.ReceivedAt = i, w.DB.Now()
	}
	pushed, err := w.DB.Push(context.Background(), caller, storage.Push{Items: items, ReceivedAt: w.DB.Now(), Hold: true})
	if err != nil {
		t.Fatal(err)
	}
	return pushed
}

// Must sends items that all have to be accepted.
func (w *World) Must(t testing.TB, caller domain.Caller, items ...*intake.Item) storage.Pushed {
	t.Helper()
	pushed := w.Push(t, caller, items...)
	for _, item := range pushed.Items {
		if !item.Status.Accepted() {
			t.Fatalf("%s %s: %s: %v", item.Item.Kind, item.Item.ID, item.Status, item.Problem)
		}
	}
	return pushed
}

// Job makes an assigned job of the world's contractor; change alters it first.
func (w *World) Job(t testing.TB, change ...func(*domain.Job)) domain.UUID {
	t.Helper()
	id := ID()
	job := &domain.Job{HomeID: w.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.Assigned}
	for _, c := range change {
		c(job)
	}
	w.Must(t, w.Staff, Item(t, id, job))
	return id
}
