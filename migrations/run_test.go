package migrations

import (
	"context"
	"io/fs"
	"reflect"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
)

// filesOf makes a folder of files from name, text pairs.
func filesOf(pairs ...string) fs.FS {
	m := fstest.MapFS{}
	for i := 0; i < len(pairs); i += 2 {
		m[pairs[i]] = &fstest.MapFile{Data: []byte(pairs[i+1])}
	}
	return m
}

func mustState(t *testing.T, from fs.FS, address string, want State) {
	t.Helper()
	got, err := status(t.Context(), from, address)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the schema is at %+v, want %+v", got, want)
	}
}

func TestUpAppliesWhatIsMissing(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	one := filesOf("000001_a.up.sql", "CREATE TABLE a (n int); INSERT INTO a VALUES (1);", "000001_a.down.sql", "DROP TABLE a;")
	two := filesOf("000001_a.up.sql", "SELECT this_was_applied();", "000003_b.up.sql", "INSERT INTO a VALUES (2)")

	mustState(t, one, address, State{Newest: 1, Pending: []string{"000001_a.up.sql"}})
	for range 2 { // the second time there is nothing to do
		if err := up(t.Context(), one, address); err != nil {
			t.Fatal(err)
		}
	}
	mustState(t, one, address, State{Current: 1, Newest: 1})
	mustState(t, two, address, State{Current: 1, Newest: 3, Pending: []string{"000003_b.up.sql"}})
	if err := up(t.Context(), two, strings.Replace(address, "postgres://", "pgx5://", 1)); err != nil {
		t.Fatal(err)
	}
	mustState(t, two, address, State{Current: 3, Newest: 3})
	if n := number(t, dial(t, address), "SELECT count(*) FROM a"); n != 2 {
		t.Errorf("%d rows", n)
	}
	if err := up(t.Context(), one, address); err == nil || !strings.Contains(err.Error(), "version 3") {
		t.Errorf("an older program said %v", err)
	}
}

func TestNoFiles(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	if err := up(t.Context(), filesOf(), address); err != nil {
		t.Error(err)
	}
	mustState(t, filesOf(), address, State{})
}

// A file that fails leaves nothing of itself, says where, and does not stand
// in the way of the mended one.
func TestFailedFileRollsBack(t *testing.T) {
	good := "CREATE TABLE a (n int CHECK (n < 9));"
	for _, c := range []struct {
		name, text, place string
	}{
		{"syntax", "CREATE TABLE b (n int);\n\nCREATE TABEL c (n int);", "000002_b.up.sql, line 3, statement 2 (CREATE TABEL c (n int);)"},
		{"at run time", "CREATE TABLE b (n int);\n-- why\nINSERT INTO a\n VALUES (10);\nSELECT 1;", "000002_b.up.sql, line 3, statement 2 (INSERT INTO a)"},
		{"unknown name", "SELECT 'é;' ; SELECT 1;\nSELECT\n  nothing FROM a;", "000002_b.up.sql, line 3, statement 3 (SELECT)"},
		{"in a body", "CREATE TABLE b ();\nDO $x$ BEGIN PERFORM 1; RAISE 'no'; END $x$;", "000002_b.up.sql, line 2, statement 2 (DO $x$"},
		{"after reads", "SELECT 1; SELECT 2 WHERE false; UPDATE a SET n = 1;\nDROP TABLE a; DROP TABLE a;", "000002_b.up.sql, line 2, statement 5 (DROP TABLE a;)"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			address := emptyDatabase(t)
			broken := filesOf("000001_a.up.sql", good, "000002_b.up.sql", c.text, "000003_c.up.sql", "SELECT 1")
			for range 2 { // the second time no "dirty" stands in the way
				err := up(t.Context(), broken, address)
				if err == nil || !strings.Contains(err.Error(), c.place) {
					t.Fatalf("said %v, want %s", err, c.place)
				}
			}
			mustState(t, broken, address, State{Current: 1, Newest: 3, Pending: []string{"000002_b.up.sql", "000003_c.up.sql"}})
			mended := filesOf("000001_a.up.sql", good, "000002_b.up.sql", "CREATE TABLE b (n int);", "000003_c.up.sql", "SELECT 1")
			if err := up(t.Context(), mended, address); err != nil {
				t.Fatal(err)
			}
			mustState(t, mended, address, State{Current: 3, Newest: 3})
		})
	}
}

// The first file of all can fail too: there is no version before it.
func TestFailedFirstFile(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	if err := up(t.Context(), filesOf("000001_a.up.sql", "CREATE TABLE a (); SELECT 1/0"), address); err == nil {
		t.Fatal("no error")
	}
	mended := filesOf("000001_a.up.sql", "CREATE TABLE a ()")
	mustState(t, mended, address, State{Newest: 1, Pending: []string{"000001_a.up.sql"}})
	if err := up(t.Context(), mended, address); err != nil {
		t.Fatal(err)
	}
}

// Killed between the note of a version and its file, or at any statement of
// it: the note says dirty and the file is not applied.
func TestKilledRunIsMended(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	files := filesOf("000001_a.up.sql", "CREATE TABLE a ()", "000002_b.up.sql", "CREATE TABLE b ()")
	if err := up(t.Context(), filesOf("000001_a.up.sql", "CREATE TABLE a ()"), address); err != nil {
		t.Fatal(err)
	}
	conn := dial(t, address)
	exec(t, conn, "UPDATE schema_migrations SET version = 2, dirty = true")
	mustState(t, files, address, State{Current: 2, Newest: 2, Dirty: true, Pending: []string{"000002_b.up.sql"}})
	if err := up(t.Context(), files, address); err != nil {
		t.Fatal(err)
	}
	mustState(t, files, address, State{Current: 2, Newest: 2})
	exec(t, conn, "SELECT FROM a, b")
}

// Killed after its file was applied: the version was noted with it, so the
// file does not run twice.
func TestFileAndVersionAreOneTransaction(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	conn := dial(t, address)
	// The second note of golang-migrate fails, as if we were killed before it.
	files := filesOf("000001_a.up.sql", `CREATE TABLE a (n int);
		INSERT INTO a VALUES (1);
		CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE 'killed'; END $$;
		CREATE TRIGGER killed BEFORE TRUNCATE ON schema_migrations EXECUTE FUNCTION refuse();`)
	if err := up(t.Context(), files, address); err == nil {
		t.Fatal("no error")
	}
	mustState(t, files, address, State{Current: 1, Newest: 1})
	exec(t, conn, "DROP TRIGGER killed ON schema_migrations")
	if err := up(t.Context(), files, address); err != nil {
		t.Fatal(err)
	}
	if n := number(t, conn, "SELECT count(*) FROM a"); n != 1 {
		t.Errorf("the file ran %d times", n)
	}
}

func TestRunsTakeTurns(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	// None can be repeated.
	files := filesOf(
		"000001_a.up.sql", "CREATE TABLE a (n int)",
		"000002_b.up.sql", "INSERT INTO a VALUES (1)",
		"000003_c.up.sql", "CREATE TABLE c ()")
	var all sync.WaitGroup
	for range 6 {
		all.Go(func() {
			if err := up(t.Context(), files, address); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	mustState(t, files, address, State{Current: 3, Newest: 3})
	if n := number(t, dial(t, address), "SELECT count(*) FROM a"); n != 1 {
		t.Errorf("the second file ran %d times", n)
	}
}

// A table in use is not waited for behind the backs of others: the file is
// rolled back, and tried again when the user has gone.
func TestLockIsTriedAgain(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	if err := up(t.Context(), filesOf("000001_a.up.sql", "CREATE TABLE a (n int)"), address); err != nil {
		t.Fatal(err)
	}
	user := dial(t, address)
	exec(t, user, "BEGIN")
	exec(t, user, "SELECT FROM a")

	files := filesOf("000001_a.up.sql", "", "000002_b.up.sql", "CREATE TABLE b (); ALTER TABLE a ADD m int")
	r, err := newRun(t.Context(), files, address)
	if err != nil {
		t.Fatal(err)
	}
	pauses := 0
	r.driver.pause = func(context.Context, int) error {
		pauses++
		exec(t, user, "COMMIT")
		return nil
	}
	if err := r.up(t.Context()); err != nil {
		t.Error(err)
	}
	if err := r.close(); err != nil {
		t.Error(err)
	}
	if pauses != 1 {
		t.Errorf("paused %d times", pauses)
	}
	mustState(t, files, address, State{Current: 2, Newest: 2})
}

func TestConcurrentlyStandsAlone(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	files := filesOf(
		"000001_a.up.sql", "CREATE TABLE a (n int)",
		"000002_i.up.sql", "-- locks nothing out\nCREATE INDEX CONCURRENTLY IF NOT EXISTS a_n ON a (n);")
	if err := up(t.Context(), files, address); err != nil {
		t.Fatal(err)
	}
	mustState(t, files, address, State{Current: 2, Newest: 2})
	err := up(t.Context(), filesOf("000001_a.up.sql", "", "000002_i.up.sql", "",
		"000003_j.up.sql", "CREATE INDEX CONCURRENTLY a_m ON a (n); SELECT 1"), address)
	if err == nil || !strings.Contains(err.Error(), "000003_j.up.sql: a statement CONCURRENTLY must stand alone") {
		t.Errorf("said %v", err)
	}
}

func TestCancelled(t *testing.T) {
	t.Parallel()
	address := emptyDatabase(t)
	files := filesOf("000001_a.up.sql", "CREATE TABLE a (); SELECT pg_sleep(600)")
	ctx, cancel := context.WithCancel(t.Context())
	watcher := dial(t, address)
	ended := make(chan error)
	go func() { ended <- up(ctx, files, address) }()
	for number(t, watcher, "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep' AND datname = current_database()") == 0 {
	}
	cancel()
	if err := <-ended; err == nil {
		t.Error("no error")
	}
	if err := up(t.Context(), filesOf("000001_a.up.sql", "CREATE TABLE a ()"), address); err != nil {
		t.Error(err)
	}
}

func TestBadNames(t *testing.T) {
	for _, files := range []fs.FS{
		filesOf("first.up.sql", ""),
		filesOf("000001_a.down.sql", ""),
	} {
		if _, err := versionsOf(files); err == nil {
			t.Errorf("%v are taken", files)
		}
	}
}
