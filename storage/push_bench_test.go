package storage_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Whole jobs pushed by many clients, beside a handler that only stores the
// same records by one unnest insert, in one run: what judging, numbering,
// linking and typing cost. The ratio is jobs a second of the first to the
// second.
//
//	go test ./storage -run "^$" -bench Push -benchtime 200x
func BenchmarkPush(b *testing.B) {
	for _, programmes := range []int{1, 16} {
		for _, clients := range []int{1, 8, 32} {
			b.Run(fmt.Sprintf("programmes=%d/clients=%d", programmes, clients), func(b *testing.B) {
				bench := newPushBench(b, programmes, clients)
				b.ReportAllocs()
				pushed := bench.rate(b.N, bench.push)
				bare := bench.rate(b.N, bench.bare)
				b.ReportMetric(pushed, "jobs/s")
				b.ReportMetric(bare, "bare_jobs/s")
				b.ReportMetric(pushed/bare, "ratio")
			})
		}
	}
}

// Before anything is measured each programme has some jobs, and each client has
// pushed some.
const warmedJobs, warmedPushes = 4, 8

// pushBench has one contractor's crew and a prepared job for each push.
type pushBench struct {
	*testing.B
	db      *storage.DB
	pool    *pgxpool.Pool // of the bare handler
	worlds  []*storagetest.World
	clients int
	jobs    [][]*intake.Item // by push, each on a home of its own
	homes   []domain.UUID
}

func newPushBench(b *testing.B, programmes, clients int) *pushBench {
	b.Helper()
	url := storagetest.URL(b)
	bench := &pushBench{B: b, clients: clients, db: openAt(b, url, func(o *storage.Options) { o.Connections = 16 })}
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = 16
	if bench.pool, err = pgxpool.NewWithConfig(context.Background(), config); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(bench.pool.Close)
	exec(b, dial(b, url), `CREATE TABLE bare (program_id uuid NOT NULL, kind record_kind NOT NULL, record_id uuid NOT NULL, version bigint NOT NULL,
		job_id uuid, body text NOT NULL, received_at timestamptz NOT NULL, PRIMARY KEY (program_id, record_id))`)
	for range programmes {
		bench.worlds = append(bench.worlds, storagetest.Program(b, bench.db))
	}
	warm := max(warmedJobs*programmes, warmedPushes*clients)
	for i := range warm + b.N {
		w := bench.worlds[i%programmes]
		home(b, w)
		day := time.Date(2026, 10, 14, 0, 0, 0, 0, time.UTC).AddDate(0, 0, -i/programmes).Format(time.DateOnly) // a crew does one job a day
		bench.jobs, bench.homes = append(bench.jobs, wholeJobOn(b, w, day)), append(bench.homes, w.Home)
	}
	// A running database has statistics, and its connections know their statements.
	for range 2 {
		bench.rate(warm/2, bench.push)
		bench.rate(warm/2, bench.bare)
		if err := storage.Analyze(context.Background(), url); err != nil {
			b.Fatal(err)
		}
		bench.jobs, bench.homes = bench.jobs[warm/2:], bench.homes[warm/2:]
	}
	return bench
}

// rate runs the jobs up to the n-th by all clients and gives jobs a second.
func (b *pushBench) rate(n int, do func(int)) float64 {
	b.Helper()
	var next atomic.Int64
	var all sync.WaitGroup
	start := time.Now()
	for range b.clients {
		all.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	all.Wait()
	return float64(n) / time.Since(start).Seconds()
}

func (b *pushBench) push(i int) {
	w := b.worlds[i%len(b.worlds)]
	pushed, err := b.db.Push(context.Background(), w.Field, stamp(w.Field, storagetest.Start, b.jobs[i]))
	if err != nil {
		b.Error(err)
		return
	}
	for _, item := range pushed.Items {
		if item.Status != intake.Created {
			b.Errorf("%s %v", item.Status, item.Problem)
		}
	}
}

const bareSQL = `
INSERT INTO bare (program_id, kind, record_id, version, job_id, body, received_at)
SELECT @program_id, x.kind, x.record_id, 1, x.job_id, x.body, @at
FROM unnest(@kinds::record_kind[], @ids::uuid[], @jobs::uuid[], @bodies::text[]) AS x(kind, record_id, job_id, body)`

func (b *pushBench) bare(i int) {
	w := b.worlds[i%len(b.worlds)]
	var kinds, bodies []string
	var ids, jobs [][16]byte
	for _, item := range b.jobs[i] {
		kinds, bodies = append(kinds, string(item.Kind)), append(bodies, string(item.Body))
		ids, jobs = append(ids, item.ID), append(jobs, item.Record.Job())
	}
	if _, err := b.pool.Exec(context.Background(), bareSQL, pgx.NamedArgs{"program_id": [16]byte(w.Program), "kinds": kinds, "ids": ids, "jobs": jobs,
		"bodies": bodies, "at": storagetest.Start}); err != nil {
		b.Error(err)
	}
}
