package storage_test

import (
	"context"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

func TestPushInAnyOrderAndAgain(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job, opening := storagetest.ID(), storagetest.ID()
	made := time.Date(2026, 10, 1, 9, 0, 0, 0, time.UTC)
	child := func() *intake.Item {
		return storagetest.Item(t, opening, &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew, MadeAt: &made})
	}
	parent := func() *intake.Item {
		return storagetest.Item(t, job, &domain.Job{HomeID: w.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.InWork})
	}
	// child first: it waits and follows by itself
	early := w.Push(t, w.Field, child())
	if got := early.Items[0]; got.Status != intake.Waiting || got.HeldID.IsZero() || got.Missing.Kind != domain.JobKind {
		t.Fatalf("child without parent: %+v", got)
	}
	again := w.Push(t, w.Field, child())
	if again.Items[0].Status != intake.Waiting || again.Items[0].HeldID != early.Items[0].HeldID {
		t.Fatalf("the same item again is not the same held item: %+v", again.Items[0])
	}
	pushed := w.Push(t, w.Field, parent())
	if pushed.Items[0].Status != intake.Created || pushed.HeldOpen != 0 {
		t.Fatalf("parent: %+v, held %d", pushed.Items[0], pushed.HeldOpen)
	}
	if len(pushed.Jobs) != 1 || pushed.Jobs[0].NotRecorded == 0 {
		t.Errorf("an open cut in the wrap has no finding: %+v", pushed.Jobs)
	}
	seen, err := db.Record(context.Background(), w.Staff, domain.OpeningKind, opening)
	if entry := seen.Entry; err != nil || entry.Version != 1 || entry.DeviceID != w.Device {
		t.Fatalf("the child did not follow: %+v, %v", entry, err)
	}
	if got := w.Push(t, w.Field, child(), parent()); got.Items[0].Status != intake.Replayed || got.Items[1].Status != intake.Replayed {
		t.Errorf("again: %s, %s", got.Items[0].Status, got.Items[1].Status)
	}
	changed := storagetest.Item(t, opening, &domain.Opening{JobID: job, In: domain.InDuct, Origin: domain.ByCrew, MadeAt: &made})
	if got := w.Push(t, w.Field, changed).Items[0]; got.Status != intake.Conflict || got.Current != 1 || got.Entry == nil || got.Entry.Version != 1 {
		t.Errorf("other content on no version: %+v", got)
	}
	if got := w.Push(t, w.Field, storagetest.On(changed, 1)).Items[0]; got.Status != intake.Updated || got.Version != 2 {
		t.Errorf("other content on version 1: %+v", got)
	}
}

// An item whose shape is refused is judged alone, and its child waits.
func TestBadItemIsJudgedAlone(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	zero, start := 0.0, 5.0
	good := storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: job, Component: domain.Boot, Section: "A"})
	bad := storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: job, Component: domain.Trunk, StartFt: &start, EndFt: &zero})
	bad.Problem = domain.InvalidFields([]domain.Fault{{Pointer: "/end_ft", Code: "order"}}).(*domain.Error)
	child := storagetest.Item(t, storagetest.ID(), &domain.Repair{JobID: job, Repair: domain.RepairTrunk, ComponentIDs: []domain.UUID{bad.ID}, DoneAt: w.DB.Now()})
	pushed := w.Push(t, w.Field, bad, good, child)
	if got := pushed.Items[0]; got.Status != intake.Rejected || got.Problem.Faults[0].Pointer != "/end_ft" || got.HeldID.IsZero() {
		t.Errorf("bad: %+v %v", got, got.Problem)
	}
	if got := pushed.Items[1]; got.Status != intake.Created {
		t.Errorf("good: %s %v", got.Status, got.Problem)
	}
	if got := pushed.Items[2]; got.Status != intake.Waiting {
		t.Errorf("child of the bad one: %s %v", got.Status, got.Problem)
	}
}

func TestFeedGivesAScopedReaderWhatItMaySee(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	job := w.Job(t)
	w.Must(t, w.Field, storagetest.Item(t, storagetest.ID(), &domain.Component{JobID: job, Component: domain.Boot}))
	page, err := db.Changes(context.Background(), w.Field, storage.FeedQuery{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[domain.Kind]int{}
	for _, item := range page.Items {
		kinds[item.Entry.Kind]++
	}
	for kind, n := range map[domain.Kind]int{"rule_set": 1, "contractor": 1, "crew_member": 1, "credential": 1, "instrument": 1, "device": 1, "home": 1, "job": 1, "component": 1} {
		if kinds[kind] != n {
			t.Errorf("%s: %d, want %d", kind, kinds[kind], n)
		}
	}
	after, err := db.Changes(context.Background(), w.Field, storage.FeedQuery{After: page.Next, Limit: 100})
	if err != nil || len(after.Items) != 0 || after.Next != page.Next || after.More {
		t.Errorf("nothing new, but %d items, %+v, %v", len(after.Items), after.Next, err)
	}
}
