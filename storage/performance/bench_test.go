package performance_test

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"
	"ductledger/storage"
	performancedb "ductledger/storage/performance"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// many makes jobs accepted in the fourth quarter of 2026 by contractors, as
// rows: lognormal readings with correlation, areas, three classes of home.
const manyJobsSQL = `
INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
SELECT $1, ('00000000-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid, false, $2, $3, 'accepted', '2026-10-02', '2026-10-02', 1000000 + i
FROM generate_series(1, $4::integer) AS i`

const manyResultsSQL = `
INSERT INTO job_result (program_id, job_id, serial, home_id, contractor_id, class, pay_basis, state, floor_area_ft2, before_tenths, after_tenths,
    extrapolated, below_range, must_fix_count, check_count, note_count, not_recorded_count, excluded, result, verdict, method_version, inputs,
    input_digest, judged_at_position, assigned_at, returned_count, accepted_position, accepted_at, accepted_month, counted_at, worked_by, questions, measurable, steps, method, together)
SELECT $1, ('00000000-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid, 1, $2,
    ('00000000-0000-7000-9000-' || lpad(to_hex(i % $3::integer + 1), 12, '0'))::uuid,
    (ARRAY['single', 'double', 'triple'])[1 + i % 7 % 3], 'measured', 'accepted', 600 + i % 1000, round(1500 * exp(0.6 * x))::bigint,
    round(600 * exp(0.33 * x + 0.4 * y))::bigint, false, false, 0, 0, 0, 0, false, repeat('r', 900), '{"rules":[{"rule":"' || repeat('v', 3000) || '","outcomes":{"holds":1}}]}', 'test', '{}',
    decode(repeat('00', 32), 'hex'), 1, moment, 0, 1, moment, '2026-10', moment, NULL, '{}', true, '{}', 'fan_total', i % 20000
FROM (SELECT i, sqrt(-2 * ln(1 - random())) * cos(6.283185307179586 * random()) AS x, sqrt(-2 * ln(1 - random())) * cos(6.283185307179586 * random()) AS y,
    timestamptz '2026-10-02' + i % 80 * interval '1 day' AS moment FROM generate_series(1, $4::integer) AS i) AS drawn`

// many fills a database past the domain, as its owner.
func many(b *testing.B, jobs, contractors int) (*storage.DB, domain.UUID) {
	b.Helper()
	ctx := context.Background()
	url := storagetest.URL(b)
	db, err := storage.Open(ctx, url, storage.Options{Now: (&storagetest.Clock{}).Now})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(db.Close)
	w := storagetest.Program(b, db)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.Background()) })
	for _, s := range []struct {
		sql  string
		args []any
	}{
		{"SELECT set_config('ductledger.program', $1, false)", []any{w.Program.String()}},
		{"SET synchronous_commit = on", nil}, // vacuum marks as visible to all only what is flushed; no index is read alone before
		{"SELECT setseed(0.5)", nil},
		{manyJobsSQL, []any{w.Program, w.Home, w.Contractor, jobs}},
		{manyResultsSQL, []any{w.Program, w.Home, contractors, jobs}},
		{"VACUUM ANALYZE job_result", nil},
	} {
		if _, err := conn.Exec(ctx, s.sql, s.args...); err != nil {
			b.Fatal(fmt.Errorf("%.40s: %w", s.sql, err))
		}
	}
	return db, w.Program
}

// BenchmarkPerformance compares the whole answer with its own SQL statement alone,
// whose rows are read and passed over, for 100,000 jobs of 400 contractors; and for
// a tenth of the jobs, to show what grows with them. The answer may take 1.2 times
// the statement and 20 ms. Each answer stands beside a statement of the same moment,
// so that the comparison holds on a busy machine too; kept-B is what is in memory
// once all jobs are read.
func BenchmarkPerformance(b *testing.B) {
	for _, jobs := range []int{10_000, 100_000} {
		db, program := many(b, jobs, 400)
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			b.ReportAllocs()
			var over, alone []float64
			kept := uint64(0)
			for b.Loop() {
				b.StopTimer()
				rows := timed(b, db, program, (*performancedb.Population).Pass)
				b.StartTimer()
				answer := timed(b, db, program, func(p *performancedb.Population) error { return answered(b, p, jobs, &kept) })
				over, alone = append(over, answer-1.2*rows), append(alone, rows)
			}
			slices.Sort(over)
			slices.Sort(alone)
			b.ReportMetric(alone[len(alone)/2], "statement-ms")
			b.ReportMetric(over[len(over)/2], "over-1.2-ms")
			b.ReportMetric(float64(kept), "kept-B")
		})
	}
}

// timed is how long it takes to use what is read of the quarter, in ms.
func timed(b *testing.B, db *storage.DB, program domain.UUID, use func(*performancedb.Population) error) float64 {
	b.Helper()
	began := time.Now()
	if err := performancedb.Read(context.Background(), db, program, "2026-10-01", "2027-01-01", 0, use); err != nil {
		b.Fatal(err)
	}
	return float64(time.Since(began)) / float64(time.Millisecond)
}

func answered(b *testing.B, p *performancedb.Population, count int, kept *uint64) error {
	t, err := performance.NewTally(p.Period, performance.ByContractor)
	if err != nil {
		return err
	}
	before := uint64(0)
	if *kept == 0 {
		before = heap()
	}
	for j, err := range p.Jobs(p.Period) {
		if err != nil {
			return err
		}
		if err := t.Add(j); err != nil {
			return err
		}
	}
	if *kept == 0 {
		*kept = heap() - before
	}
	c, err := t.Comparison(p.Names)
	if err == nil && (c.Program.UsedCount != count || c.Model.Reason != "") {
		b.Fatalf("%d of %d jobs are used, %s", c.Program.UsedCount, count, c.Model.Reason)
	}
	return err
}

// heap is what is reachable, in bytes.
func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
