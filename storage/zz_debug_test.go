package storage_test

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

type capture struct {
	roundTrips
	on   bool
	list []*pgx.QueuedQuery
	at   []time.Time
}

func (c *capture) TraceBatchStart(ctx context.Context, conn *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	if c.on {
		c.list = append(c.list, data.Batch.QueuedQueries...)
		fmt.Println("batch start", time.Now().Format("05.000000"))
	}
	return ctx
}
func (c *capture) TraceBatchQuery(_ context.Context, _ *pgx.Conn, d pgx.TraceBatchQueryData) {
	if c.on {
		fmt.Println(time.Now().Format("05.000000"), strings.Join(strings.Fields(d.SQL), " ")[:min(60, len(strings.Join(strings.Fields(d.SQL), " ")))])
	}
}

func TestZZDebug(t *testing.T) {
	url := storagetest.URL(t)
	c := &capture{}
	db := openAt(t, url, func(o *storage.Options) { o.Tracer = c; o.Connections = 1 })
	w := storagetest.Program(t, db)
	for range 120 {
		home(t, w)
		w.Must(t, w.Field, wholeJob(t, w)...)
	}
	home(t, w)
	c.on = true
	start := time.Now()
	w.Must(t, w.Field, wholeJob(t, w)...)
	fmt.Println("whole push", time.Since(start))
	c.on = false
	if os.Getenv("PLANS") == "" {
		return
	}
	conn := dial(t, url)
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	exec(t, conn, "SET plan_cache_mode = force_generic_plan")
	for _, q := range c.list {
		if f := strings.Fields(q.SQL)[0]; f != "SELECT" && f != "WITH" && f != "INSERT" && f != "UPDATE" {
			continue
		}
		exec(t, conn, "BEGIN")
		start := time.Now()
		rows, err := conn.Query(context.Background(), "EXPLAIN (ANALYZE, BUFFERS)"+q.SQL, q.Arguments...)
		if err != nil {
			t.Log(err)
			continue
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if d := time.Since(start); d > 4*time.Millisecond {
			fmt.Println("=====", d, err, q.SQL, "\n", strings.Join(lines, "\n"))
		}
		exec(t, conn, "ROLLBACK")
	}
}
