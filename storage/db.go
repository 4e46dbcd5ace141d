package storage

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"ductledger/domain"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// DB is a pool of connections that work as the role ductledger_app.
type DB struct {
	pool   *pgxpool.Pool
	watch  *watch
	limits Limits
	now    func() time.Time
	log    *slog.Logger
	// plansFor is how long a connection keeps its plans.
	plansFor time.Duration
	signals  sync.Map // chan struct{} by name
	// historyKeys are those of the programs that were served: []byte by id.
	historyKeys sync.Map
}

// Options of Open.
type Options struct {
	Connections int              // at most; 0: 16
	Now         func() time.Time // the one clock
	Log         *slog.Logger     // nil: none
	Limits      Limits
	Tracer      pgx.QueryTracer // counts statements in tests; nil: none
	// CommitAhead lets commits return before they are on the disk: for what can
	// be made again.
	CommitAhead bool
	// PlansFor is how long a connection keeps its plans; 0: a minute.
	PlansFor time.Duration
}

// Limits bound what may be stored. Zero: no bound.
type Limits struct {
	HeldItems, HeldTokenItems int64 // open held items of a program, and from one token
	HeldBytes, HeldTokenBytes int64
	JobRecords                int64 // of one job
}

// Open connects to a migrated database. Every connection gives up the rights
// of its login at once: the service owns nothing and row security holds.
func Open(ctx context.Context, url string, o Options) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, errors.New("the database's address cannot be read") // pgx's text would carry the password
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	config.MaxConns = 16
	if o.Connections > 0 {
		config.MaxConns = int32(o.Connections)
	}
	config.ConnConfig.ConnectTimeout = 5 * time.Second
	config.ConnConfig.Tracer = o.Tracer
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	if config.ConnConfig.RuntimeParams["application_name"] == "" {
		config.ConnConfig.RuntimeParams["application_name"] = "ductledger"
	}
	if o.CommitAhead {
		config.ConnConfig.RuntimeParams["synchronous_commit"] = "off"
	}
	config.AfterConnect = func(ctx context.Context, conn *pgx.Conn) error {
		// Rows are looked up by id on disks without a head to move, or in memory.
		// A plan without scans looks costly where a table is small, and compiling
		// it would cost far more than running it.
		_, err := conn.Exec(ctx, "SET ROLE ductledger_app; SET random_page_cost = 1.1; SET jit = off")
		return err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open the pool: %w", err)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &DB{pool: pool, watch: newWatch(config.ConnConfig, o.Log), limits: o.Limits, now: o.Now, log: o.Log,
		plansFor: cmp.Or(o.PlansFor, plansFor)}, nil
}

// Close gives all connections back.
func (db *DB) Close() {
	db.watch.close()
	db.pool.Close()
}

// Ping tells whether the database answers.
func (db *DB) Ping(ctx context.Context) error {
	ctx, leave, err := db.watch.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	return db.pool.Ping(ctx)
}

// Now is the moment by the one clock.
func (db *DB) Now() time.Time { return db.now() }

// Log is where the loops of the rooms write.
func (db *DB) Log() *slog.Logger { return db.log }

// Signal is a channel with one place by which a room wakes its own loop on this
// instance.
func (db *DB) Signal(name string) chan struct{} {
	signal, _ := db.signals.LoadOrStore(name, make(chan struct{}, 1))
	return signal.(chan struct{})
}

// Mode is what a transaction may do and how the server plans it.
type Mode struct {
	begin            string
	cacheMode, scans string
}

// What looks rows up by their keys is planned once for all and never reads a
// table from end to end: a push and a pull touch some hundred rows of tables
// that grow for ever, so such a plan is wrong however small the table still is,
// and planning anew each time costs more than running. A survey reads much, and
// is planned each time by its filters and the statistics.
var (
	Reading  = Mode{"BEGIN ISOLATION LEVEL READ COMMITTED READ ONLY", "force_generic_plan", "off"}
	Snapshot = Mode{"BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY", "force_generic_plan", "off"}
	Survey   = Mode{"BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY", "force_custom_plan", "on"}
	Writing  = Mode{"BEGIN ISOLATION LEVEL READ COMMITTED", "force_generic_plan", "off"}
)

// Tx is one transaction of one program. Statements are queued and go out
// together: a flush is one round trip.
type Tx struct {
	Ctx     context.Context
	conn    *pgx.Conn
	Program domain.UUID
	Now     time.Time // one moment for all that the transaction writes
	watch   *watch
	limits  *Limits
	queued  *pgx.Batch
	ended   bool
	discard bool // roll back in the end, though nothing failed
}

// transactionTries is how often a transaction is run that lost a race.
const transactionTries = 3

// raceWait lets the faster transaction commit before the slower is run again.
const raceWait = 10 * time.Millisecond

// In runs do in a transaction of the program and commits unless do ended it.
// A transaction that lost a race (serialization, deadlock, another's newer
// version) or its connection before the commit was sent is run again as a
// whole, at most three times; nothing left it.
func (db *DB) In(ctx context.Context, program domain.UUID, m Mode, do func(*Tx) error) error {
	ctx, leave, err := db.watch.enter(ctx)
	if err != nil {
		return err
	}
	defer leave()
	for try := 1; ; try++ {
		err := db.once(ctx, program, m, do)
		if errors.Is(err, errOvertaken) && ctx.Err() == nil {
			try-- // another one went before: as many as there are
			continue
		}
		if err == nil || try == transactionTries || ctx.Err() != nil || !raceLost(err) && !connectionLost(err) {
			return db.watch.explain(ctx, err)
		}
		select {
		case <-ctx.Done():
			return db.watch.explain(ctx, err)
		case <-time.After(time.Duration(try) * raceWait):
		}
	}
}

// plansFor is how long plans are kept. One that was made while a table was
// empty, when every index looks as good as another, would else be kept until
// somebody analyzes the table, and read ever more of it. To plan all statements
// again takes a few hundredths of a second.
const plansFor = time.Minute

const plannedAt = "ductledger.planned_at"

// planAnew queues the end of a connection's plans where they are too old.
func (t *Tx) planAnew(keep time.Duration) {
	made, _ := t.conn.PgConn().CustomData()[plannedAt].(time.Time)
	if now := time.Now(); now.Sub(made) > keep {
		t.conn.PgConn().CustomData()[plannedAt] = now
		t.Queue("DISCARD PLANS")
	}
}

const transactionBeginSQL = `
SELECT set_config('ductledger.program', $1, true), set_config('statement_timeout', $2, true), set_config('plan_cache_mode', $3, true),
    set_config('enable_seqscan', $4, true), set_config('enable_hashjoin', $4, true), set_config('enable_mergejoin', $4, true)`

func (db *DB) once(ctx context.Context, program domain.UUID, m Mode, do func(*Tx) error) (err error) {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("acquire a connection: %w", err)
	}
	defer conn.Release()
	t := &Tx{Ctx: ctx, conn: conn.Conn(), watch: db.watch, limits: &db.limits, Program: program, Now: db.now().UTC().Truncate(time.Microsecond), queued: &pgx.Batch{}}
	t.Queue(m.begin)
	t.planAnew(db.plansFor)
	t.Queue(transactionBeginSQL, program.String(), statementTimeout(ctx), m.cacheMode, m.scans)
	done := false
	defer func() {
		if !done || err != nil || t.discard {
			t.rollback()
		}
	}()
	err = do(t)
	done = true
	if err == nil && !t.ended && !t.discard {
		err = t.Commit()
	}
	return err
}

// statementTimeout is shorter than the request's own limit, so that the
// database ends a runaway statement before its caller stops waiting.
func statementTimeout(ctx context.Context) string {
	const limit, margin = 30 * time.Second, 200 * time.Millisecond
	left := limit
	if deadline, ok := ctx.Deadline(); ok {
		left = min(left, max(time.Until(deadline)-margin, time.Millisecond))
	}
	return fmt.Sprintf("%dms", left.Milliseconds())
}

// Queue appends a statement to the next flush.
func (t *Tx) Queue(sql string, args ...any) *pgx.QueuedQuery {
	return t.queued.Queue(sql, args...)
}

// Flush sends what is queued in one round trip and runs its callbacks.
func (t *Tx) Flush() error {
	batch := t.queued
	t.queued = &pgx.Batch{}
	if batch.Len() == 0 {
		return nil
	}
	err := t.conn.SendBatch(t.Ctx, batch).Close()
	t.watch.noteAnswer(err)
	return err
}

// Discard rolls the transaction back in the end, though nothing failed.
func (t *Tx) Discard() { t.discard = true }

// Commit flushes what is queued together with the commit. When the connection
// is lost while the answer is awaited, the commit may have happened.
func (t *Tx) Commit() error {
	t.ended = true
	t.Queue("COMMIT")
	if err := t.Flush(); err != nil {
		return maybeCommitted(err)
	}
	return nil
}

// rollback ends the transaction without a trace. A connection that is broken
// or still busy is closed by the pool.
func (t *Tx) rollback() {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Ctx), time.Second)
	defer cancel()
	if t.conn.IsClosed() || t.conn.PgConn().TxStatus() == 'I' {
		return
	}
	if err := t.conn.PgConn().Exec(ctx, "ROLLBACK").Close(); err != nil {
		_ = t.conn.Close(ctx) // the transaction ends with its connection
	}
}

// All queues a query and collects its rows into *into.
func All[T any](t *Tx, into *[]T, sql string, args ...any) {
	t.Queue(sql, args...).Query(func(rows pgx.Rows) (err error) {
		*into, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return err
	})
}

// One queues a query for at most one row; *into stays nil when there is none.
func One[T any](t *Tx, into **T, sql string, args ...any) {
	t.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		row, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[T])
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		*into = row
		return err
	})
}

// Query sends what is queued and then one query, whose rows the caller reads one
// after the other.
func (t *Tx) Query(sql string, args Args) (pgx.Rows, error) {
	if err := t.Flush(); err != nil {
		return nil, err
	}
	return t.conn.Query(t.Ctx, sql, args)
}

// Each runs a query and calls use with one row after the other.
func Each[T any](t *Tx, sql string, args Args, use func(*T) error) error {
	rows, err := t.Query(sql, args)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		row, err := pgx.RowToStructByName[T](rows)
		if err != nil {
			return err
		}
		if err := use(&row); err != nil {
			return err
		}
	}
	return rows.Err()
}
