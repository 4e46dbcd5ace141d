package storage

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"strings"
	"sync"
	"time"
	"unicode"

	"ductledger/domain"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
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
	// Warm is how many connections are opened at once and stay open; 0: none.
	Warm int32
	// PlansFor is how long a connection keeps its plans; 0: a minute.
	PlansFor time.Duration
	// Patience is how long a server that seems to hang may take to answer before
	// it counts as away; 0: 1.5 s.
	Patience time.Duration
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
	config.MinConns = o.Warm
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
	return &DB{pool: pool, watch: newWatch(config.ConnConfig, o.Log, cmp.Or(o.Patience, watchPatience)), limits: o.Limits, now: o.Now, log: o.Log,
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

// Args are the arguments of a statement by name, written @name in it. Ids
// become what Postgres takes; the zero id is NULL. They are read when the
// statement is sent, not when it is queued.
type Args map[string]any

// A numberedSQL is a statement with $1, $2 ... in place of the names.
type numberedSQL struct {
	text  string
	names []string
}

// numbered keeps the statements that were rewritten once: there are as many as
// the code has, and a push sends some fifty of them.
var numbered sync.Map // of numberedSQL, by the text with names

// RewriteQuery is called by pgx for a statement whose only argument is an Args.
func (n Args) RewriteQuery(ctx context.Context, conn *pgx.Conn, sql string, _ []any) (string, []any, error) {
	kept, ok := numbered.Load(sql)
	if !ok {
		places := make(pgx.NamedArgs, len(n))
		for name := range n {
			places[name] = name
		}
		text, order, err := places.RewriteQuery(ctx, conn, sql, nil)
		if err != nil {
			return "", nil, fmt.Errorf("number the arguments of a statement: %w", err)
		}
		statement := numberedSQL{text, make([]string, len(order))}
		for i := range order {
			if statement.names[i], ok = order[i].(string); !ok {
				return "", nil, fmt.Errorf("argument %d of %.60q is not given", i+1, sql)
			}
		}
		kept, _ = numbered.LoadOrStore(sql, statement)
	}
	statement := kept.(numberedSQL)
	args := make([]any, len(statement.names))
	for i, name := range statement.names {
		value, ok := n[name]
		if !ok {
			return "", nil, fmt.Errorf("@%s of %.60q is not given", name, sql)
		}
		switch v := value.(type) {
		case domain.UUID:
			args[i] = idArg(v)
		case []domain.UUID:
			args[i] = idArgs(v)
		default:
			args[i] = v
		}
	}
	return statement.text, args, nil
}

// Affected counts the rows that a queued statement changed.
func Affected(n *int64) func(pgconn.CommandTag) error {
	return func(tag pgconn.CommandTag) error {
		*n = tag.RowsAffected()
		return nil
	}
}

// OrNull is a value as an argument; the zero value is NULL.
func OrNull[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

// OrZero is what a column holds; NULL is the zero value.
func OrZero[T any](v *T) (value T) {
	if v != nil {
		value = *v
	}
	return value
}

// IDOf is an id that a column holds; NULL is the zero id.
func IDOf(id *[16]byte) domain.UUID {
	if id == nil {
		return domain.UUID{}
	}
	return *id
}

// idArg is an id as an argument; the zero id is NULL.
func idArg(id domain.UUID) *[16]byte {
	if id.IsZero() {
		return nil
	}
	b := [16]byte(id)
	return &b
}

// idArgs are ids as one array argument.
func idArgs(ids []domain.UUID) [][16]byte {
	args := make([][16]byte, len(ids))
	for i, id := range ids {
		args[i] = id
	}
	return args
}

// columnsOf are the columns of a struct's fields, in their order, as
// RowToStructByName reads them.
func columnsOf[T any]() (columns []string) {
	t := reflect.TypeFor[T]()
	for i := range t.NumField() {
		columns = append(columns, columnOf(t.Field(i).Name))
	}
	return columns
}

// columnOf is the column of a field: BeforeTenths is before_tenths.
func columnOf(field string) string {
	var b strings.Builder
	for i, r := range field {
		upper := r >= 'A' && r <= 'Z'
		if upper && i > 0 && (field[i-1] < 'A' || field[i-1] > 'Z') {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// ListOf is a list of columns, each with what stands before it.
func ListOf(columns []string, before string) string {
	return before + strings.Join(columns, ", "+before)
}

// ArgsOf are the fields of a row as arguments by the names of their columns.
func ArgsOf[T any](row *T) Args {
	v := reflect.ValueOf(row).Elem()
	args := make(Args, v.NumField())
	for i := range v.NumField() {
		args[columnOf(v.Type().Field(i).Name)] = v.Field(i).Interface()
	}
	return args
}

// deadHost is how soon the server notices that the host of a lock's holder is
// gone: idle + interval × count, in seconds; and as long for what it sent and
// nobody confirmed. A process that is killed closes its connection at once.
var deadHost = map[string]string{
	"tcp_keepalives_idle": "10", "tcp_keepalives_interval": "5", "tcp_keepalives_count": "3", "tcp_user_timeout": "25000",
}

// ErrLockLost says that the session that held a lock ended.
var ErrLockLost = errors.New("the session that held the lock ended")

// A Lock is a row that stays locked on a connection of its own, for work of
// minutes that no transaction should span. The server frees it when the
// connection ends, however that comes.
type Lock struct {
	Held context.Context // ends, with ErrLockLost for its cause, when the lock does

	conn   *pgx.Conn
	end    context.CancelCauseFunc
	waiter sync.WaitGroup
}

const lockBeginSQL = `
SELECT set_config('ductledger.program', $1, true)`

// Lock locks the row that a query with FOR UPDATE SKIP LOCKED gives; nil when
// there is none, or when another session holds it.
func (db *DB) Lock(ctx context.Context, program domain.UUID, sql string, args Args) (*Lock, error) {
	config := db.pool.Config().ConnConfig
	config.Tracer = nil
	config.RuntimeParams["application_name"] += " lock"
	config.RuntimeParams["idle_in_transaction_session_timeout"] = "0"
	for name, value := range deadHost {
		config.RuntimeParams[name] = value
	}
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connect for a lock: %w", err)
	}
	l := &Lock{conn: conn}
	locked, err := l.take(ctx, program, sql, args)
	if err != nil || !locked {
		l.close()
		return nil, err
	}
	l.Held, l.end = context.WithCancelCause(ctx)
	// Nobody is notified of anything: what ends the wait is the end of the
	// connection, or of the work.
	l.waiter.Go(func() {
		if err := conn.PgConn().WaitForNotification(l.Held); err != nil {
			l.end(ErrLockLost)
		}
	})
	return l, nil
}

func (l *Lock) take(ctx context.Context, program domain.UUID, sql string, args Args) (locked bool, err error) {
	batch := &pgx.Batch{}
	batch.Queue("SET ROLE ductledger_app")
	batch.Queue("BEGIN")
	batch.Queue(lockBeginSQL, program.String())
	batch.Queue(sql, args).Query(func(rows pgx.Rows) error {
		locked = rows.Next()
		return rows.Err()
	})
	return locked, l.conn.SendBatch(ctx, batch).Close()
}

// Release frees the row.
func (l *Lock) Release() {
	l.end(nil)
	l.waiter.Wait()
	l.close()
}

func (l *Lock) close() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = l.conn.Close(ctx) // the server ends the session either way
}
