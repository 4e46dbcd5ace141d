package storage_test

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// roundTrips counts what waits for the server: batches, single statements and
// preparations.
type roundTrips struct {
	trips, statements atomic.Int64
}

func (c *roundTrips) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.trips.Add(1)
	c.statements.Add(1)
	return ctx
}
func (c *roundTrips) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (c *roundTrips) TraceBatchStart(ctx context.Context, _ *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	c.trips.Add(1)
	c.statements.Add(int64(data.Batch.Len()))
	return ctx
}
func (c *roundTrips) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (c *roundTrips) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

func (c *roundTrips) TracePrepareStart(ctx context.Context, _ *pgx.Conn, _ pgx.TracePrepareStartData) context.Context {
	c.trips.Add(1)
	return ctx
}
func (c *roundTrips) TracePrepareEnd(context.Context, *pgx.Conn, pgx.TracePrepareEndData) {}

// The round trips of a push: read under lock, write, number and commit.
const pushTrips = 3

func TestRoundTripsOfAPush(t *testing.T) {
	t.Parallel()
	count := &roundTrips{}
	db, _ := storagetest.Open(t, func(o *storage.Options) { o.Tracer, o.Connections = count, 1 })
	w := storagetest.Program(t, db)
	trips := func(what string, do func()) int64 {
		t.Helper()
		before, statements := count.trips.Load(), count.statements.Load()
		do()
		n := count.trips.Load() - before
		t.Logf("%s: %d round trips, %d statements", what, n, count.statements.Load()-statements)
		return n
	}
	w.Must(t, w.Field, w.WholeJob(t)...) // prepares the statements
	w.NewHome(t)
	items := w.WholeJob(t)
	if n := trips("a whole job", func() { w.Must(t, w.Field, items...) }); n > pushTrips {
		t.Errorf("a whole job took %d round trips, want at most %d", n, pushTrips)
	}
	w.Push(t, w.Field, copies(items)...) // prepares what a replay asks
	if n := trips("the same again", func() { w.Push(t, w.Field, copies(items)...) }); n > pushTrips {
		t.Errorf("a replay took %d round trips, want at most %d", n, pushTrips)
	}
	poll := func() {
		if _, err := db.Changes(context.Background(), w.Field, storage.FeedQuery{After: storage.Place{Effective: 1 << 40}, Limit: 100}); err != nil {
			t.Fatal(err)
		}
	}
	poll()
	if n := trips("a poll without news", poll); n > 3 {
		t.Errorf("a poll without news took %d round trips", n)
	}
}

// The write-ahead log of 40 records, beside a bare insert of the same 40 into
// entry alone. Not parallel: the log is the whole server's.
func TestWriteAheadLogOfAPush(t *testing.T) {
	const jobs, records, limit = 20, 40, 2.3
	url := storagetest.URL(t)
	db := openAt(t, url)
	w, bare := storagetest.Program(t, db), storagetest.Program(t, db)
	owner := dial(t, url)
	var pushed, inserted int64
	for i := range jobs + 1 {
		w.NewHome(t)
		items := w.WholeJob(t)[:records]
		var out storage.Pushed
		a := written(t, owner, func() { out = w.Must(t, w.Field, items...) })
		b := written(t, owner, func() {
			exec(t, owner, `INSERT INTO entry SELECT $1, position, kind, record_id, version, job_id, contractor_id, body, content_digest, texts_digest, link,
				token_id, person_id, device_id, applied_by, applied_by_person_id, received_at, recorded_at, clock_offset_s, resident_revision, late, voided_at, until_position, match
				FROM entry WHERE program_id = $2 AND position > $3`, [16]byte(bare.Program), [16]byte(w.Program), out.Head.Position-records)
		})
		if i == 0 {
			continue // the first touches empty indexes
		}
		pushed, inserted = pushed+a, inserted+b
	}
	ratio := float64(pushed) / float64(inserted)
	t.Logf("%d records: %d bytes of write-ahead log, bare %d, ratio %.2f", records, pushed/jobs, inserted/jobs, ratio)
	if ratio > limit {
		t.Errorf("a push writes %.2f times what a bare insert does, want at most %.1f", ratio, limit)
	}
}

func written(t *testing.T, owner *pgx.Conn, do func()) (bytes int64) {
	t.Helper()
	var from string
	if err := owner.QueryRow(context.Background(), "SELECT pg_current_wal_insert_lsn()::text").Scan(&from); err != nil {
		t.Fatal(err)
	}
	do()
	if err := owner.QueryRow(context.Background(), "SELECT pg_wal_lsn_diff(pg_current_wal_insert_lsn(), $1::pg_lsn)::bigint", from).Scan(&bytes); err != nil {
		t.Fatal(err)
	}
	return bytes
}

// A reader without news costs index probes, whatever the program has grown
// to: no statement of the feed touches a row of what is many.
func TestFeedReadsByIndex(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	w.Must(t, w.Field, w.WholeJob(t)...)
	conn := dial(t, url)
	grow(t, conn, w)
	statements, _, _, _ := statementsOf(t)
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	many := map[string]bool{"entry": true, "job_scope": true}
	office := storagetest.Token(t, db, storage.Token{Role: domain.ContractorRole, ContractorID: w.Contractor}, w.Program)
	for _, caller := range []domain.Caller{w.Field, office, w.Staff} {
		args := pgx.NamedArgs{"program_id": [16]byte(w.Program), "contractor_id": nil, "role": string(caller.Role), "effective": int64(1 << 40),
			"position": int64(1 << 40), "places": []int64{1 << 40}, "limit": 101, "jobs": 8, "starts": false, "kinds": nil, "newest": false, "contacts": true, "scoped": caller.Scoped()}
		if !caller.Contractor.IsZero() {
			args["contractor_id"] = [16]byte(caller.Contractor)
		}
		names := []string{"headSQL", "linkAtSQL", "linksAtSQL", "feedWholeSQL"}
		if caller.Scoped() {
			names = []string{"headSQL", "linkAtSQL", "linksAtSQL", "feedBoundSQL", "feedScopedSQL", "feedDropsSQL"}
		}
		for _, name := range names {
			nodes := explain(t, conn, statements[name], args)
			for _, n := range nodes {
				if !many[n.Relation] || n.Loops == 0 {
					continue
				}
				if n.Type == "Seq Scan" {
					t.Errorf("%s for %s reads %s from end to end", name, caller.Role, n.Relation)
				}
				if touched := n.Rows*n.Loops + n.Removed; touched > 0 {
					t.Errorf("%s for %s touches %d rows of %s without news", name, caller.Role, touched, n.Relation)
				}
			}
			t.Logf("%s for %s: %s", name, caller.Role, planOf(nodes))
		}
	}
}

// grow makes the program large: rows that only the planner looks at.
func grow(t *testing.T, conn *pgx.Conn, w *storagetest.World) {
	t.Helper()
	const rows = 20_000
	id, contractor := [16]byte(w.Program), [16]byte(w.Contractor)
	exec(t, conn, `INSERT INTO entry (program_id, position, kind, record_id, version, job_id, body, content_digest, link, received_at, recorded_at, late)
		SELECT $1, 1000 + n, 'component', gen_random_uuid(), 1, gen_random_uuid(), '{}', sha256('a'), sha256('a'), now(), now(), false FROM generate_series(1, $2::int) AS n`, id, rows)
	exec(t, conn, `INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
		SELECT $1, gen_random_uuid(), false, $3, $4, 'in_work', now(), now(), 100000 + n FROM generate_series(1, $2::int / 10) AS n`, id, rows, [16]byte(w.Home), contractor)
	exec(t, conn, `INSERT INTO job_scope (program_id, contractor_id, job_id, granted_position, last_position, open, ended_position, reason)
		SELECT program_id, CASE WHEN n % 20 < 2 THEN contractor_id ELSE gen_random_uuid() END, id, n, n, n % 2 = 0,
			CASE WHEN n % 2 > 0 THEN n END, CASE WHEN n % 2 > 0 THEN 'accepted' END
		FROM (SELECT program_id, contractor_id, id, row_number() OVER () AS n FROM job WHERE program_id = $1 AND id NOT IN (SELECT job_id FROM job_scope)) AS j`, id)
	exec(t, conn, "ANALYZE")
}

type planNode struct {
	Type     string     `json:"Node Type"`
	Relation string     `json:"Relation Name"`
	Index    string     `json:"Index Name"`
	Rows     int64      `json:"Actual Rows"`
	Loops    int64      `json:"Actual Loops"`
	Removed  int64      `json:"Rows Removed by Filter"`
	Plans    []planNode `json:"Plans"`
}

func explain(t *testing.T, conn *pgx.Conn, sql string, args pgx.NamedArgs) (nodes []planNode) {
	t.Helper()
	var text []byte
	if err := conn.QueryRow(context.Background(), "EXPLAIN (ANALYZE, FORMAT JSON)"+sql, args).Scan(&text); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	var plans []struct{ Plan planNode }
	if err := json.Unmarshal(text, &plans); err != nil {
		t.Fatal(err)
	}
	var walk func(planNode)
	walk = func(n planNode) {
		nodes = append(nodes, n)
		for _, child := range n.Plans {
			walk(child)
		}
	}
	walk(plans[0].Plan)
	return nodes
}

func planOf(nodes []planNode) string {
	seen := map[string]bool{}
	for _, n := range nodes {
		if n.Relation != "" || n.Index != "" {
			seen[strings.TrimSpace(n.Type+" "+n.Relation+" "+n.Index)] = true
		}
	}
	return strings.Join(slices.Sorted(maps.Keys(seen)), "; ")
}
