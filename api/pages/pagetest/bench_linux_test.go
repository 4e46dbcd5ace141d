package pagetest_test

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// Copies of one job, straight into the tables: pushing them would take longer than
// what is measured. Each has its own readings, home class and contractor, and one of
// the months up to the job's own; of the records only the job's own is there.
var copiesSQL = `
WITH n AS (SELECT i, ('00000000-0000-7000-8000-' || lpad(to_hex(i), 12, '0'))::uuid AS id, ('00000000-0000-7000-9000-' || lpad(to_hex(i), 12, '0'))::uuid AS home,
    (@firms::uuid[])[1 + i % array_length(@firms::uuid[], 1)] AS firm, i / 40 % @months::integer * interval '1 month' AS ago,
    0.55 * sin(i * 12.9898) AS x, 0.4 * sin(i * 78.233) AS y FROM generate_series(@first::integer, @last::integer) AS i),
jobs AS (INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
    SELECT j.program_id, n.id, false, n.home, n.firm, j.state, j.recorded_at, j.state_since - n.ago, 100000 + n.i
    FROM job AS j, n WHERE j.program_id = @program AND j.id = @job),
scopes AS (INSERT INTO job_scope SELECT (jsonb_populate_record(s, jsonb_build_object('job_id', n.id, 'contractor_id', n.firm))).*
    FROM job_scope AS s, n WHERE s.program_id = @program AND s.job_id = @job),
entries AS (INSERT INTO entry SELECT (jsonb_populate_record(e, jsonb_build_object('position', h.position + 1 + n.i - @first::integer, 'record_id', n.id, 'job_id', n.id, 'until_position', NULL,
        'body', replace(e.body, @firm::text, n.firm::text)))).*
    FROM entry AS e, n, program_head AS h WHERE e.program_id = @program AND e.kind = 'job' AND e.record_id = @job AND e.until_position IS NULL AND h.program_id = @program),
results AS (INSERT INTO job_result (` + storage.ListOf(storage.ResultColumns, "") + `)
    SELECT ` + storage.ListOf(storage.ResultColumns, "x.") + `
    FROM job_result AS r, program_head AS h, n, jsonb_populate_record(r, jsonb_build_object('job_id', n.id, 'home_id', n.home, 'together', n.i,
        'accepted_position', CASE WHEN r.accepted_position IS NOT NULL THEN h.position + 1 + n.i - @first::integer END,
        'assigned_at', r.assigned_at - n.ago, 'sent_in_at', r.sent_in_at - n.ago, 'counted_at', r.counted_at - n.ago,
        'accepted_at', r.accepted_at - n.ago - n.i % 10000 * interval '1 minute', 'accepted_month', to_char(r.counted_at - n.ago, 'YYYY-MM'),
        'contractor_id', n.firm, 'worked_by', CASE WHEN r.worked_by IS NOT NULL THEN ARRAY[n.firm] END,
        'before_tenths', round(2600 * exp(n.x)), 'after_tenths', round(1100 * exp(0.6 * n.x + n.y)), 'class', (ARRAY['single', 'double', 'triple'])[1 + n.i % 3])) AS x
    WHERE r.program_id = @program AND r.job_id = @job AND h.program_id = @program)
UPDATE program_head SET position = position + 1 + @last::integer - @first::integer WHERE program_id = @program`

// BenchmarkPages asks for each page, of a program with 10,000 accepted jobs of 40
// contractors, all in the period that is shown, once within a month and once over
// twelve, besides 400 jobs that are sent in and what waits in every corner. A page
// may take 100 ms of the processor: service-ms, with the client that asks, and
// postgres-ms together.
//
//	go test ./api/pages/pagetest -run '^$' -bench Pages -benchtime 20x
func BenchmarkPages(b *testing.B) {
	for _, months := range []int{1, 12} {
		b.Run(fmt.Sprintf("%d-months", months), func(b *testing.B) { benchmarkPages(b, months) })
	}
}

func benchmarkPages(b *testing.B, months int) {
	s, ctx := newScene(b), context.Background()
	firms := [][16]byte{s.World.Contractor}
	for range 39 {
		firm := storagetest.ID()
		s.World.Must(b, s.World.Staff, storagetest.Item(b, firm, &domain.Contractor{Name: "Invented " + firm.String()[30:]}))
		firms = append(firms, firm)
	}
	address := storagetest.AddressOf(s.DB)
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(context.Background()) })
	copies := func(job domain.UUID, first, last int) []any {
		return []any{pgx.NamedArgs{"program": s.World.Program, "job": job, "firm": s.World.Contractor.String(), "firms": firms, "first": first, "last": last, "months": months}}
	}
	for _, step := range []struct {
		sql  string
		args []any
	}{
		{"SELECT set_config('ductledger.program', $1, false)", []any{s.World.Program.String()}},
		{copiesSQL, copies(s.Accepted, 1, 10_000)},
		{copiesSQL, copies(s.SentIn, 10_001, 10_400)},
		{"SET synchronous_commit = on", nil}, // vacuum marks as visible to all only what is flushed; no index is read alone before
		{"VACUUM ANALYZE", nil},
	} {
		if _, err := conn.Exec(ctx, step.sql, step.args...); err != nil {
			b.Fatalf("%.60s: %v", step.sql, err)
		}
	}
	from := "2026-10-01"
	if months > 1 {
		from = "2025-11-01"
	}
	lists, master := contentPages(s, from, "2026-11-01"), storagetest.Postmaster(b, address)
	maps.Copy(lists[domain.Staff], settingsPages)
	var sets struct {
		Items []struct {
			ID string `json:"id"`
		} `json:"items"`
	}
	s.Do(domain.Staff, "GET", "/v1/rule-sets", nil).Want(200).Into(&sets)
	maps.Copy(lists[domain.Staff], map[string]string{"month-built": "/staff/month?month=2026-10", "package": "/staff/month/2026-10/1", "today-sent-in": "/staff/today?sort=sent_in",
		"jobs-accepted": "/staff/jobs?state=accepted", "rule-set": "/staff/settings/rules/" + sets.Items[0].ID,
		"contractor-csv": lists[domain.Staff]["contractor"] + "&as=csv", "statement-csv": lists[domain.Staff]["statement"] + "&as=csv"})
	lists[domain.Funder] = map[string]string{"month-funder": "/staff/month?month=2026-10"}
	s.build(readerAs(b, s.API, domain.Admin), "2026-10", "draft") // of copies without records none is ever verified
	for _, role := range slices.Sorted(maps.Keys(lists)) {
		r := readerAs(b, s.API, role)
		measure := func(name string, ask func() string) {
			b.Run(name, func(b *testing.B) {
				size := len(ask())
				service, postgres := storagetest.ProcessorSeconds(b), storagetest.TreeSeconds(b, master)
				for b.Loop() {
					size = len(ask())
				}
				const perSecond = 1e3
				b.ReportMetric((storagetest.ProcessorSeconds(b)-service)*perSecond/float64(b.N), "service-ms")
				b.ReportMetric((storagetest.TreeSeconds(b, master)-postgres)*perSecond/float64(b.N), "postgres-ms")
				b.ReportMetric(float64(size), "B")
			})
		}
		for _, name := range slices.Sorted(maps.Keys(lists[role])) {
			measure(name, func() string { return r.get(lists[role][name]) })
		}
		if role == domain.Staff {
			form := formField.FindStringSubmatch(r.get("/staff/find"))
			measure("found", func() string {
				_, body := r.do("POST", "/staff/find", url.Values{"form": {form[1]}, "words": {"invented"}})
				return body
			})
		}
	}
}
