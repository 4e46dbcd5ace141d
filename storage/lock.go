package storage

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ductledger/domain"

	"github.com/jackc/pgx/v5"
)

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
