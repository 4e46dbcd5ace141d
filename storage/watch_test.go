package storage_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/proxy"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// answerLimit is the time after which a database that hangs counts as away.
const answerLimit = 3 * time.Second

// A database that hangs ends what is under way, refuses what comes meanwhile
// without asking it, and serves again when it goes on. Within which time is
// judged where the machine is known to be calm: TestPostgresStandsStill of
// cmd/ductledger with -calm.
func TestDatabaseThatHangs(t *testing.T) {
	t.Parallel()
	db, _, link := storagetest.OpenBehind(t)
	w := storagetest.Program(t, db)
	ask := func() error { // one that hangs with the database is ended with another code
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
		defer cancel()
		_, err := db.Program(ctx, w.Program)
		return err
	}
	link.Hang()
	var all sync.WaitGroup
	for range 20 { // more than there are connections
		all.Go(func() {
			if err := ask(); domain.CodeOf(err) != domain.Overloaded {
				t.Error(err)
			}
		})
	}
	all.Wait()
	for range 10_000 { // each of which would wait for seconds, if it asked
		if err := ask(); domain.CodeOf(err) != domain.Overloaded {
			t.Fatalf("while it is away: %v", err)
		}
	}
	if err := db.Ping(t.Context()); domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("readiness says %v", err)
	}
	link.Resume()
	for range 6000 {
		if ask() == nil {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Home{SectionCount: 1}))
}

// A statement that takes long is no reason to think that the database hangs.
func TestDatabaseThatIsSlow(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t, func(o *storage.Options) { o.Connections, o.Patience = 2, 0 })
	w := storagetest.Program(t, db)
	owner, err := pgx.Connect(t.Context(), storagetest.AddressOf(db))
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(context.Background())
	lock, err := owner.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := lock.Exec(t.Context(), "LOCK TABLE program_head IN ACCESS EXCLUSIVE MODE"); err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		_, err := db.Push(context.Background(), w.Staff, storage.Push{Hold: true, ReceivedAt: db.Now()})
		done <- err
	}()
	select {
	case err := <-done:
		t.Fatalf("it ended while another held the lock: %v", err)
	case <-time.After(answerLimit):
	}
	if err := lock.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// A commit that the server does not answer as it should may have happened. It
// is answered so, and sent again it is found.
func TestOutcomeOfACommitUnknown(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name   string
		answer []byte
	}{
		{"panic", proxy.PostgresError("PANIC", "58030", `could not fsync file "000000010000000000000001": Input/output error`)},
		{"internal panic", proxy.PostgresError("PANIC", "XX000", "could not open a WAL segment")},
		{"administrator's command", proxy.PostgresError("FATAL", "57P01", "terminating connection due to administrator command")},
		{"I/O error", proxy.PostgresError("ERROR", "58030", "could not write")},
		{"silence", nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			db, _, link := storagetest.OpenBehind(t)
			w := storagetest.Program(t, db)
			item := storagetest.Item(t, storagetest.ID(), &domain.Home{SectionCount: 1})
			item.TokenID, item.ReceivedAt = w.Staff.Token, db.Now()
			batch := storage.Push{Items: []*intake.Item{item}, ReceivedAt: db.Now(), Hold: true}
			link.AnswerCommit(row.answer)
			_, err := db.Push(t.Context(), w.Staff, batch)
			if domain.CodeOf(err) != domain.Overloaded || !strings.Contains(err.Error(), "outcome is unknown: send it again") {
				t.Errorf("got %v", err)
			}
			pushed, err := db.Push(t.Context(), w.Staff, batch)
			if err != nil || pushed.Items[0].Status != intake.Replayed {
				t.Errorf("sent again: %v %+v", err, pushed.Items)
			}
		})
	}
}
