package storage_test

import (
	"context"
	"fmt"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage/storagetest"
)

// Twenty make the first version of one record at once, each with other content:
// one wins, all others are told of it. For a new record there is nothing to
// lock, of a job or of none: they meet in the unique key.
func TestFirstVersionsAtOnce(t *testing.T) {
	t.Parallel()
	const senders = 20
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	for _, c := range []struct {
		name   string
		caller domain.Caller
		make   func(n int) domain.Record
	}{
		{"a job's record", w.Field, func(n int) domain.Record {
			return &domain.Component{JobID: job, Component: domain.Boot, Number: new(n + 1)}
		}},
		{"a job", w.Staff, func(n int) domain.Record {
			return &domain.Job{HomeID: w.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.Assigned, Priority: fmt.Sprint(n)}
		}},
		{"a contractor", w.Staff, func(n int) domain.Record { return &domain.Contractor{Name: fmt.Sprintf("Invented %d", n)} }},
		{"a rule set", w.Admin, func(n int) domain.Record {
			return &domain.RuleSet{Name: fmt.Sprintf("set %d", n), FromOn: domain.Date(fmt.Sprintf("2027-01-%02d", n+1))}
		}},
	} {
		id := storagetest.ID()
		statuses := map[intake.Status]int{}
		list := make([]intake.Decision, senders)
		for n, err := range atOnce(senders, func(n int) error {
			pushed, err := db.Push(context.Background(), c.caller, stamp(c.caller, db.Now(), []*intake.Item{storagetest.Item(t, id, c.make(n))}))
			if err == nil {
				list[n] = pushed.Items[0].Decision
			}
			return err
		}) {
			if err != nil {
				t.Fatalf("%s, sender %d: %v", c.name, n, err)
			}
		}
		for _, d := range list {
			statuses[d.Status]++
			if d.Status != intake.Created && (d.Status != intake.Conflict || d.Problem == nil) {
				t.Errorf("%s: %s %v", c.name, d.Status, d.Problem)
			}
		}
		seen, err := db.Record(context.Background(), w.Admin, c.make(0).Kind(), id)
		if err != nil || statuses[intake.Created] != 1 || seen.Entry.Version != 1 {
			t.Errorf("%s: %v, version %d, %v", c.name, statuses, seen.Entry.Version, err)
		}
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
}

// Twenty rule sets of twenty ids begin on one day, at once: one is made, the
// others are told which field is taken. Voided, it leaves the day free.
func TestOneRuleSetADay(t *testing.T) {
	t.Parallel()
	const senders = 20
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	set := func() *intake.Item {
		return storagetest.Item(t, storagetest.ID(), &domain.RuleSet{Name: "next", FromOn: "2027-01-01"})
	}
	list := make([]intake.Decision, senders)
	for _, err := range atOnce(senders, func(n int) error {
		pushed, err := db.Push(context.Background(), w.Admin, stamp(w.Admin, db.Now(), []*intake.Item{set()}))
		if err == nil {
			list[n] = pushed.Items[0].Decision
		}
		return err
	}) {
		if err != nil {
			t.Fatal(err)
		}
	}
	var made []domain.UUID
	for _, d := range list {
		switch {
		case d.Status == intake.Created:
			made = append(made, d.Item.ID)
		case d.Status != intake.Rejected || d.Problem.Code != domain.Invalid || d.Problem.Faults[0].Pointer != "/from_on" || d.Problem.Faults[0].Code != "taken":
			t.Errorf("%s %v", d.Status, d.Problem)
		}
	}
	if len(made) != 1 {
		t.Fatalf("%d were made", len(made))
	}
	if got := w.Push(t, w.Admin, set(), set()); got.Items[0].Status != intake.Rejected || got.Items[1].Status != intake.Rejected {
		t.Errorf("a day that is taken: %s, %s", got.Items[0].Status, got.Items[1].Status)
	}
	w.Must(t, w.Admin, voidItem(domain.RuleSetKind, made[0], 1))
	if got := w.Push(t, w.Admin, set(), set()); got.Items[0].Status != intake.Created || got.Items[1].Status != intake.Rejected {
		t.Errorf("after it was voided: %s, and a second one %s", got.Items[0].Status, got.Items[1].Status)
	}
}

// For people who read with SQL: each record once, as it stands, of one program.
func TestRecordViewShowsTheNewest(t *testing.T) {
	t.Parallel()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	w.Must(t, w.Staff, storagetest.On(storagetest.Item(t, w.Contractor, &domain.Contractor{Name: "Renamed Invented"}), 1))
	conn := dial(t, url)
	exec(t, conn, "SET ROLE ductledger_app")
	exec(t, conn, "SELECT set_config('ductledger.program', $1, false)", w.Program.String())
	var name string
	var version, other int64
	if err := conn.QueryRow(context.Background(), "SELECT body ->> 'name', version FROM record WHERE program_id = $1 AND kind = 'contractor'",
		[16]byte(w.Program)).Scan(&name, &version); err != nil || name != "Renamed Invented" || version != 2 {
		t.Errorf("%q, version %d, %v", name, version, err)
	}
	stranger := storagetest.Program(t, db)
	if err := conn.QueryRow(context.Background(), "SELECT count(*) FROM record WHERE program_id = $1", [16]byte(stranger.Program)).Scan(&other); err != nil || other != 0 {
		t.Errorf("%d records of another program, %v", other, err)
	}
}
