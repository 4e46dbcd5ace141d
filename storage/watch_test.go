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

// answerLimit is the time within which everybody is told that the database is
// away.
const answerLimit = 3 * time.Second

// A database that hangs ends what is under way within three seconds, refuses
// what comes meanwhile at once, and serves again when it goes on.
func TestDatabaseThatHangs(t *testing.T) {
	t.Parallel()
	db, _, link := storagetest.OpenBehind(t)
	w := storagetest.Program(t, db)
	ask := func() (time.Duration, error) {
		began := time.Now()
		ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
		defer cancel()
		_, err := db.Program(ctx, w.Program)
		return time.Since(began), err
	}
	link.Hang()
	var all sync.WaitGroup
	for range 20 { // more than there are connections
		all.Go(func() {
			if took, err := ask(); domain.CodeOf(err) != domain.Overloaded || took > answerLimit {
				t.Errorf("after %s: %v", took, err)
			}
		})
	}
	all.Wait()
	for range 1000 {
		if took, err := ask(); domain.CodeOf(err) != domain.Overloaded || took > answerLimit/10 {
			t.Fatalf("while it is away, after %s: %v", took, err)
		}
	}
	if err := db.Ping(t.Context()); domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("readiness says %v", err)
	}
	link.Resume()
	healed := time.Now()
	for {
		if _, err := ask(); err == nil {
			break
		}
		if time.Since(healed) > 5*time.Second {
			t.Fatal("it does not serve again")
		}
		time.Sleep(10 * time.Millisecond)
	}
	w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Home{SectionCount: 1}))
}

// A statement that takes long is no reason to think that the database hangs.
func TestDatabaseThatIsSlow(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t, func(o *storage.Options) { o.Connections = 2 })
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
