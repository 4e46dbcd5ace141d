package judgment_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// exampleOf are the records of the invented job, as a person of the agency
// sends them: its state is moved afterwards.
func exampleOf(t *testing.T) (items []*intake.Item) {
	for _, i := range rules.ExampleEvaluation().Items {
		if j, ok := i.Record.(*domain.Job); ok {
			changed := *j
			changed.State, changed.Outcome = domain.Assigned, ""
			i.Record = &changed
		}
		items = append(items, storagetest.Item(t, i.ID, i.Record))
	}
	return items
}

func recomputed(t *testing.T, db *storage.DB, program domain.UUID) (rows int, differs []string) {
	t.Helper()
	err := judgment.Recompute(context.Background(), db, program, domain.UUID{}, func(r judgment.Recomputed) error {
		rows++
		differs = append(differs, r.Differs...)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return rows, differs
}

// What a push wrote is made again to the byte: an open job, one that was
// pushed to in several steps, one accepted and opened again, a void one.
func TestRecomputeGivesTheSameBytes(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	items := exampleOf(t)
	w.Must(t, w.Staff, items[:len(items)/2]...)
	clock.Move(90_000_000_123) // nanoseconds that no timestamp keeps
	w.Must(t, w.Staff, items[len(items)/2:]...)
	w.Job(t)
	refused := w.Job(t)
	void := &intake.Item{Kind: domain.JobKind, ID: refused, BaseVersion: 1, Void: "entered twice"}
	if got := w.Push(t, w.Staff, void).Items[0]; !got.Status.Accepted() {
		t.Fatalf("%s %v", got.Status, got.Problem)
	}
	if rows, differs := recomputed(t, db, w.Program); rows != 3 || len(differs) > 0 {
		t.Errorf("%d rows, %s", rows, strings.Join(differs, "\n"))
	}
}

// Accepted, opened and accepted again, taken out of statistics and back, void:
// each of these rows is made again by what stood at its own position.
func TestRecomputeOfAcceptances(t *testing.T) {
	t.Parallel()
	a := storagetest.NewAgency(t, storagetest.Start)
	job := a.Accepted(200, 60)
	a.Decide(job, domain.Reopen)
	a.Clock.Move(time.Hour)
	a.Must(t, a.Field, a.Reading(job, domain.After, 55, -time.Minute))
	a.Send(job)
	a.Decide(job, domain.Accept)
	a.Decide(job, domain.Exclude)
	a.Decide(job, domain.Include)
	a.Void(a.Accepted(300, 100))
	late := a.Accepted(150, 80)
	a.Must(t, a.Field, a.Reading(late, domain.After, 10, -time.Minute)) // moves no frozen figure
	a.SentIn(120, 110)
	rows, differs := recomputed(t, a.DB, a.Program)
	if rows < 8 || len(differs) > 0 {
		t.Errorf("%d rows, %s", rows, strings.Join(differs, "\n"))
	}
}

// What was changed behind the ledger's back is named by its column.
func TestRecomputeFindsAChange(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ change, column string }{
		{"before_tenths = before_tenths + 1", "before_tenths: "},
		{"result = replace(result, '120.7105260', '120.7105261')", "result: "},
		{"must_fix_count = 0", "must_fix_count: "},
		{"input_digest = decode(repeat('00', 32), 'hex')", "input_digest: "},
		{"class = 'single'", "class: "},
	} {
		t.Run(row.column, func(t *testing.T) {
			t.Parallel()
			db, _ := storagetest.Open(t)
			w := storagetest.Program(t, db)
			w.Must(t, w.Staff, exampleOf(t)...)
			conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(db))
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close(context.Background())
			if _, err := conn.Exec(context.Background(), "ALTER TABLE job_result NO FORCE ROW LEVEL SECURITY"); err != nil {
				t.Fatal(err)
			}
			tag, err := conn.Exec(context.Background(), "UPDATE job_result SET "+row.change)
			if err != nil || tag.RowsAffected() == 0 {
				t.Fatalf("%v %v", tag, err)
			}
			_, differs := recomputed(t, db, w.Program)
			if len(differs) != 1 || !strings.HasPrefix(differs[0], row.column) {
				t.Errorf("%q", differs)
			}
		})
	}
}

// After a return a changed number and a changed time are questions with both
// values, at once and when the rows are made again; a second return asks anew.
func TestChangesAfterAReturnAreAsked(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	items := w.WholeJob(t)
	w.Must(t, w.Field, items...)
	versions, newest := map[domain.UUID]int64{}, map[domain.UUID]domain.Record{}
	first := map[domain.Kind]domain.UUID{}
	for _, i := range items {
		versions[i.ID], newest[i.ID] = 1, i.Record
		if first[i.Kind].IsZero() {
			first[i.Kind] = i.ID
		}
	}
	job, lock, x := first[domain.JobKind], first[domain.EnergyIsolationKind], first[domain.CrossoverKind]
	put := func(id domain.UUID, r domain.Record) {
		t.Helper()
		item := storagetest.Item(t, id, r)
		item.BaseVersion = versions[id]
		versions[id]++
		newest[id] = r
		clock.Move(time.Minute)
		w.Must(t, w.Field, item)
	}
	sendBack := func() {
		t.Helper()
		sent := *newest[job].(*domain.Job)
		sent.State, sent.Outcome = domain.SentIn, domain.Completed
		put(job, &sent)
		w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: job, Decision: domain.Return, ReasonCodes: []string{"a_test"}}))
		versions[job]++
	}
	screws := func(n int) {
		t.Helper()
		changed := *newest[x].(*domain.Crossover)
		changed.Ends = slices.Clone(changed.Ends)
		changed.Ends[0].FastenersCount = &n
		put(x, &changed)
	}
	want := func(details ...string) {
		t.Helper()
		j, err := judgment.Read(context.Background(), db, w.Staff, job)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, f := range j.Verdict.Findings {
			if f.Rule == "times_stand" || f.Rule == "facts_stand_after_return" {
				got = append(got, f.Detail)
			}
		}
		if !slices.Equal(got, details) {
			t.Errorf("found %q, want %q", got, details)
		}
		if _, differs := recomputed(t, db, w.Program); len(differs) > 0 {
			t.Error(strings.Join(differs, "\n"))
		}
	}
	screws(5) // before anything was returned: the crew's own correction
	want()
	sendBack()
	want()
	screws(4)
	const question = "crossover A→B: end A, fasteners: 5, now 4."
	want(question)
	screws(5) // as it was
	want()
	screws(4)
	sendBack()
	want() // the reviewer saw it
	late := *newest[lock].(*domain.EnergyIsolation)
	earlier := late.IsolatedAt.Add(-24 * time.Minute)
	late.IsolatedAt = &earlier
	put(lock, &late)
	want("energy isolation of " + earlier.Format("15:04") + ": isolated: " + earlier.Add(24*time.Minute).Format("15:04") + ", now " + earlier.Format("15:04") + ".")
	sendBack()
	want("energy isolation of " + earlier.Format("15:04") + ": isolated: " + earlier.Add(24*time.Minute).Format("15:04") + ", now " + earlier.Format("15:04") + ".")
	// What the two rules look at is named among the inputs, and so in their digest: what
	// was first sent of a time, and a record as it stood at the return.
	if got := pastOf(t, db, w.Program, job); !slices.Equal(got, []string{"crossover 1", "energy_isolation 1"}) {
		t.Errorf("past %q", got)
	}
	screws(5)
	if got := pastOf(t, db, w.Program, job); !slices.Equal(got, []string{"crossover 1", "crossover 5", "energy_isolation 1"}) {
		t.Errorf("past %q", got)
	}
}

// pastOf are the replaced versions that a job's newest result names.
func pastOf(t *testing.T, db *storage.DB, program, job domain.UUID) (past []string) {
	t.Helper()
	err := db.In(context.Background(), program, storage.Reading, func(tx *storage.Tx) error {
		var rows []struct{ Past string }
		storage.All(tx, &rows, `
SELECT e.kind || ' ' || e.version AS past
FROM (SELECT inputs::jsonb AS inputs FROM job_result WHERE program_id = @program_id AND job_id = @job_id ORDER BY serial DESC LIMIT 1) AS r,
    jsonb_array_elements_text(r.inputs -> 'past') AS p(position)
JOIN entry AS e ON e.program_id = @program_id AND e.position = p.position::bigint
ORDER BY past`, storage.Args{"program_id": program, "job_id": job})
		err := tx.Flush()
		for _, r := range rows {
			past = append(past, r.Past)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return past
}
