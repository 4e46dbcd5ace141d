package migrations

import (
	"io/fs"
	"strings"
	"testing"

	"github.com/golang-migrate/migrate/v4"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// The real files go up, down to nothing, and up again.
func TestSchemaUpDownUp(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	if err := Up(t.Context(), address); err != nil {
		t.Fatal(err)
	}
	down(t, address)
	const objectsSQL = `
SELECT (SELECT count(*) FROM pg_class WHERE relnamespace = 'public'::regnamespace
           AND relname NOT LIKE 'schema_migrations%')
     + (SELECT count(*) FROM pg_proc WHERE pronamespace = 'public'::regnamespace)
     + (SELECT count(*) FROM pg_type WHERE typnamespace = 'public'::regnamespace AND typtype IN ('e', 'd'))`
	if n := number(t, dial(t, address), objectsSQL); n != 0 {
		t.Errorf("%d objects are left after all .down.sql", n)
	}
	if err := Up(t.Context(), address); err != nil {
		t.Fatal(err)
	}
	state, err := Status(t.Context(), address)
	if err != nil || state.Current != state.Newest || state.Newest == 0 || state.Dirty || state.Pending != nil {
		t.Errorf("the schema is at %+v, %v", state, err)
	}
}

func down(t *testing.T, address string) {
	t.Helper()
	config, err := pgx.ParseConfig(address)
	if err != nil {
		t.Fatal(err)
	}
	driver, err := migratepgx.WithInstance(stdlib.OpenDB(*config), &migratepgx.Config{})
	if err != nil {
		t.Fatal(err)
	}
	src, err := iofs.New(files, ".")
	if err != nil {
		t.Fatal(err)
	}
	m, err := migrate.NewWithInstance("iofs", src, "pgx5", driver)
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Down(); err != nil {
		t.Error(err)
	}
	if err1, err2 := m.Close(); err1 != nil || err2 != nil {
		t.Error(err1, err2)
	}
}

// A transaction of a file's own would part it from the note of its version.
func TestFilesHaveNoTransactionOfTheirOwn(t *testing.T) {
	names, err := fs.Glob(files, "*.sql")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(files, name)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range statements(string(text)) {
			switch first := strings.ToUpper(strings.Trim(strings.Fields(s.text)[0], ";")); first {
			case "BEGIN", "START", "COMMIT", "ROLLBACK", "SAVEPOINT":
				t.Errorf("%s, line %d: %s", name, s.line, first)
			}
		}
	}
}
