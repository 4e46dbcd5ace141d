package device_test

import (
	"context"
	"encoding/json"
	"fmt"
	"github.com/jackc/pgx/v5"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/api/device"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// phone is a device of the world's contractor.
func phone(t *testing.T, a *apitest.API, change func(*device.Options)) *device.Device {
	t.Helper()
	o := device.Options{URL: a.URL, Token: a.Tokens[domain.Field], ID: a.Device, Now: a.Clock.Now, Rand: rand.New(rand.NewPCG(1, 2)),
		Wait: func(ctx context.Context, _ time.Duration) error { return ctx.Err() }}
	if change != nil {
		change(&o)
	}
	d, err := device.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func sync(t *testing.T, d *device.Device) {
	t.Helper()
	if err := d.Sync(context.Background()); err != nil {
		t.Fatal(err)
	}
}

// assign makes a job of the world's contractor.
func assign(t *testing.T, a *apitest.API) domain.UUID {
	t.Helper()
	id := storagetest.ID()
	answer := a.Do(domain.Staff, http.MethodPut, "/v1/jobs/"+id.String(), &domain.Job{HomeID: a.Home, ContractorID: a.Contractor, PayBasis: domain.Measured, State: domain.Assigned})
	if answer.Status != http.StatusCreated {
		t.Fatalf("assign: %d %s", answer.Status, answer.Body)
	}
	return id
}

func boot(job domain.UUID, number int) *domain.Component {
	return &domain.Component{JobID: job, Component: domain.Boot, Section: "A", Number: &number, Found: domain.FoundLeaky}
}

// versions counts what stands in the ledger of one job, by record.
func versions(t *testing.T, a *apitest.API, job domain.UUID) map[string]int {
	t.Helper()
	count := map[string]int{}
	after := "0"
	for {
		answer := a.Do(domain.Staff, http.MethodGet, "/v1/changes?limit=500&after="+after, nil)
		var feed struct {
			Items []struct {
				Kind  string
				ID    string
				JobID string `json:"job_id"`
			}
			NextAfter string `json:"next_after"`
			More      bool
		}
		if err := json.Unmarshal(answer.Body, &feed); err != nil {
			t.Fatal(err)
		}
		for _, item := range feed.Items {
			if item.JobID == job.String() {
				count[item.Kind+"/"+item.ID]++
			}
		}
		if !feed.More {
			return count
		}
		after = feed.NextAfter
	}
}

// Half of all replies are lost, requests come twice and late: everything
// arrives, and everything once.
func TestEverythingArrivesOnceOverABadLink(t *testing.T) {
	a := apitest.Serve(t)
	job := assign(t, a)
	for seed := range uint64(2) {
		d := phone(t, a, func(o *device.Options) {
			o.Link = &device.BadLink{Rand: rand.New(rand.NewPCG(seed, 1)), LoseReply: 0.5, Repeat: 0.3, Late: 0.3}
			o.BatchItems, o.Tries = 7, 50
		})
		if err := d.Pull(context.Background()); err != nil {
			t.Fatal(err)
		}
		wrote := map[string]bool{}
		for i := range 40 {
			id := storagetest.ID()
			if err := d.Put(id, boot(job, int(seed)*40+i+1)); err != nil {
				t.Fatal(err)
			}
			wrote["component/"+id.String()] = true
		}
		sync(t, d)
		if d.Pending() != 0 || len(d.Troubles()) > 0 {
			t.Errorf("seed %d: %d pending, troubles %v", seed, d.Pending(), d.Troubles())
		}
		stands := versions(t, a, job)
		for key := range wrote {
			if stands[key] != 1 {
				t.Errorf("seed %d: %s stands %d times", seed, key, stands[key])
			}
		}
		if cured, err := d.Check(context.Background()); err != nil || cured != 0 {
			t.Errorf("seed %d: the sums differ: %d cured, %v", seed, cured, err)
		}
	}
}

// What was under way when the phone died is sent again as it was.
func TestARestartSendsAgain(t *testing.T) {
	a := apitest.Serve(t)
	job := assign(t, a)
	file := device.File(filepath.Join(t.TempDir(), "outbox"))
	id := storagetest.ID()
	dying := phone(t, a, func(o *device.Options) {
		o.Journal, o.Tries = file, 1
		o.Link = &device.BadLink{Rand: rand.New(rand.NewPCG(1, 1)), LoseReply: 1}
	})
	if err := dying.Put(id, boot(job, 1)); err != nil {
		t.Fatal(err)
	}
	if err := dying.Push(context.Background()); err == nil {
		t.Fatal("no reply came, and no error")
	}
	again := phone(t, a, func(o *device.Options) { o.Journal = file })
	changed := boot(job, 1)
	changed.Found = domain.FoundDetached
	if err := again.Put(id, changed); err != nil { // waits until the older content is answered
		t.Fatal(err)
	}
	sync(t, again)
	if n := versions(t, a, job)["component/"+id.String()]; n != 2 || len(again.Troubles()) > 0 {
		t.Errorf("%d versions, troubles %v", n, again.Troubles())
	}
	if err := again.Compact(file); err != nil {
		t.Fatal(err)
	}
	third := phone(t, a, func(o *device.Options) { o.Journal = file })
	if _, version, ok := third.Record(domain.ComponentKind, id); !ok || version != 2 || third.Pending() != 0 {
		t.Errorf("after a restart: version %d, %d pending", version, third.Pending())
	}
}

// A phone died in the middle of a line of its journal. What it writes after its
// restart is there after the next one, and what was half written is not.
func TestAJournalGoesOnAfterHalfALine(t *testing.T) {
	file := device.File(filepath.Join(t.TempDir(), "outbox"))
	opened := func() *device.Device {
		t.Helper()
		d, err := device.Open(device.Options{URL: "http://invented.example", Token: "invented", Journal: file})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	for n := range 3 {
		if err := opened().Put(storagetest.ID(), boot(storagetest.ID(), n+1)); err != nil {
			t.Fatal(err)
		}
		journal, err := os.OpenFile(string(file), os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := journal.WriteString(`{"note":{"kind":"comp`); err != nil {
			t.Fatal(err)
		}
		if err := journal.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if pending := opened().Pending(); pending != 3 {
		t.Errorf("%d records wait to be sent, three were written", pending)
	}
}

// Two phones of one contractor change one boot: fields that only one of them
// changed are merged; one that both changed stays as it stands and is shown.
func TestTwoPhonesChangeOneRecord(t *testing.T) {
	a := apitest.Serve(t)
	job := assign(t, a)
	other := storagetest.ID()
	if s := a.Do(domain.Staff, http.MethodPut, "/v1/devices/"+other.String(), &domain.Device{ContractorID: &a.Contractor, Name: "Invented phone 2", State: domain.DeviceActive}).Status; s != http.StatusCreated {
		t.Fatal(s)
	}
	token := a.Token(t, a.World.Program, storage.Token{Role: domain.Field, ContractorID: a.Contractor, DeviceID: other})
	one := phone(t, a, nil)
	two := phone(t, a, func(o *device.Options) { o.Token, o.ID = token, other })
	id := storagetest.ID()
	if err := one.Put(id, boot(job, 1)); err != nil {
		t.Fatal(err)
	}
	sync(t, one)
	sync(t, two)

	width, depth, place := 0.5, 0.25, 11.0
	write := func(d *device.Device, found domain.Found, gap, at *float64) {
		t.Helper()
		c := boot(job, 1)
		c.Found, c.WidestGapIn, c.PositionFt = found, gap, at
		if err := d.Put(id, c); err != nil {
			t.Fatal(err)
		}
	}
	write(one, domain.FoundLeaky, &width, nil)
	write(two, domain.FoundLeaky, nil, &place)
	sync(t, one)
	sync(t, two) // conflict, merged
	if len(two.Troubles()) > 0 || two.Pending() > 0 {
		t.Errorf("fields of one side each: %v, %d pending", two.Troubles(), two.Pending())
	}
	var merged domain.Component
	content, version, _ := two.Record(domain.ComponentKind, id)
	if err := json.Unmarshal(content, &merged); err != nil || version != 3 || merged.WidestGapIn == nil || merged.PositionFt == nil {
		t.Errorf("version %d: %s", version, content)
	}
	var held struct{ Items []json.RawMessage }
	if err := json.Unmarshal(a.Do(domain.Staff, http.MethodGet, "/v1/held", nil).Body, &held); err != nil || len(held.Items) != 0 {
		t.Errorf("%d items are held still, %v", len(held.Items), err)
	}

	sync(t, one)
	write(one, domain.FoundDetached, &width, &place)
	write(two, domain.FoundTight, &depth, &place)
	sync(t, one)
	sync(t, two)
	troubles := two.Troubles()
	if len(troubles) != 1 || len(troubles[0].Contested) != 1 && len(troubles[0].Contested) != 2 {
		t.Fatalf("troubles %v", troubles)
	}
	if c := troubles[0].Contested[0]; c.Field != "found" || string(c.Stands) != `"detached"` || string(c.Ours) != `"tight"` {
		t.Errorf("contested: %s: ours %s, stands %s", c.Field, c.Ours, c.Stands)
	}
}

// A job that was given to another contractor is gone from the phone, with the
// resident's contact.
func TestAJobThatLeavesIsDeleted(t *testing.T) {
	a := apitest.Serve(t)
	job := assign(t, a)
	if s := a.Do(domain.Staff, http.MethodPut, "/v1/homes/"+a.Home.String()+"/resident", `{"name":"Invented Resident"}`).Status; s != http.StatusOK && s != http.StatusCreated {
		t.Fatal(s)
	}
	journal := &device.Memory{}
	d := phone(t, a, func(o *device.Options) { o.Journal = journal })
	sync(t, d)
	if err := d.Put(storagetest.ID(), boot(job, 1)); err != nil {
		t.Fatal(err)
	}
	if jobs := d.Jobs(); len(jobs) != 1 || jobs[0] != job {
		t.Fatalf("jobs %v", jobs)
	}
	sync(t, d)
	another := storagetest.ID()
	a.Do(domain.Staff, http.MethodPut, "/v1/contractors/"+another.String(), `{"name":"Invented Sealing Co. 2"}`)
	moved := &domain.Job{HomeID: a.Home, ContractorID: another, PayBasis: domain.Measured, State: domain.Assigned}
	if s := a.Do(domain.Staff, http.MethodPut, "/v1/jobs/"+job.String(), moved, "If-Match", `"1"`).Status; s != http.StatusOK && s != http.StatusCreated {
		t.Fatal(s)
	}
	sync(t, d)
	if jobs := d.Jobs(); len(jobs) != 0 {
		t.Errorf("jobs %v", jobs)
	}
	if _, _, there := d.Record(domain.HomeKind, a.Home); there {
		t.Error("the home is still on the phone")
	}
}

// The service opens a new history, as after a restore: the phone sends what it
// keeps again, and nothing is made twice.
func TestANewEpochIsHealed(t *testing.T) {
	a := apitest.Serve(t)
	job := assign(t, a)
	d := phone(t, a, nil)
	sync(t, d)
	for i := range 5 {
		if err := d.Put(storagetest.ID(), boot(job, i+1)); err != nil {
			t.Fatal(err)
		}
	}
	sync(t, d)
	before := fmt.Sprint(versions(t, a, job))
	conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(a.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	// As if another device had noticed that history was lost.
	if _, err := conn.Exec(context.Background(), "UPDATE program_head SET epoch = $1, epoch_from_position = position, epoch_cause = 'device' WHERE program_id = $2",
		[16]byte(storagetest.ID()), [16]byte(a.World.Program)); err != nil {
		t.Fatal(err)
	}
	if err := d.Put(storagetest.ID(), boot(job, 6)); err != nil {
		t.Fatal(err)
	}
	sync(t, d)
	if d.Pending() != 0 || len(d.Troubles()) > 0 {
		t.Errorf("%d pending, troubles %v", d.Pending(), d.Troubles())
	}
	stands := versions(t, a, job)
	if len(stands) != 7 { // the job, five boots before, one after
		t.Errorf("before %s, now %v", before, stands)
	}
	for key, n := range stands {
		if n != 1 {
			t.Errorf("%s stands %d times", key, n)
		}
	}
}

// A cursor that the service does not know costs a pull from the beginning, and
// nothing else: no record is sent again, none is lost, what is unsent is sent.
func TestUnknownCursorPullsAfresh(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	job := assign(t, a)
	d := phone(t, a, nil)
	sync(t, d)
	for i := range 3 {
		if err := d.Put(storagetest.ID(), boot(job, i+1)); err != nil {
			t.Fatal(err)
		}
	}
	sync(t, d)
	if err := d.Put(storagetest.ID(), boot(job, 4)); err != nil {
		t.Fatal(err)
	}
	d.LoseCursor()
	sync(t, d)
	if d.Pending() != 0 || len(d.Troubles()) > 0 || d.Cursor() == "AAAA" {
		t.Errorf("%d pending, troubles %v, cursor %s", d.Pending(), d.Troubles(), d.Cursor())
	}
	for key, n := range versions(t, a, job) {
		if n != 1 {
			t.Errorf("%s stands %d times", key, n)
		}
	}
}
