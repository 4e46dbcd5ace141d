package storage

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Together they are less than the three seconds within which a request is
// told that the database is away.
const (
	watchInterval = 250 * time.Millisecond  // between two looks
	watchSilence  = 500 * time.Millisecond  // without any answer, after which the server is asked
	watchPatience = 1500 * time.Millisecond // for the server's answer
)

// A watch tells a database that hangs from one that is busy. While
// transactions are under way and none gets an answer, it asks the server on a
// connection of its own. Without an answer there either, the database counts
// as away: transactions under way end, new ones are refused at once, and the
// watch goes on asking until the server is back. It asks nothing while no
// transaction is under way.
type watch struct {
	config *pgx.ConnConfig
	log    *slog.Logger
	wait   time.Duration   // for the server's answer
	ended  context.Context // ends with close
	end    context.CancelFunc
	loop   sync.WaitGroup

	mu       sync.Mutex
	running  bool
	away     bool
	next     uint64
	under    map[uint64]context.CancelCauseFunc // transactions under way
	answered time.Time                          // the last answer of the server, or the first transaction
}

func newWatch(config *pgx.ConnConfig, log *slog.Logger, wait time.Duration) *watch {
	w := &watch{config: config.Copy(), log: log, wait: wait, under: map[uint64]context.CancelCauseFunc{}}
	w.config.Tracer = nil
	w.config.ConnectTimeout = wait
	w.ended, w.end = context.WithCancel(context.Background())
	return w
}

func (w *watch) close() {
	w.end()
	w.loop.Wait()
}

// enter counts a transaction as under way until leave is called. Its context
// ends when the database is found to be away.
func (w *watch) enter(ctx context.Context) (watched context.Context, leave func(), err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.away {
		return nil, nil, errAway
	}
	watched, cancel := context.WithCancelCause(ctx)
	if len(w.under) == 0 {
		w.answered = time.Now()
	}
	id := w.next
	w.next++
	w.under[id] = cancel
	if !w.running && w.ended.Err() == nil {
		w.running = true
		w.loop.Go(w.look)
	}
	return watched, func() {
		w.mu.Lock()
		delete(w.under, id)
		w.mu.Unlock()
		cancel(nil)
	}, nil
}

// noteAnswer notes that the server answered, be it with an error.
func (w *watch) noteAnswer(err error) {
	var pg *pgconn.PgError
	if err != nil && !errors.As(err, &pg) {
		return
	}
	w.mu.Lock()
	w.answered = time.Now()
	w.mu.Unlock()
}

// explain interprets the error of a transaction, which may have ended because
// the database is away.
func (w *watch) explain(ctx context.Context, err error) error {
	if err != nil && errors.Is(context.Cause(ctx), errAway) && !errors.Is(err, errOutcomeUnknown) {
		return errAway
	}
	return interpret(err)
}

func (w *watch) look() {
	var conn *pgx.Conn
	defer func() {
		if conn != nil {
			_ = conn.Close(context.Background()) // only says goodbye
		}
	}()
	tick := time.NewTicker(watchInterval)
	defer tick.Stop()
	for {
		select {
		case <-w.ended.Done():
			return
		case <-tick.C:
		}
		w.mu.Lock()
		if len(w.under) == 0 && !w.away {
			w.running = false
			w.mu.Unlock()
			return
		}
		ask := w.away || time.Since(w.answered) >= watchSilence
		w.mu.Unlock()
		if !ask {
			continue
		}
		asked := time.Now()
		var err error
		conn, err = w.ask(conn)
		w.settle(asked, err)
	}
}

// ask returns the connection on which the server answered, to ask again there.
func (w *watch) ask(conn *pgx.Conn) (*pgx.Conn, error) {
	ctx, cancel := context.WithTimeout(w.ended, w.wait)
	defer cancel()
	var err error
	if conn == nil || conn.IsClosed() {
		if conn, err = pgx.ConnectConfig(ctx, w.config); err != nil {
			conn = nil
		}
	} else {
		err = conn.Ping(ctx)
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) && pg.Code == tooManyConnections {
		err = nil // it answers, though it has no connection for us
	}
	return conn, err
}

func (w *watch) settle(asked time.Time, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case err == nil:
		if w.away {
			w.log.Warn("the database answers again")
		}
		w.away, w.answered = false, time.Now()
	case w.ended.Err() != nil, w.answered.After(asked): // somebody else had an answer meanwhile
	case !w.away:
		w.away = true
		w.log.Error("the database does not answer; requests are refused until it does", "error", err.Error(), "under_way", len(w.under))
		for _, cancel := range w.under {
			cancel(errAway)
		}
	}
}

// Stat tells how much of the connections is in use.
type Stat struct {
	InUse, Idle, Most int32
	Waits             int64         // for a connection, so far
	Waited            time.Duration // all such waits together
	UnderWay          int           // transactions
	Away              bool          // the database does not answer
}

// Stat asks the database nothing.
func (db *DB) Stat() Stat {
	s := db.pool.Stat()
	db.watch.mu.Lock()
	defer db.watch.mu.Unlock()
	return Stat{InUse: s.AcquiredConns(), Idle: s.IdleConns(), Most: s.MaxConns(), Waits: s.EmptyAcquireCount(), Waited: s.EmptyAcquireWaitTime(),
		UnderWay: len(db.watch.under), Away: db.watch.away}
}
