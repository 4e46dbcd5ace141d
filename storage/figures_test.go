package storage_test

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"
	"ductledger/domain/rules"
	"ductledger/storage"
	crewsdb "ductledger/storage/crews"
	"ductledger/storage/judgment"
	monthdb "ductledger/storage/month"
	performancedb "ductledger/storage/performance"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// Copies of one accepted job with its newest record, some days later, the ways of
// which are as straight as its own.
var (
	cloneAcceptedJobsSQL = `
INSERT INTO job (program_id, id, home_id, contractor_id, state, void, recorded_at, state_since, number)
SELECT program_id, md5(id::text || n)::uuid, home_id, contractor_id, state, void, recorded_at, state_since, 100000 + n
FROM job CROSS JOIN generate_series($3::int, $4::int) AS n WHERE program_id = $1 AND id = $2`
	cloneAcceptedSQL = `
INSERT INTO entry (program_id, position, kind, record_id, version, job_id, contractor_id, body, content_digest, link, token_id, received_at, recorded_at, late)
SELECT e.program_id, h.position + 1 + n - $3::int, e.kind, md5(e.record_id::text || n)::uuid, 1, md5(e.job_id::text || n)::uuid, e.contractor_id, e.body, e.content_digest, e.link, e.token_id,
    e.received_at, e.recorded_at, e.late
FROM entry AS e JOIN program_head AS h ON h.program_id = e.program_id CROSS JOIN generate_series($3::int, $4::int) AS n
WHERE e.program_id = $1 AND e.kind = 'job' AND e.record_id = $2 AND e.until_position IS NULL`
	cloneResultsSQL = `
INSERT INTO job_result (` + storage.ListOf(storage.ResultColumns, "") + `)
SELECT ` + storage.ListOf(storage.ResultColumns, "x.") + `
FROM job_result AS r CROSS JOIN generate_series($3::int, $4::int) AS n,
    jsonb_populate_record(r, jsonb_build_object('job_id', md5(r.job_id::text || n)::uuid, 'home_id', md5(r.home_id::text || n)::uuid, 'counted_at', r.counted_at + $5::interval, 'assigned_at', r.assigned_at + $5::interval,
        'accepted_at', r.accepted_at + $5::interval, 'sent_in_at', r.sent_in_at + $5::interval, 'accepted_month', '2027-01', 'worked_by', ARRAY[r.contractor_id],
        'contractor_id', CASE WHEN $5::interval = interval '0' THEN r.contractor_id ELSE md5('another')::uuid END)) AS x
WHERE r.program_id = $1 AND r.job_id = $2 AND r.until_position IS NULL`
)

// figures are what is read of a period for the pages and for the API.
func figures(t *testing.T, db *storage.DB, staff domain.Caller, firm domain.UUID, from, before domain.Date) map[string]func() {
	t.Helper()
	ctx := context.Background()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	read := func(use func(*performancedb.Population) error) func() {
		return func() { must(performancedb.Read(ctx, db, staff.Program, from, before, 0, use)) }
	}
	return map[string]func(){
		"rules": read(func(p *performancedb.Population) error {
			counts, err := p.Rules()
			if err == nil && len(counts) == 0 {
				t.Error("no rule was judged")
			}
			return err
		}),
		"work": read(func(p *performancedb.Population) error {
			work, err := p.Work()
			if err != nil {
				return err
			}
			for _, err := range work {
				if err != nil {
					return err
				}
			}
			return nil
		}),
		"repairs": read(func(p *performancedb.Population) error {
			var steps performancedb.RepairSteps
			_, err := performance.RepairEffects(p.RepairSteps(&steps))
			return err
		}),
		"repeated tests":      read(func(p *performancedb.Population) error { _, err := p.Repeats(); return err }),
		"what to teach":       func() { _, err := crewsdb.ReadNeeds(ctx, db, staff.Program, from, before, 0); must(err) },
		"whether it helped":   func() { _, err := crewsdb.ReadLessons(ctx, db, staff.Program, from, before, 0); must(err) },
		"who may lead":        func() { _, err := crewsdb.ReadLeads(ctx, db, staff.Program, crewsdb.Ask{}); must(err) },
		"a month’s statement": func() { _, err := monthdb.ReadStatement(ctx, db, staff, firm, "2026-10", "", 0, 50); must(err) },
	}
}

// What is read of a period costs as many pages in a program that has ten times the
// jobs, of other years and other contractors, as in one that has none of them.
func TestFiguresOfAPeriodDoNotGrow(t *testing.T) {
	t.Parallel()
	const inPeriod, few, lots = 100, 300, 3000
	ctx := context.Background()
	url := storagetest.URL(t)
	db := openAt(t, url, func(o *storage.Options) { o.Connections, o.PlansFor = 1, time.Nanosecond })
	owner := dial(t, url)
	exec(t, owner, "SET synchronous_commit = on") // vacuum marks as visible to all only what is flushed
	exec(t, owner, `ALTER TABLE entry SET (autovacuum_enabled = false); ALTER TABLE job_result SET (autovacuum_enabled = false); ALTER TABLE job SET (autovacuum_enabled = false)`)
	w := storagetest.Program(t, db)
	job := acceptedJob(t, w)
	lesson := storagetest.Item(t, storagetest.ID(), &domain.TrainingEvent{CrewMemberID: w.Lead, HeldOn: domain.DateOf(db.Now(), time.UTC), Topic: "boots", Rules: []string{rules.Keys()[0]}, TrainerName: "Tess Invented"})
	w.Must(t, w.Staff, lesson)
	exec(t, owner, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	add := func(first, last int, later string) {
		id, model := [16]byte(w.Program), [16]byte(job)
		exec(t, owner, cloneAcceptedJobsSQL, id, model, first, last)
		exec(t, owner, cloneAcceptedSQL, id, model, first, last)
		exec(t, owner, cloneResultsSQL, id, model, first, last, later)
		exec(t, owner, "UPDATE program_head SET position = position + $2 WHERE program_id = $1", id, int64(last+1-first))
		exec(t, owner, "VACUUM ANALYZE")
		exec(t, owner, "SELECT pg_stat_force_next_flush()")
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
	tallied := func() {
		t.Helper()
		var want, got []performance.RuleCount
		want = countedByHand(t, owner, w)
		err := performancedb.Read(ctx, db, w.Program, "2026-10-01", "2026-11-01", 0, func(p *performancedb.Population) (err error) {
			got, err = p.Rules()
			return err
		})
		slices.SortFunc(got, func(a, b performance.RuleCount) int { return strings.Compare(a.Rule, b.Rule) })
		if err != nil || !slices.Equal(got, want) || len(want) < 50 {
			t.Errorf("counted %v, %v; the verdicts say %v", got, err, want)
		}
	}
	reads := figures(t, db, w.Staff, w.Contractor, "2026-10-01", "2026-11-01")
	names := slices.Sorted(maps.Keys(reads))
	measure := func() map[string]int64 {
		counts := map[string]int64{}
		for _, name := range names {
			reads[name]()
			before := pages()
			reads[name]()
			counts[name] = pages() - before
		}
		return counts
	}
	add(1, inPeriod, "0")
	add(inPeriod+1, few, "500 days")
	tallied()
	young := measure()
	add(few+1, lots, "500 days")
	old := measure()
	for _, name := range names {
		t.Logf("%s: %d pages of %d jobs, %d of %d", name, young[name], few, old[name], lots)
		most := int64(float64(young[name])*1.3) + 30
		if name == "who may lead" {
			most += 100 // homes that one has led are counted up to a hundred
		}
		if old[name] > most || young[name] == 0 {
			t.Errorf("%s: %d pages of %d jobs, %d of %d, at most %d", name, young[name], few, old[name], lots, most)
		}
	}
}

// countedByHand reads each verdict of the period as a whole.
func countedByHand(t *testing.T, owner *pgx.Conn, w *storagetest.World) (counts []performance.RuleCount) {
	t.Helper()
	rows, err := owner.Query(context.Background(), "SELECT verdict FROM job_result WHERE program_id = $1 AND counted_at < '2026-11-01'", w.Program.String())
	if err != nil {
		t.Fatal(err)
	}
	verdicts, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	of := map[string]performance.RuleCount{}
	waived := 0
	for _, text := range verdicts {
		var v rules.Verdict
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Fatal(err)
		}
		for _, r := range v.Rules {
			c := of[r.Rule]
			c.ContractorID, c.Rule = w.Contractor, r.Rule
			if r.Outcomes.Holds+r.Outcomes.Broken+r.Outcomes.Waived > 0 {
				c.Judged++
			}
			if r.Outcomes.Broken+r.Outcomes.Waived > 0 {
				c.Broken++
			}
			waived += r.Outcomes.Waived
			of[r.Rule] = c
		}
	}
	if waived == 0 {
		t.Error("nothing was waived")
	}
	for _, name := range slices.Sorted(maps.Keys(of)) {
		if of[name].Judged > 0 {
			counts = append(counts, of[name])
		}
	}
	return counts
}

// acceptedJob is the rules' invented job with three faults, two of which were waived.
func acceptedJob(t *testing.T, w *storagetest.World) domain.UUID {
	t.Helper()
	items := w.WholeJob(t)
	var id domain.UUID
	var done domain.Job
	for i, item := range items {
		if job, ok := item.Record.(*domain.Job); ok {
			id, done = item.ID, *job
			given := *job
			given.State = domain.Assigned
			w.Must(t, w.Staff, storagetest.Item(t, item.ID, &given))
			items = append(items[:i:i], items[i+1:]...)
			break
		}
	}
	w.Must(t, w.Field, items...)
	done.State, done.Outcome = domain.SentIn, domain.Completed
	w.Must(t, w.Field, storagetest.On(storagetest.Item(t, id, &done), 1))
	judged, err := judgment.Read(context.Background(), w.DB, w.Staff, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range judged.Verdict.Findings {
		ref := domain.FindingRef{Rule: f.Rule, Subjects: f.Subjects}
		if f.Severity == rules.Check {
			w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: id, Decision: domain.Answer, Finding: &ref, Text: "seen"}))
			continue
		}
		w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Waiver{JobID: id, Finding: ref, Reason: "out of reach", AgreedConsequence: "less is saved", SafetyTalkOn: "2026-10-01"}))
	}
	w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: id, Decision: domain.Accept}))
	return id
}
