package device_test

import (
	"context"
	"log/slog"
	"net/http"
	"net/url"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// The database is set back to a copy that was made in the morning, under
// running phones. They notice, and what they keep comes back: edits of one
// record by both of them, a void, refused work. What the office alone knew is
// lost.
func TestARestoredDatabaseIsHealed(t *testing.T) {
	f := newFront(t, nil)
	g := scene(t, f.API)
	a, b := g.phones[0], g.phones[1]
	job := g.newJob(0)
	all(a, b)
	both, mine, voided, wrong := g.id(), g.id(), g.id(), g.id()
	a.write(both, boot(job, 1))
	all(a, b)

	address := storagetest.AddressOf(f.DB)
	f.DB.Close()
	copyOf := copyDatabase(t, address)
	f.serve(t, open(t, f, address), nil)

	edit := func(p *fieldPhone, found domain.Found) {
		c := boot(job, 1)
		c.Found = found
		p.must(p.Put(both, c))
	}
	edit(a, domain.FoundDetached)
	all(a, b)
	edit(b, domain.FoundTight)
	all(b, a)
	a.write(mine, boot(job, 2))
	a.write(voided, boot(job, 3))
	all(a, b)
	a.must(a.Void(domain.ComponentKind, voided, "counted twice"))
	crooked := boot(job, 4)
	crooked.Found = "crooked"
	b.write(wrong, crooked)
	all(a, b)
	lost := g.newJob(0) // the office's
	all(a, b)
	before := g.epoch()

	f.DB.Close()
	f.serve(t, open(t, f, copyOf), nil)
	g.era++
	g.restored = g.epoch()
	equal(t, "the copy's epoch", g.restored, before)
	unsent := g.id()
	b.write(unsent, boot(job, 5)) // written before B heard of it
	g.quiet()
	if g.epoch() == before {
		t.Error("nobody noticed")
	}
	var c domain.Component
	if g.read(domain.ComponentKind, both, &c); c.Found != domain.FoundTight && c.Found != domain.FoundDetached {
		t.Errorf("the record that both changed is %q", c.Found)
	}
	for what, id := range map[string]domain.UUID{"A's": mine, "B's": unsent, "voided": voided} {
		if g.read(domain.ComponentKind, id, &c) == 0 {
			t.Errorf("%s record is lost", what)
		}
	}
	equal(t, "jobs on A", a.Jobs(), []domain.UUID{job})
	equal(t, "versions of the voided record", g.read(domain.ComponentKind, voided, &c), 2)
	equal(t, "the office's job", g.read(domain.JobKind, lost, &domain.Job{}), 0)
	held := g.held("open")
	if len(held) != 1 || held[0].ID != wrong.String() {
		t.Errorf("held: %+v", held)
	}
	g.check()
}

// A phone was told by an answer, not by the feed, of a version that the
// database lost, and its own work on it was refused: neither stays on the phone.
func TestWhatAnAnswerToldOfIsLostToo(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a := g.phones[0]
	job := g.newJob(0)
	all(g.phones...)
	restore := g.backup()
	var content domain.Job
	g.read(domain.JobKind, job, &content)
	content.State, content.OutcomeReason = domain.InWork, "rain since noon"
	a.must(a.Put(job, &content))
	g.review(job, domain.Defer)
	a.must(a.Push(context.Background())) // the signal ends before the pull
	equal(t, "answers", a.told(domain.JobKind, job), []string{"conflict 0", "rejected 0"})
	restore()
	g.quiet()
	g.check()
}

// A phone wrote on a job that was accepted in a history that the phone does not
// know yet. One who reads from the beginning gets no drop: what the phone
// delivers yet goes out of sight all the same, and is kept by the service.
func TestWorkOnAJobThatLeftInAnotherHistory(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a, b := g.phones[0], g.phones[1]
	job := g.newJob(0)
	all(a, b)
	restore := g.backup()
	g.newJob(0)
	all(a, b)
	restore()
	late := g.id()
	a.write(late, boot(job, 1))
	b.sync()
	var done domain.Job
	g.read(domain.JobKind, job, &done)
	done.State, done.Outcome = domain.SentIn, domain.Completed
	b.must(b.Put(job, &done))
	b.sync()
	g.review(job, domain.Accept).Want(http.StatusCreated)
	next := g.newJob(0) // later than the drop: the cursor passes both
	g.quiet()
	equal(t, "jobs on A", a.Jobs(), []domain.UUID{next})
	if _, _, there := a.Record(domain.ComponentKind, late); there {
		t.Error("A shows a record of a job that left")
	}
	equal(t, "the late record", g.read(domain.ComponentKind, late, &domain.Component{}), 1)
	g.check()
}

// A record and its void are lost with the history, and what the record stands
// on is refused in the new one: both wait, and are not sent for ever.
func TestAVoidWaitsWithItsRecord(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a := g.phones[0]
	job := g.newJob(0)
	a.sync()
	restore := g.backup()
	component, opening := g.id(), g.id()
	a.write(component, boot(job, 1))
	a.write(opening, &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew, Target: &domain.Subject{Kind: domain.ComponentKind, ID: component}})
	a.sync()
	a.must(a.Void(domain.OpeningKind, opening, "never cut"))
	restore()
	g.moveJob(job, func(j *domain.Job) { j.ContractorID = g.contractors[1] })
	g.quiet()
	equal(t, "component", a.told(domain.ComponentKind, component), []string{"created 1", "rejected 0"})
	equal(t, "opening", a.told(domain.OpeningKind, opening), []string{"created 1", "waiting 0", "waiting 0", "waiting 0"})
	g.check()
}

// backup keeps the program as it is; restore sets it back, as an operator
// does who tells the service.
func (g *agency) backup() (restore func()) {
	g.t.Helper()
	v := openVault(g.t, g.a.DB)
	number := v.save(g.t, g.program)
	return func() {
		g.t.Helper()
		v.restore(g.t, g.program, number)
		v.newEpoch(g.t, g.program, g.id())
		g.era, g.named, g.restored = g.era+1, true, g.epoch()
	}
}

func open(t *testing.T, f *front, address string) *storage.DB {
	t.Helper()
	db, err := storage.Open(context.Background(), address, storage.Options{Connections: 4, Now: f.Clock.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}

// copyDatabase copies a database to which nobody is connected, and gives the
// copy's address.
func copyDatabase(t *testing.T, address string) string {
	t.Helper()
	ctx := context.Background()
	config, err := pgx.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	name := config.Database
	config.Database = "postgres"
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		t.Fatal(err)
	}
	identifier := pgx.Identifier{name + "_morning"}.Sanitize()
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+identifier+" TEMPLATE "+pgx.Identifier{name}.Sanitize()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := conn.Exec(ctx, "DROP DATABASE "+identifier+" WITH (FORCE)"); err != nil {
			t.Error(err)
		}
		_ = conn.Close(ctx)
	})
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	u.Path = "/" + name + "_morning"
	return u.String()
}
