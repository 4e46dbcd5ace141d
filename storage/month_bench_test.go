package storage_test

import (
	"context"
	"io"
	"log/slog"
	"os"
	"runtime"
	"strconv"
	"testing"
	"time"

	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// monthOfRows puts @jobs accepted jobs of October 2026, with two readings each,
// straight into the tables: pushing them would take longer than what is measured.
const monthOfRows = `
WITH n AS (SELECT i, ('0199' || lpad(to_hex(i), 4, '0') || '-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS id,
        ('0198' || lpad(to_hex(i), 4, '0') || '-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS home,
        ('0197' || lpad(to_hex(i), 4, '0') || '-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS before,
        ('0196' || lpad(to_hex(i), 4, '0') || '-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS after,
        @from::bigint + 3 * i AS position, @at::timestamptz + i * interval '0.1 seconds' AS at
    FROM generate_series(1, @jobs) AS i),
homes AS (INSERT INTO home (program_id, id, version, void, section_count) SELECT @program, home, 1, false, 1 FROM n),
jobs AS (INSERT INTO job (program_id, id, version, void, home_id, contractor_id, pay_basis, state, outcome)
    SELECT @program, id, 1, false, home, @contractor, 'measured', 'accepted', 'completed' FROM n),
entries AS (INSERT INTO ledger (program_id, position, kind, record_id, version, job_id, body, content_digest, link, received_at, recorded_at, late)
    SELECT @program, position - 2, 'measurement'::record_kind, before, 1, id, '{"instrument_id":"' || id || '","job_id":"' || id || '","method":"fan_total","readings":[{"flow_cfm":200,"pressure_pa":25}],"stage":"before","taken_at":"2026-10-05T08:00:00-07:00"}', @link::bytea, @link::bytea, at, at, false FROM n
    UNION ALL
    SELECT @program, position - 1, 'measurement', after, 1, id, '{"instrument_id":"' || id || '","job_id":"' || id || '","method":"fan_total","readings":[{"flow_cfm":100,"pressure_pa":25}],"stage":"after","taken_at":"2026-10-05T15:00:00-07:00"}', @link::bytea, @link::bytea, at, at, false FROM n
    UNION ALL
    SELECT @program, position, 'job', id, 1, id, '{"state":"accepted"}', @link::bytea, @link::bytea, at, at, false FROM n),
head AS (UPDATE program_head SET position = @from::bigint + 3 * @jobs, recorded_at = @at::timestamptz + @jobs * interval '0.1 seconds' WHERE program_id = @program)
INSERT INTO job_result (program_id, job_id, serial, home_id, contractor_id, class, pay_basis, state, outcome, before_tenths, after_tenths, extrapolated,
    below_range, must_fix_count, check_count, note_count, not_recorded_count, excluded, result, verdict, method_version, inputs, input_digest,
    judged_at_position, assigned_at, returned_count, accepted_position, accepted_at, accepted_month)
SELECT @program, id, 1, home, @contractor, 'single', 'measured', 'accepted', 'completed', 2000, 1000, false, false, 0, 0, 0, 0, false,
    '{"method":"fan_total","readings":[{"measurement_id":"' || before || '","stage":"before","cfm25":200},{"measurement_id":"' || after || '","stage":"after","cfm25":100}],"left_out":[]}',
    '{}', 'result-1', '{}', @link, position, at, 0, position, at, '2026-10' FROM n`

// BenchmarkMonth builds the package of a month of MONTH_JOBS jobs (10,000 when
// not set) from two readings each, into nothing, and tells the most memory that
// was in use.
func BenchmarkMonth(b *testing.B) {
	jobs := 10_000
	if n, err := strconv.Atoi(os.Getenv("MONTH_JOBS")); err == nil {
		jobs = n
	}
	ctx := context.Background()
	url := storagetest.URL(b)
	now := time.Date(2026, 10, 2, 12, 0, 0, 0, time.UTC)
	db, err := storage.Open(ctx, url, storage.Options{Connections: 2, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(db.Close)
	w := storagetest.Program(b, db)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	heads, err := db.Positions(ctx)
	if err != nil {
		b.Fatal(err)
	}
	_, err = conn.Exec(ctx, monthOfRows, pgx.NamedArgs{"program": [16]byte(w.Program), "contractor": [16]byte(w.Contractor), "jobs": jobs, "from": heads[w.Program],
		"at": time.Date(2026, 10, 3, 12, 0, 0, 0, time.UTC), "link": make([]byte, 32)})
	if err == nil {
		_, err = conn.Exec(ctx, "ANALYZE")
	}
	if err != nil {
		b.Fatal(err)
	}
	if err := conn.Close(ctx); err != nil {
		b.Fatal(err)
	}
	now = time.Date(2026, 11, 3, 12, 0, 0, 0, time.UTC)
	most := uint64(0)
	for b.Loop() {
		plan, err := db.PlanMonth(ctx, w.Staff, "2026-10", 0)
		if err != nil {
			b.Fatal(err)
		}
		written, _, err := db.WriteMonth(ctx, w.Program, &plan, io.Discard, storage.MonthOptions{BuildID: "bench", Report: func(string, int64, int64) {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapInuse)
		}})
		if err != nil || written.Rows["jobs"] != int64(jobs) {
			b.Fatal(written.Rows, err)
		}
	}
	b.ReportMetric(float64(most)/1e6, "MB-in-use")
	b.ReportMetric(float64(jobs*b.N)/b.Elapsed().Seconds(), "jobs/s")
}
