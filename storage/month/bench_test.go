package month_test

import (
	"context"
	"io"
	"log/slog"
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/storage"
	monthdb "ductledger/storage/month"
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
jobs AS (INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
    SELECT @program, id, false, home, @contractor, 'accepted', at, at, 100000 + i FROM n),
entries AS (INSERT INTO entry (program_id, position, kind, record_id, version, job_id, body, content_digest, link, received_at, recorded_at, late)
    SELECT @program, position - 2, 'measurement', before, 1, id, '{"instrument_id":"' || id || '","job_id":"' || id || '","method":"fan_total","readings":[{"flow_cfm":200,"pressure_pa":25}],"stage":"before","taken_at":"2026-10-05T08:00:00-07:00"}', @link::bytea, @link::bytea, at, at, false FROM n
    UNION ALL
    SELECT @program, position - 1, 'measurement', after, 1, id, '{"instrument_id":"' || id || '","job_id":"' || id || '","method":"fan_total","readings":[{"flow_cfm":100,"pressure_pa":25}],"stage":"after","taken_at":"2026-10-05T15:00:00-07:00"}', @link::bytea, @link::bytea, at, at, false FROM n
    UNION ALL
    SELECT @program, position, 'job', id, 1, id, '{"state":"accepted"}', @link::bytea, @link::bytea, at, at, false FROM n),
head AS (UPDATE program_head SET position = @from::bigint + 3 * @jobs, recorded_at = @at::timestamptz + @jobs * interval '0.1 seconds' WHERE program_id = @program)
INSERT INTO job_result (program_id, job_id, serial, home_id, contractor_id, class, pay_basis, state, outcome, before_tenths, after_tenths, extrapolated,
    below_range, must_fix_count, check_count, note_count, not_recorded_count, excluded, result, verdict, method_version, inputs, input_digest,
    judged_at_position, assigned_at, returned_count, accepted_position, accepted_at, accepted_month, method)
SELECT @program, id, 1, home, @contractor, 'single', 'measured', 'accepted', 'completed', 2000, 1000, false, false, 0, 0, 0, 0, false,
    '{"method":"fan_total","readings":[{"measurement_id":"' || before || '","stage":"before","cfm25":200},{"measurement_id":"' || after || '","stage":"after","cfm25":100}],"left_out":[]}',
    '{}', 'result-1', '{}', @link, position, at, 0, position, at, '2026-10', 'fan_total' FROM n`

// monthOf is a program with a month of so many jobs, ready to be built.
func monthOf(b testing.TB, jobs int) (db *storage.DB, w *storagetest.World, url string) {
	b.Helper()
	ctx := context.Background()
	url = storagetest.URL(b)
	now := time.Date(2026, 10, 2, 12, 0, 0, 0, time.UTC)
	db, err := storage.Open(ctx, url, storage.Options{Connections: 3, Now: func() time.Time { return now }, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(db.Close)
	w = storagetest.Program(b, db)
	conn := dial(b, url)
	heads, err := db.Positions(ctx)
	if err != nil {
		b.Fatal(err)
	}
	exec(b, conn, monthOfRows, pgx.NamedArgs{"program": [16]byte(w.Program), "contractor": [16]byte(w.Contractor), "jobs": jobs, "from": heads[w.Program],
		"at": time.Date(2026, 10, 3, 12, 0, 0, 0, time.UTC), "link": make([]byte, 32)})
	exec(b, conn, "ANALYZE")
	now = time.Date(2026, 11, 3, 12, 0, 0, 0, time.UTC)
	return db, w, url
}

// jobsOfBench is MONTH_JOBS, 10,000 when not set.
func jobsOfBench() int {
	if n, err := strconv.Atoi(os.Getenv("MONTH_JOBS")); err == nil {
		return n
	}
	return 10_000
}

// BenchmarkMonth builds the package of a month from two readings a job, stores
// and verifies it.
func BenchmarkMonth(b *testing.B) {
	jobs := jobsOfBench()
	db, w, url := monthOf(b, jobs)
	for b.Loop() {
		buildOnce(b, db, w, url)
	}
	b.ReportMetric(float64(jobs*b.N)/b.Elapsed().Seconds(), "jobs/s")
}

// buildOnce builds what was not built before.
func buildOnce(b *testing.B, db *storage.DB, w *storagetest.World, url string) {
	b.Helper()
	b.StopTimer()
	conn := dial(b, url)
	exec(b, conn, "TRUNCATE month_package, month_package_part")
	b.StartTimer()
	p, made, err := monthdb.BuildNow(context.Background(), db, w.Staff, "2026-10", "", 0, monthdb.Options{BuildID: "bench"})
	if err != nil || !made || p.State != monthdb.PackageVerified {
		b.Fatal(p, made, err)
	}
}

// BenchmarkMonthMemory tells the most memory that is in use while a package of
// so many rows, a job with two readings for each three, is built, stored and
// verified.
func BenchmarkMonthMemory(b *testing.B) {
	for _, rows := range []int{10_000, 100_000, 1_000_000} {
		b.Run(strconv.Itoa(rows), func(b *testing.B) {
			db, w, url := monthOf(b, rows/3)
			runtime.GC()
			debug.FreeOSMemory()
			stop, sampled := make(chan struct{}), make(chan uint64)
			go func() { sampled <- mostInUse(stop) }()
			for b.Loop() {
				buildOnce(b, db, w, url)
			}
			close(stop)
			b.ReportMetric(float64(<-sampled)/1e6, "MB-in-use")
			b.ReportMetric(float64(rows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

// mostInUse samples the heap until told to stop.
func mostInUse(stop chan struct{}) (most uint64) {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/heap/unused:bytes"}}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return most
		case <-tick.C:
			metrics.Read(sample)
			most = max(most, sample[0].Value.Uint64()+sample[1].Value.Uint64())
		}
	}
}

// BenchmarkMonthBesideCopy writes the two long tables as the package does and
// has the database COPY the same queries, in turns, and tells the ratio of
// their rates. The first turn reads cold files on one side and is not counted.
func BenchmarkMonthBesideCopy(b *testing.B) {
	jobs := jobsOfBench() / 1000 * 1000 // progress is told every thousand rows
	db, w, url := monthOf(b, jobs)
	ctx := context.Background()
	plan, err := monthdb.PlanOf(ctx, db, w.Staff, "2026-10", "", 0)
	if err != nil {
		b.Fatal(err)
	}
	conn := dial(b, url)
	exec(b, conn, "SET random_page_cost = 1.1")
	exec(b, conn, "SET jit = off")
	literal := strings.NewReplacer("@program_id", "'"+w.Program.String()+"'::uuid", "@month", "'2026-10'", "@late", "'{}'::uuid[]", "@from", "'2026-09-30T00:00:00Z'::timestamptz",
		"@position", strconv.FormatInt(plan.Position, 10), "@holds", "false", "@crossovers", "false", "@call_backs", "false")
	copied, written := map[string]time.Duration{}, map[string]time.Duration{}
	turn := func() {
		for table, sql := range map[string]string{"jobs": monthdb.JobsSQL, "measurements": monthdb.MeasurementsSQL} {
			begin := time.Now()
			tag, err := conn.PgConn().CopyTo(ctx, io.Discard, "COPY ("+literal.Replace(sql)+") TO STDOUT (FORMAT csv)")
			if err != nil || tag.RowsAffected() < int64(jobs) {
				b.Fatal(tag, err)
			}
			copied[table] += time.Since(begin)
		}
		begun := time.Time{}
		_, _, err := monthdb.Write(ctx, db, w.Program, &plan, io.Discard, monthdb.Options{BuildID: "bench", Report: func(table string, done, total int64) {
			switch done {
			case 0:
				begun = time.Now()
			case total:
				written[table] += time.Since(begun)
			}
		}})
		if err != nil {
			b.Fatal(err)
		}
	}
	turn()
	clear(copied)
	clear(written)
	for b.Loop() {
		turn()
	}
	for table, took := range copied {
		b.ReportMetric(took.Seconds()/written[table].Seconds(), table+"-of-copy")
	}
	b.ReportMetric(float64(jobs*b.N)/written["jobs"].Seconds(), "jobs-rows/s")
	b.ReportMetric(float64(2*jobs*b.N)/written["measurements"].Seconds(), "measurements-rows/s")
}

// A month of four times as many jobs reads four times as many rows: no statement
// of a package looks through what is many once for each job.
func TestAPackageGrowsWithItsMonthOnly(t *testing.T) {
	t.Parallel()
	const few, many, rowsOfAJob = 300, 1200, 60
	for _, jobs := range []int{few, many} {
		db, w, url := monthOf(t, jobs)
		owner := dial(t, url)
		read := func() (rows int) {
			t.Helper()
			if err := owner.QueryRow(context.Background(), `SELECT sum(seq_tup_read + coalesce(idx_tup_fetch, 0))::bigint FROM pg_stat_user_tables`).Scan(&rows); err != nil {
				t.Fatal(err)
			}
			return rows
		}
		exec(t, owner, "SELECT pg_stat_force_next_flush()")
		before := read()
		if _, _, err := monthdb.BuildNow(context.Background(), db, w.Staff, "2026-10", "", 0, monthdb.Options{BuildID: "growth"}); err != nil {
			t.Fatal(err)
		}
		db.Close() // a session that ends tells what it has read
		for ended := false; !ended; {
			if err := owner.QueryRow(context.Background(), `SELECT count(*) = 0 FROM pg_stat_activity WHERE datname = current_database() AND application_name LIKE 'ductledger%'`).Scan(&ended); err != nil {
				t.Fatal(err)
			}
		}
		if each := (read() - before) / jobs; each > rowsOfAJob {
			t.Errorf("the package of a month of %d jobs reads %d rows a job, want at most %d", jobs, each, rowsOfAJob)
		} else {
			t.Logf("%d jobs: %d rows a job", jobs, each)
		}
	}
}
