package pagetest_test

import (
	"context"
	"testing"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// Copies of one accepted job, straight into the tables: pushing them would take
// longer than what is measured. Each has its own readings, home class and
// contractor; of the records only the job's own is there.
var copiesSQL = `
WITH n AS (SELECT i, ('00000000-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS id, ('00000000-0000-7000-9000-' || lpad(to_hex(i), 12, '0'))::uuid AS home, @firms::uuid[] AS firms, 0.55 * sin(i * 12.9898) AS x, 0.4 * sin(i * 78.233) AS y FROM generate_series(1, @jobs::integer) AS i),
jobs AS (INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
    SELECT j.program_id, n.id, false, n.home, n.firms[1 + n.i % array_length(n.firms, 1)], j.state, j.recorded_at, j.state_since, 100000 + n.i
    FROM job AS j, n WHERE j.program_id = @program AND j.id = @job),
entries AS (INSERT INTO entry SELECT (jsonb_populate_record(e, jsonb_build_object('position', h.position + n.i, 'record_id', n.id, 'job_id', n.id, 'until_position', NULL,
        'body', replace(e.body, @firm::text, n.firms[1 + n.i % array_length(n.firms, 1)]::text)))).*
    FROM entry AS e, n, program_head AS h WHERE e.program_id = @program AND e.kind = 'job' AND e.record_id = @job AND e.until_position IS NULL AND h.program_id = @program),
results AS (INSERT INTO job_result (` + storage.ListOf(storage.ResultColumns, "") + `)
    SELECT ` + storage.ListOf(storage.ResultColumns, "x.") + `
    FROM job_result AS r, n, jsonb_populate_record(r, jsonb_build_object('job_id', n.id, 'home_id', n.home, 'together', n.i, 'accepted_at', r.accepted_at - n.i * interval '1 minute',
        'contractor_id', n.firms[1 + n.i % array_length(n.firms, 1)], 'worked_by', ARRAY[n.firms[1 + n.i % array_length(n.firms, 1)]],
        'before_tenths', round(2600 * exp(n.x)), 'after_tenths', round(1100 * exp(0.6 * n.x + n.y)), 'class', (ARRAY['single', 'double', 'triple'])[1 + n.i % 3])) AS x
    WHERE r.program_id = @program AND r.job_id = @job)
UPDATE program_head SET position = position + @jobs::integer WHERE program_id = @program`

// BenchmarkPages asks for each page of work, of a program with 10,000 jobs of 40
// contractors, all accepted in the period that is shown, besides what waits in
// every corner. A page may take 100 ms; those that read what was found in every job
// of the period (training, repairs, one contractor) take more.
func BenchmarkPages(b *testing.B) {
	s, ctx := newScene(b), context.Background()
	firms := [][16]byte{s.World.Contractor}
	for range 39 {
		firm := storagetest.ID()
		s.World.Must(b, s.World.Staff, storagetest.Item(b, firm, &domain.Contractor{Name: "Invented " + firm.String()[30:]}))
		firms = append(firms, firm)
	}
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(s.DB))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.Background()) })
	for _, step := range []struct {
		sql  string
		args []any
	}{
		{"SELECT set_config('ductledger.program', $1, false)", []any{s.World.Program.String()}},
		{copiesSQL, []any{pgx.NamedArgs{"program": s.World.Program, "job": s.Accepted, "firm": s.World.Contractor.String(), "firms": firms, "jobs": 10_000}}},
		{"ANALYZE", nil},
	} {
		if _, err := conn.Exec(ctx, step.sql, step.args...); err != nil {
			b.Fatalf("%.60s: %v", step.sql, err)
		}
	}
	for role, list := range contentPages(s) {
		r := readerAs(b, s.API, role)
		for name, path := range list {
			b.Run(name, func(b *testing.B) {
				size := 0
				for b.Loop() {
					size = len(r.get(path))
				}
				b.ReportMetric(float64(size), "B")
			})
		}
	}
}
