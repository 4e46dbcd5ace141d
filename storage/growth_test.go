package storage_test

import (
	"context"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/judgment"
	"ductledger/storage/search"
	"ductledger/storage/storagetest"
	"ductledger/storage/worklist"
)

// cloneSQL puts copies of one job with its home beside it, as many as are
// asked for, each behind the one before.
const (
	cloneEntriesSQL = `
INSERT INTO entry (program_id, position, kind, record_id, version, job_id, contractor_id, body, content_digest, texts_digest, link, token_id, person_id, device_id,
    received_at, recorded_at, late, match)
SELECT program_id, $3 + (n - $4) * $6::bigint + row_number() OVER (PARTITION BY n ORDER BY position), kind, md5(record_id::text || n)::uuid, version,
    md5(job_id::text || n)::uuid, contractor_id, replace(body, $2::uuid::text, md5($2::uuid::text || n)::uuid::text), content_digest, NULL, link, token_id, person_id, device_id,
    received_at, recorded_at, late, sha256(convert_to(match::text || n, 'UTF8'))
FROM entry CROSS JOIN generate_series($4::int, $5::int) AS n WHERE program_id = $1 AND (job_id = $2 OR kind = 'home') AND until_position IS NULL
    AND position <= $7`
	cloneJobsSQL = `
INSERT INTO job (program_id, id, home_id, contractor_id, state, void, recorded_at, state_since, number)
SELECT program_id, md5(id::text || n)::uuid, md5(home_id::text || n)::uuid, contractor_id, state, void, recorded_at, state_since,
    (SELECT max(number) FROM job WHERE program_id = $1) + row_number() OVER ()
FROM job CROSS JOIN generate_series($3::int, $4::int) AS n WHERE program_id = $1 AND id = $2`
	cloneWordsSQL = `
INSERT INTO word (program_id, kind, word, id)
SELECT h.program_id, 'resident', w.word, md5(h.home_id::text || n)::uuid
FROM job AS h CROSS JOIN generate_series($3::int, $4::int) AS n CROSS JOIN LATERAL (VALUES (lpad(n::text, 4, '0') || ' cedar loop'), ('cedar loop'), ('loop')) AS w(word)
WHERE h.program_id = $1 AND h.id = $2`
	cloneResidentsSQL = `
INSERT INTO resident (program_id, home_id, revision, street)
SELECT program_id, md5(home_id::text || n)::uuid, 1, lpad(n::text, 4, '0') || ' Cedar Loop'
FROM job CROSS JOIN generate_series($3::int, $4::int) AS n WHERE program_id = $1 AND id = $2`
	cloneScopesSQL = `
INSERT INTO job_scope (program_id, contractor_id, job_id, granted_position, last_position, open)
SELECT s.program_id, s.contractor_id, e.job_id, min(e.position), max(e.position), true
FROM job_scope AS s JOIN entry AS e ON e.program_id = s.program_id AND e.position > $3
WHERE s.program_id = $1 AND s.job_id = $2 AND e.job_id IS NOT NULL
GROUP BY s.program_id, s.contractor_id, e.job_id`
	cloneHeadSQL = `
UPDATE program_head SET position = $2, link = sha256('x') WHERE program_id = $1`
)

// pagesSQL are the pages of tables and indexes that were touched so far.
const pagesSQL = `
SELECT sum(coalesce(heap_blks_read, 0) + coalesce(heap_blks_hit, 0) + coalesce(idx_blks_read, 0) + coalesce(idx_blks_hit, 0)
    + coalesce(toast_blks_read, 0) + coalesce(toast_blks_hit, 0) + coalesce(tidx_blks_read, 0) + coalesce(tidx_blks_hit, 0))::bigint
FROM pg_statio_user_tables`

// A request costs as many pages in a program of thousands of homes as in a young
// one, whatever the planner knows of the tables: first nothing, then all.
func TestNoRequestGrowsWithTheProgram(t *testing.T) {
	t.Parallel()
	const few, lots, records = 250, 2500, 80
	ctx := context.Background()
	url := storagetest.URL(t)
	db := openAt(t, url, func(o *storage.Options) { o.Connections, o.PlansFor = 1, time.Nanosecond })
	owner := dial(t, url)
	exec(t, owner, `DO $$ DECLARE name text; BEGIN
    FOR name IN SELECT c.oid::regclass FROM pg_class AS c JOIN pg_namespace AS n ON n.oid = c.relnamespace WHERE c.relkind = 'r' AND n.nspname = 'public' LOOP
        EXECUTE 'ALTER TABLE ' || name || ' SET (autovacuum_enabled = false)';
    END LOOP; END $$`) // whose pages would be counted
	w := storagetest.Program(t, db)
	firstHome := w.Home
	model := w.Must(t, w.Field, w.WholeJob(t)...)
	job := model.Jobs[0].JobID
	modelEnd, at, made := model.Head.Position, model.Head.Position, 0
	exec(t, owner, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	growTo := func(n int) {
		heads, err := db.Positions(ctx)
		if err != nil {
			t.Fatal(err)
		}
		at = heads[w.Program]
		id, model := [16]byte(w.Program), [16]byte(job)
		exec(t, owner, cloneEntriesSQL, id, model, at, made+1, n, records, modelEnd)
		exec(t, owner, cloneJobsSQL, id, model, made+1, n)
		exec(t, owner, cloneWordsSQL, id, model, made+1, n)
		exec(t, owner, cloneResidentsSQL, id, model, made+1, n)
		exec(t, owner, cloneScopesSQL, id, model, at)
		exec(t, owner, cloneHeadSQL, id, at+int64((n-made)*records))
		made = n
		exec(t, owner, "SELECT pg_stat_force_next_flush()") // what was touched to grow is no request's
	}
	pages := func() (n int64) {
		if err := storage.FlushStatistics(ctx, db); err != nil {
			t.Fatal(err)
		}
		if err := owner.QueryRow(ctx, pagesSQL).Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	last := domain.UUID([]byte("\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff"))
	requests := []struct {
		name string
		most float64 // of the pages in the young program
		more int64   // and beside them
		do   func()
	}{
		{"push", 1.15, 20, func() { w.NewHome(t); w.Must(t, w.Field, w.WholeJob(t)...) }},
		{"first page of a phone", 1.3, 20, func() { _, err := db.Changes(ctx, w.Field, storage.FeedQuery{Limit: 200}); must(err) }},
		{"page without news", 1.3, 20, func() {
			heads, err := db.Positions(ctx)
			must(err)
			p := heads[w.Program]
			_, err = db.Changes(ctx, w.Field, storage.FeedQuery{After: storage.Place{Effective: p, Position: p}, Limit: 200})
			must(err)
		}},
		{"findings", 1.3, 20, func() { _, err := judgment.Read(ctx, db, w.Staff, job); must(err) }},
		{"entries of a job", 1.3, 20, func() { _, err := db.JobEntries(ctx, w.Staff, job); must(err) }},
		{"one job", 1.3, 20, func() { _, err := db.Record(ctx, w.Staff, domain.JobKind, job); must(err) }},
		{"versions of a home", 1.3, 20, func() { _, err := db.Versions(ctx, w.Staff, domain.HomeKind, firstHome, 0, 50); must(err) }},
		{"list of jobs", 1.3, 20, func() { _, err := db.List(ctx, w.Staff, domain.JobKind, storage.Filter{Limit: 50}); must(err) }},
		{"jobs by state", 1.3, 20, func() {
			_, err := db.List(ctx, w.Staff, domain.JobKind, storage.Filter{State: "in_work", Limit: 50})
			must(err)
		}},
		{"last page of jobs", 1.3, 20, func() {
			_, err := db.List(ctx, w.Staff, domain.JobKind, storage.Filter{After: last, Limit: 50})
			must(err)
		}},
		{"last page of homes", 1.3, 20, func() {
			_, err := db.List(ctx, w.Staff, domain.HomeKind, storage.Filter{After: last, Limit: 50})
			must(err)
		}},
		{"parts of a job", 1.3, 20, func() {
			_, err := db.List(ctx, w.Staff, domain.ComponentKind, storage.Filter{JobID: job, Limit: 50})
			must(err)
		}},
		{"list of homes", 1.3, 20, func() { _, err := db.List(ctx, w.Staff, domain.HomeKind, storage.Filter{Limit: 50}); must(err) }},
		{"worklist", 1.3, 20, func() {
			_, err := worklist.Read(ctx, db, w.Staff, worklist.DefaultDays(domain.Staff), "", 50)
			must(err)
		}},
		{"search for a street and its number", 1.3, 20, func() {
			found, err := search.Find(ctx, db, w.Staff, "0014 cedar", 20)
			if must(err); len(found.Homes) != 1 || found.Homes[0].Street != "0014 Cedar Loop" || len(found.Jobs) != 1 || found.More {
				t.Errorf("0014 cedar: %+v", found)
			}
		}},
		{"search for a street", 1.3, 20, func() {
			found, err := search.Find(ctx, db, w.Staff, "cedar", 20)
			if must(err); len(found.Homes) != 20 || !found.More {
				t.Errorf("cedar: %d homes, more %v", len(found.Homes), found.More)
			}
		}},
		{"search for words that stand apart", 1.3, 20, func() {
			found, err := search.Find(ctx, db, w.Staff, "loop 0014", 20)
			if must(err); len(found.Homes) != 1 || found.More {
				t.Errorf("loop 0014: %+v", found)
			}
		}},
		{"search for a number", 1.3, 20, func() {
			found, err := search.Find(ctx, db, w.Staff, "1014", 20)
			if must(err); len(found.Jobs) == 0 {
				t.Error("no job has the number 1014")
			}
		}},
		{"sign of life", 1.3, 20, func() { must(db.NotePull(ctx, w.Field, 1)) }},
	}
	measure := func() []int64 {
		counts := make([]int64, len(requests))
		for i, r := range requests {
			r.do() // its plans are made
			before := pages()
			r.do()
			counts[i] = pages() - before
		}
		return counts
	}
	growTo(few)
	young := measure()
	growTo(lots)
	for _, round := range []string{"unknown to the planner", "after ANALYZE"} {
		old := measure()
		for i, r := range requests {
			t.Logf("%s: %d pages at %d homes, %d at %d, %s", r.name, young[i], few, old[i], lots, round)
			if most := int64(float64(young[i])*r.most) + r.more; old[i] > most {
				t.Errorf("%s: %d pages at %d homes, %d at %d, %s; at most %d", r.name, young[i], few, old[i], lots, round, most)
			}
			if r.name == "list of jobs" && old[i] > 300 {
				t.Errorf("a list of 50 jobs touches %d pages, at most 300", old[i])
			}
		}
		exec(t, owner, "ANALYZE")
		exec(t, owner, "SELECT pg_stat_force_next_flush()")
	}
}
