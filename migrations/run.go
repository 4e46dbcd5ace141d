package migrations

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

const (
	lockTimeout      = "1s"         // of one statement, for a lock on a table that is in use
	statementTimeout = "15min"      // of one statement; a rewrite of a large table takes minutes
	turnKey          = 0x6475637401 // of the advisory lock on which runs wait for each other ("duct", 1)
	lockAttempts     = 8            // of one file, when a lock was not to be had
	firstPause       = 250 * time.Millisecond
	longestPause     = 8 * time.Second
	closeTimeout     = 5 * time.Second
	lockNotAvailable = "55P03"
)

// run applies files. golang-migrate keeps the order and the version; two things
// are ours. Runs take turns on a lock that ends with the connection, so a dirty
// version seen in our turn was left by a run that is dead, and its file, being
// one transaction with the note that it is done, was not applied: the version
// before is put back, and the file runs again. And the file is run here, to
// tell which statement failed.
type run struct {
	versions []version
	from     fs.FS
	turn     *pgx.Conn // holds the turn and runs the files
	migrate  *migrate.Migrate
	driver   *driver
}

func newRun(ctx context.Context, from fs.FS, databaseURL string) (*run, error) {
	versions, err := versionsOf(from)
	if err != nil {
		return nil, err
	}
	address, err := plainAddress(databaseURL)
	if err != nil {
		return nil, err
	}
	config, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, fmt.Errorf("cannot read the database's address: %w", err)
	}
	turn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("cannot connect to migrate the schema: %w", err)
	}
	r := &run{versions: versions, from: from, turn: turn}
	if err := r.open(ctx, config); err != nil {
		return nil, errors.Join(err, r.close())
	}
	return r, nil
}

// open waits for the turn, then opens golang-migrate, which makes its table.
func (r *run) open(ctx context.Context, config *pgx.ConnConfig) error {
	if _, err := r.turn.Exec(ctx, "SELECT pg_advisory_lock($1)", int64(turnKey)); err != nil {
		return fmt.Errorf("cannot wait for another migration to end: %w", err)
	}
	own := config.Copy()
	own.RuntimeParams["lock_timeout"] = lockTimeout
	db := stdlib.OpenDB(*own)
	inner, err := migratepgx.WithInstance(db, &migratepgx.Config{})
	if err != nil {
		return errors.Join(fmt.Errorf("cannot open the table of versions: %w", err), closeDB(db))
	}
	src, err := iofs.New(r.from, ".")
	if err != nil {
		return errors.Join(err, inner.Close())
	}
	r.driver = &driver{Driver: inner, conn: r.turn, pause: pause}
	r.migrate, err = migrate.NewWithInstance("iofs", src, "pgx5", r.driver)
	return err
}

func closeDB(db *sql.DB) error { return db.Close() }

func (r *run) close() error {
	var errs []error
	if r.migrate != nil {
		err1, err2 := r.migrate.Close()
		errs = append(errs, err1, err2)
	}
	ctx, cancel := context.WithTimeout(context.Background(), closeTimeout)
	defer cancel()
	_ = r.turn.Close(ctx) // the lock ends with it; a canceled run has closed it already
	return errors.Join(errs...)
}

// up goes one file at a time: golang-migrate reads ahead, and what it has read
// and not run would stay behind as blocked goroutines when a file fails.
func (r *run) up(ctx context.Context) error {
	r.driver.ctx = ctx
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		next, err := r.next()
		if err != nil || next == nil {
			return err
		}
		r.driver.file = next.file
		if err := r.migrate.Steps(1); err != nil {
			// Where the connection is gone too, the next run does this.
			return errors.Join(err, r.restore())
		}
	}
}

// next is the first version that is not applied, nil when there is none.
func (r *run) next() (*version, error) {
	if err := r.restore(); err != nil {
		return nil, err
	}
	current, _, err := r.migrate.Version()
	if err != nil && !errors.Is(err, migrate.ErrNilVersion) {
		return nil, fmt.Errorf("cannot read the schema's version: %w", err)
	}
	for i := range r.versions {
		if r.versions[i].number > current {
			return &r.versions[i], nil
		}
	}
	if newest := r.newest(); current > newest {
		return nil, fmt.Errorf("the database's schema is version %d, and this program knows none after %d: use the newer program", current, newest)
	}
	return nil, nil
}

func (r *run) newest() uint {
	if len(r.versions) == 0 {
		return 0
	}
	return r.versions[len(r.versions)-1].number
}

// restore takes back the note of a version whose file was not applied.
func (r *run) restore() error {
	current, dirty, err := r.migrate.Version()
	if errors.Is(err, migrate.ErrNilVersion) || err == nil && !dirty {
		return nil
	}
	if err != nil {
		return fmt.Errorf("cannot read the schema's version: %w", err)
	}
	before := database.NilVersion
	for _, v := range r.versions {
		if v.number < current {
			before = int(v.number)
		}
	}
	if err := r.migrate.Force(before); err != nil {
		return fmt.Errorf("cannot put the schema's version back: %w", err)
	}
	return nil
}

// driver is golang-migrate's, except that it runs files on the connection that
// holds the turn.
type driver struct {
	database.Driver
	conn  *pgx.Conn
	ctx   context.Context // of Up: golang-migrate passes none on
	file  string
	pause func(ctx context.Context, attempt int) error
}

// markSQL ends each file: what the file does and that it is done are one
// transaction.
const markSQL = "\n;UPDATE schema_migrations SET dirty = false"

// Run applies one file, and tries again when a lock was not to be had.
func (d *driver) Run(body io.Reader) error {
	text, err := io.ReadAll(body)
	if err != nil {
		return err
	}
	list := statements(string(text))
	full, locks, limit := string(text)+markSQL, lockTimeout, statementTimeout
	if concurrent(list) {
		if len(list) > 1 {
			return fmt.Errorf("migrations/%s: a statement CONCURRENTLY must stand alone in its file", d.file)
		}
		// It waits for every transaction that began before it, and blocks no one.
		full, locks, limit = string(text), "0", "0"
	}
	for _, setting := range []string{"SET lock_timeout = '" + locks + "'", "SET statement_timeout = '" + limit + "'"} {
		if _, err := d.conn.Exec(d.ctx, setting); err != nil {
			return err
		}
	}
	for attempt := 1; ; attempt++ {
		done, err := d.execute(full)
		var refused *pgconn.PgError
		switch {
		case err == nil:
			return nil
		case errors.As(err, &refused) && refused.Code == lockNotAvailable && attempt < lockAttempts:
			if err := d.pause(d.ctx, attempt); err != nil {
				return err
			}
		default:
			return fmt.Errorf("migrations/%s, %s: %w; the file was rolled back", d.file, place(string(text), list, done, refused), err)
		}
	}
}

// execute sends the text as one message, which Postgres runs as one
// transaction, and returns how many statements it finished.
func (d *driver) execute(text string) (done int, err error) {
	results := d.conn.PgConn().Exec(d.ctx, text)
	for results.NextResult() {
		if _, err := results.ResultReader().Close(); err == nil {
			done++
		}
	}
	return done, results.Close()
}

// pause doubles from attempt to attempt. By then the transaction is rolled
// back and holds nothing.
func pause(ctx context.Context, attempt int) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(min(firstPause<<(attempt-1), longestPause)):
		return nil
	}
}
