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

// Records whose parents come last follow by themselves, level by level, with
// their own device and time, and nothing stays held.
func TestWaitingChainFollows(t *testing.T) {
	t.Parallel()
	db, clock := storagetest.Open(t)
	w := storagetest.Program(t, db)
	home, job, part, repair := storagetest.ID(), storagetest.ID(), storagetest.ID(), storagetest.ID()
	sent := clock.Now()
	for _, item := range []*intake.Item{
		storagetest.Item(t, repair, &domain.Repair{JobID: job, Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{part}, DoneAt: sent}),
		storagetest.Item(t, part, &domain.Component{JobID: job, Component: domain.Boot}),
		storagetest.Item(t, job, &domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.InWork}),
	} {
		if got := w.Push(t, w.Field, item).Items[0]; got.Status != intake.Waiting || got.HeldID.IsZero() {
			t.Fatalf("%s: %s %v", item.Kind, got.Status, got.Problem)
		}
		clock.Move(time.Second)
	}
	pushed := w.Must(t, w.Staff, storagetest.Item(t, home, &domain.Home{SectionCount: 1}))
	if pushed.HeldOpen != 0 {
		t.Errorf("%d items are still held", pushed.HeldOpen)
	}
	for i, key := range []intake.Key{{Kind: domain.RepairKind, ID: repair}, {Kind: domain.ComponentKind, ID: part}, {Kind: domain.JobKind, ID: job}} {
		seen, err := db.Record(context.Background(), w.Staff, key.Kind, key.ID)
		if err != nil {
			t.Fatalf("the %s did not follow: %v", key.Kind, err)
		}
		if e := seen.Entry; e.Version != 1 || e.DeviceID != w.Device || e.TokenID != w.Field.Token || !e.ReceivedAt.Equal(sent.Add(time.Duration(i)*time.Second)) {
			t.Errorf("the %s follows as %+v", key.Kind, e)
		}
	}
	applied, err := db.HeldItems(context.Background(), w.Staff, "applied", domain.UUID{}, domain.UUID{}, 10)
	if err != nil || len(applied) != 3 {
		t.Errorf("%d items are noted as applied, %v", len(applied), err)
	}
}

// What waits has its sender's rights, not those of who brings the parent, and
// a contractor's device cannot write into a job that it never had by waiting
// for its next version.
func TestWaitingGivesNoRights(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	other, device := storagetest.ID(), storagetest.ID()
	w.Must(t, w.Staff, storagetest.Item(t, other, &domain.Contractor{Name: "Other Invented"}),
		storagetest.Item(t, device, &domain.Device{ContractorID: &other, Name: "phone 9", State: domain.DeviceActive}))
	stranger := storagetest.Token(t, db, storage.Token{Role: domain.Field, ContractorID: other, DeviceID: device}, w.Program)
	job := w.Job(t)
	part := storagetest.ID()
	if got := w.Push(t, stranger, storagetest.Item(t, part, &domain.Component{JobID: job, Component: domain.Boot})).Items[0]; got.Status != intake.Waiting {
		t.Fatalf("a stranger's part: %s %v", got.Status, got.Problem)
	}
	next := &domain.Job{HomeID: w.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.InWork}
	w.Must(t, w.Field, storagetest.On(storagetest.Item(t, job, next), 1))
	changed := *next
	changed.Priority = "high"
	w.Must(t, w.Staff, storagetest.On(storagetest.Item(t, job, &changed), 2))
	if _, err := db.Record(context.Background(), w.Staff, domain.ComponentKind, part); domain.CodeOf(err) != domain.NotFound {
		t.Errorf("a stranger's part came into the job: %v", err)
	}
	// A crew may write no waiver, whoever brings the job; staff's comes, whoever does.
	for _, c := range []struct {
		waits, brings domain.Caller
		want          bool
	}{{w.Field, w.Staff, false}, {w.Staff, w.Field, true}} {
		home := storagetest.ID()
		w.Must(t, w.Staff, storagetest.Item(t, home, &domain.Home{SectionCount: 1}))
		job, waiver := storagetest.ID(), storagetest.ID()
		w.Push(t, c.waits, storagetest.Item(t, waiver, &domain.Waiver{JobID: job, Reason: "agreed", AgreedConsequence: "none"}))
		w.Must(t, c.brings, storagetest.Item(t, job, &domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.Assigned}))
		if _, err := db.Record(context.Background(), w.Staff, domain.WaiverKind, waiver); (err == nil) != c.want {
			t.Errorf("a waiver by %s, its job by %s: %v", c.waits.Role, c.brings.Role, err)
		}
	}
}

// The same ids in another program bring nothing there, and what waits here
// is never applied by what comes there.
func TestWaitingItemOfAnotherProgram(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	here, there := storagetest.Program(t, db), storagetest.Program(t, db)
	job, part := storagetest.ID(), storagetest.ID()
	early := storagetest.Item(t, part, &domain.Component{JobID: job, Component: domain.Boot})
	if got := here.Push(t, here.Field, early).Items[0]; got.Status != intake.Waiting {
		t.Fatalf("%s %v", got.Status, got.Problem)
	}
	there.Must(t, there.Field, storagetest.Item(t, job, &domain.Job{HomeID: there.Home, ContractorID: there.Contractor, PayBasis: domain.Measured, State: domain.InWork}))
	for _, w := range []*storagetest.World{here, there} {
		if _, err := db.Record(context.Background(), w.Staff, domain.ComponentKind, part); domain.CodeOf(err) != domain.NotFound {
			t.Errorf("the part came: %v", err)
		}
	}
	if got := here.Push(t, here.Field, again(early)).Items[0]; got.Status != intake.Waiting {
		t.Errorf("again: %s %v", got.Status, got.Problem)
	}
	// A reference into the other program is answered like a random id.
	mine := here.Push(t, here.Field, storagetest.Item(t, storagetest.ID(), &domain.Visit{JobID: here.Job(t), VisitedOn: "2026-10-01", LeadID: &there.Lead})).Items[0]
	if mine.Status != intake.Waiting || mine.Missing.ID != there.Lead || mine.Current != 0 {
		t.Errorf("a reference into another program: %+v", mine)
	}
}
