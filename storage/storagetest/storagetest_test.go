package storagetest

import (
	"context"
	"os"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/testcontainers/testcontainers-go"

	"ductledger/migrations"
)

func TestMain(m *testing.M) { Main(m) }

// Each test sees the newest schema, and none sees another's rows.
func TestURLGivesAMigratedDatabaseOfItsOwn(t *testing.T) {
	for _, name := range []string{"one", "two", "three"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			address := URL(t)
			state, err := migrations.Status(t.Context(), address)
			if err != nil {
				t.Fatal(err)
			}
			if state.Current != state.Newest || state.Newest == 0 || state.Dirty || len(state.Pending) > 0 {
				t.Errorf("the schema is at %+v", state)
			}
			conn := dial(t, address)
			// Fails if another of the three had made it here.
			if _, err := conn.Exec(t.Context(), "CREATE TABLE mark (name text)"); err != nil {
				t.Error(err)
			}
		})
	}
}

// A database goes when its test ends, although something is still connected.
func TestURLDropsTheDatabase(t *testing.T) {
	var address string
	t.Run("user", func(t *testing.T) {
		address = URL(t)
		conn, err := pgx.Connect(t.Context(), address)
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.Ping(t.Context()); err != nil { // and stays open
			t.Fatal(err)
		}
	})
	if conn, err := pgx.Connect(t.Context(), address); err == nil {
		_ = conn.Close(t.Context())
		t.Error("the database is still there")
	}
}

// The way by a container works where there is an engine. CI brings one, with
// the image's name: there it must not be skipped.
func TestContainer(t *testing.T) {
	must := os.Getenv("CI") == "true" && os.Getenv("POSTGRES_IMAGE") != ""
	if reason := engineMissing(t.Context()); reason != "" {
		if must {
			t.Fatalf("CI names an image, but no container engine answers: %s", reason)
		}
		t.Skipf("no container engine answers: %s", reason)
	}
	address, end, err := container(t.Context())
	if err != nil {
		if !must && os.Getenv("POSTGRES_IMAGE") == "" {
			t.Skipf("no POSTGRES_IMAGE is set and the default is not to be had: %v", err)
		}
		t.Fatal(err)
	}
	s := &server{end: end}
	defer func() {
		if err := s.stop(); err != nil {
			t.Error(err)
		}
	}()
	if err := s.open(t.Context(), address); err != nil {
		t.Fatal(err)
	}
	if err := s.migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	name, err := s.clone(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	state, err := migrations.Status(t.Context(), s.cluster.URL(name))
	if err != nil || state.Current != state.Newest {
		t.Errorf("the schema in the container is at %+v, %v", state, err)
	}
}

// engineMissing asks as testcontainers-go does; it panics where there is none.
func engineMissing(ctx context.Context) (reason string) {
	defer func() {
		if r := recover(); r != nil {
			reason = "testcontainers-go finds none"
		}
	}()
	provider, err := testcontainers.ProviderDefault.GetProvider()
	if err != nil {
		return err.Error()
	}
	defer func() { _ = provider.Close() }()
	if err := provider.Health(ctx); err != nil {
		return err.Error()
	}
	return ""
}

// Many at once get different databases.
func TestURLInParallel(t *testing.T) {
	const tests = 8
	var mu sync.Mutex
	seen := map[string]bool{}
	t.Run("group", func(t *testing.T) {
		for range tests {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				address := URL(t)
				mu.Lock()
				defer mu.Unlock()
				seen[address] = true
			})
		}
	})
	if len(seen) != tests {
		t.Errorf("%d tests got %d databases", tests, len(seen))
	}
}

func dial(t *testing.T, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func BenchmarkURL(b *testing.B) {
	for b.Loop() {
		URL(b)
	}
}
