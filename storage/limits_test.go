package storage_test

import (
	"fmt"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// Where too much is held already, what cannot be accepted stays with its
// sender, who is told so; all else goes on.
func TestHeldItemsAreBounded(t *testing.T) {
	t.Parallel()
	for name, limits := range map[string]storage.Limits{
		"items of a token":   {HeldTokenItems: 3},
		"bytes of a token":   {HeldTokenBytes: 300},
		"items of a program": {HeldItems: 3},
		"bytes of a program": {HeldBytes: 300},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, _ := storagetest.Open(t, func(o *storage.Options) { o.Limits = limits })
			w := storagetest.Program(t, db)
			bad := func(n int) (items []*intake.Item) { // openings of jobs that nobody knows
				for range n {
					items = append(items, storagetest.Item(t, storagetest.ID(), &domain.Opening{JobID: storagetest.ID(), In: domain.InWrap, Origin: domain.ByCrew}))
				}
				return items
			}
			first := bad(4)
			was := w.Push(t, w.Field, first...)
			for _, got := range was.Items {
				if got.Status != intake.Waiting || got.HeldID.IsZero() {
					t.Fatalf("%s %v", got.Status, got.Problem)
				}
			}
			again := *first[0]
			home := storagetest.Item(t, storagetest.ID(), &domain.Home{SectionCount: 1})
			pushed := w.Push(t, w.Field, append(bad(2), &again)...)
			for _, got := range pushed.Items[:2] {
				if got.Status != intake.Retry || !got.HeldID.IsZero() || got.Problem == nil || got.Problem.Code != domain.QuotaExceeded || got.Problem.RetryAfter == 0 {
					t.Errorf("without room: %s %v", got.Status, got.Problem)
				}
			}
			if got := pushed.Items[2]; got.Status != intake.Waiting || got.HeldID != was.Items[0].HeldID {
				t.Errorf("sent again: %s, held as %s and not %s", got.Status, got.HeldID, was.Items[0].HeldID)
			}
			others := w.Push(t, w.Staff, append(bad(1), home)...)
			ofToken := strings.Contains(name, "token")
			if got := others.Items[0]; (got.Status == intake.Waiting) != ofToken || others.Items[1].Status != intake.Created {
				t.Errorf("another token: %s, its good item %s", got.Status, others.Items[1].Status)
			}
		})
	}
}

// A job takes so many records; what is beyond is rejected and held, with the
// limit named, and what stands can still be changed and reviewed.
func TestRecordsOfAJobAreBounded(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t, func(o *storage.Options) { o.Limits = storage.Limits{JobRecords: 6} })
	w := storagetest.Program(t, db)
	job := w.Job(t)
	opening := func() *intake.Item {
		return storagetest.Item(t, storagetest.ID(), &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew})
	}
	first := opening()
	w.Must(t, w.Field, first, opening())
	pushed := w.Push(t, w.Field, opening(), opening(), opening(), opening(), opening())
	statuses := map[intake.Status]int{}
	for _, got := range pushed.Items {
		statuses[got.Status]++
		if got.Status == intake.Rejected && (got.HeldID.IsZero() || !strings.Contains(got.Problem.Faults[0].Detail, "6 records")) {
			t.Errorf("%+v", got.Problem)
		}
	}
	if want := map[intake.Status]int{intake.Created: 3, intake.Rejected: 2}; fmt.Sprint(statuses) != fmt.Sprint(want) {
		t.Errorf("got %v, want %v", statuses, want)
	}
	length := 3.0
	changed := storagetest.On(storagetest.Item(t, first.ID, &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew, LengthIn: &length}), 1)
	w.Must(t, w.Field, changed)
	w.Must(t, w.Staff, storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: job, Decision: domain.Defer, ReasonCodes: []string{"invented_reason"}}))
}
