package storage_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// breaker ends the backend of a connection when a statement comes by: the
// server is gone and whether it carried out what it got is not known.
type breaker struct {
	url  string
	at   string // the statement
	once sync.Once
}

func (b *breaker) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return ctx
}
func (b *breaker) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (b *breaker) TraceBatchStart(ctx context.Context, conn *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	for _, q := range data.Batch.QueuedQueries {
		if b.at != "" && q.SQL == b.at {
			b.once.Do(func() { terminate(b.url, conn.PgConn().PID()) })
		}
	}
	return ctx
}
func (b *breaker) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (b *breaker) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

func terminate(url string, pid uint32) {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return // the test sees that nothing broke
	}
	_, _ = conn.Exec(ctx, "SELECT pg_terminate_backend($1, 5000)", int32(pid))
	_ = conn.Close(ctx)
}

// The connection breaks before the commit is sent: the answer says that the
// outcome is not known, and sending the same again ends in one of each.
func TestConnectionLostBeforeTheCommit(t *testing.T) {
	t.Parallel()
	b := &breaker{}
	url := storagetest.URL(t)
	db := openAt(t, url, func(o *storage.Options) { o.Tracer = b })
	w := storagetest.Program(t, db)
	items := w.WholeJob(t)
	b.url, b.at = url, "COMMIT"
	_, err := db.Push(context.Background(), w.Field, stamp(w.Field, db.Now(), items))
	if domain.CodeOf(err) != domain.Overloaded {
		t.Fatalf("%v, want %s: send it again", err, domain.Overloaded)
	}
	for i, want := range []intake.Status{intake.Created, intake.Replayed} {
		for _, item := range w.Push(t, w.Field, copies(items)...).Items {
			if item.Status != want {
				t.Fatalf("try %d: %s %v, want %s", i+2, item.Status, item.Problem, want)
			}
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

// The commit is carried out and its answer lost: what is sent again is a replay.
func TestCommitAnswerLost(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	items := w.WholeJob(t)
	ctx, cancel := context.WithCancel(context.Background())
	lost := &afterCommit{cancel: cancel}
	second := openAt(t, url, func(o *storage.Options) { o.Tracer = lost })
	lost.armed = true
	if _, err := second.Push(ctx, w.Field, stamp(w.Field, db.Now(), items)); err != nil {
		t.Logf("the device sees: %v", err) // and throws the answer away in any case
	}
	for _, item := range w.Push(t, w.Field, copies(items)...).Items {
		if item.Status != intake.Replayed || item.Version != 1 {
			t.Fatalf("%s version %d %v, want replayed, 1", item.Status, item.Version, item.Problem)
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

// afterCommit gives up as soon as the commit is on its way back.
type afterCommit struct {
	breaker
	armed  bool
	cancel context.CancelFunc
}

func (a *afterCommit) TraceBatchEnd(_ context.Context, conn *pgx.Conn, _ pgx.TraceBatchEndData) {
	if a.armed && conn.PgConn().TxStatus() == 'I' {
		a.cancel()
	}
}

// Many devices send the same at once: one makes it, the others find it.
func TestSamePushFiftyTimesAtOnce(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	items := w.WholeJob(t)
	const devices = 50
	statuses := make([][]intake.Status, devices)
	errs := atOnce(devices, func(i int) error {
		pushed, err := db.Push(context.Background(), w.Field, stamp(w.Field, db.Now(), copies(items)))
		for _, item := range pushed.Items {
			statuses[i] = append(statuses[i], item.Status)
		}
		return err
	})
	created := make([]int, len(items))
	for i := range devices {
		if errs[i] != nil {
			t.Fatal(errs[i])
		}
		for n, status := range statuses[i] {
			switch status {
			case intake.Created:
				created[n]++
			case intake.Replayed:
			default:
				t.Fatalf("device %d, item %d: %s", i, n, status)
			}
		}
	}
	for n, count := range created {
		if count != 1 {
			t.Errorf("item %d was created %d times", n, count)
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

// One id, two contents, at once: one is created, the other is a conflict and
// held with its bytes.
func TestSameIDOtherContentAtOnce(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	for range 20 {
		id := storagetest.ID()
		items := []*intake.Item{
			storagetest.Item(t, id, &domain.Component{JobID: job, Component: domain.Boot}),
			storagetest.Item(t, id, &domain.Component{JobID: job, Component: domain.Riser}),
		}
		results := make([]storage.PushedItem, 2)
		for _, err := range atOnce(2, func(i int) error {
			pushed, err := db.Push(context.Background(), w.Field, stamp(w.Field, db.Now(), items[i:i+1]))
			if err == nil {
				results[i] = pushed.Items[0]
			}
			return err
		}) {
			if err != nil {
				t.Fatal(err)
			}
		}
		if results[0].Status == intake.Conflict {
			slices.Reverse(results)
		}
		if results[0].Status != intake.Created || results[1].Status != intake.Conflict || results[1].Current != 1 || results[1].HeldID.IsZero() ||
			results[1].Entry == nil || string(results[1].Entry.Body) != string(results[0].Item.Body) {
			t.Fatalf("%s, and %s current %d held %s", results[0].Status, results[1].Status, results[1].Current, results[1].HeldID)
		}
		held, err := db.HeldItem(context.Background(), w.Staff, results[1].HeldID)
		if err != nil || string(held.Bytes) != string(results[1].Item.Raw) {
			t.Fatalf("held %s, %v, want %s", held.Bytes, err, results[1].Item.Raw)
		}
	}
}

// Pushes that touch the same jobs, records and new ids in opposite order cross
// each other: none is lost, none waits for ever.
func TestCrossingPushes(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	var jobs []domain.UUID
	for range 4 {
		jobs = append(jobs, w.Job(t))
	}
	const rounds = 8
	for round := range rounds {
		var made []domain.UUID
		for range 12 {
			made = append(made, storagetest.ID())
		}
		batch := func(number int) (items []*intake.Item) {
			for i, id := range made {
				items = append(items, storagetest.Item(t, id, &domain.Component{JobID: jobs[i%len(jobs)], Component: domain.Boot, Number: new(number)}))
			}
			return append(items, storagetest.On(storagetest.Item(t, w.Home, &domain.Home{SectionCount: 1, Park: fmt.Sprintf("Park %d %d", round, number)}), int64(round+1)))
		}
		there, back := batch(1), batch(2)
		slices.Reverse(back)
		accepted := make([]int, 2)
		for _, err := range atOnce(2, func(i int) error {
			items := [][]*intake.Item{there, back}[i]
			pushed, err := db.Push(context.Background(), w.Staff, stamp(w.Staff, db.Now(), items))
			for _, item := range pushed.Items {
				if item.Status.Accepted() {
					accepted[i]++
				} else if item.Status != intake.Conflict {
					return fmt.Errorf("%s: %w", item.Status, item.Problem)
				}
			}
			return err
		}) {
			if err != nil {
				t.Fatal(err)
			}
		}
		// The jobs are locked together, so one push wins whole.
		if accepted[0]+accepted[1] != len(there) || accepted[0]*accepted[1] != 0 {
			t.Fatalf("round %d: %d and %d accepted of %d", round, accepted[0], accepted[1], len(there))
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

// atOnce runs do n times at once.
func atOnce(n int, do func(int) error) []error {
	errs := make([]error, n)
	start := make(chan struct{})
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() {
			<-start
			errs[i] = do(i)
		})
	}
	close(start)
	all.Wait()
	return errs
}

func copies(items []*intake.Item) []*intake.Item {
	list := make([]*intake.Item, len(items))
	for i, item := range items {
		list[i] = again(item)
	}
	return list
}

// openAt opens a database that other connections reach too.
func openAt(t testing.TB, url string, options ...func(*storage.Options)) *storage.DB {
	t.Helper()
	o := storage.Options{Connections: 8, Now: func() time.Time { return storagetest.Start }}
	for _, option := range options {
		option(&o)
	}
	db, err := storage.Open(context.Background(), url, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}
