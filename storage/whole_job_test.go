package storage_test

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// jobRecords is the size of a whole job as a crew sends it in one evening.
const jobRecords = 45

// wholeJob makes the records of one job with new ids: the invented job of the
// rules, on the world's home, crew and instrument, its last photos left out.
func wholeJob(t testing.TB, w *storagetest.World) []*intake.Item {
	t.Helper()
	return wholeJobOn(t, w, exampleDay)
}

const exampleDay = "2026-10-14"

// wholeJobOn is the job of another day, with pictures of its own.
func wholeJobOn(t testing.TB, w *storagetest.World, day string) []*intake.Item {
	t.Helper()
	evaluation := rules.ExampleEvaluation()
	var ids []string
	var kept []rules.Item
	member := false
	for _, item := range evaluation.Items {
		id := storagetest.ID()
		keep := true
		switch item.Kind {
		case domain.ContractorKind:
			id, keep = w.Contractor, false
		case domain.CrewMemberKind: // both people of the example are the world's one
			id, keep, member = w.Lead, false, true
		case domain.InstrumentKind:
			id, keep = w.Instrument, false
		case domain.HomeKind:
			id, keep = w.Home, false
		case domain.CredentialKind:
			keep = false
		}
		ids = append(ids, item.ID.String(), id.String())
		if keep && len(kept) < jobRecords {
			kept = append(kept, rules.Item{Kind: item.Kind, ID: id, Record: item.Record})
		}
	}
	if !member || len(kept) != jobRecords {
		t.Fatalf("the example has %d records of its own", len(kept))
	}
	replace := strings.NewReplacer(append(ids, exampleDay, day)...)
	items := make([]*intake.Item, len(kept))
	for i, k := range kept {
		switch r := k.Record.(type) {
		case *domain.Job:
			r.State, r.Outcome = domain.InWork, "" // a crew starts it
		case *domain.Photo:
			r.SHA256 = fmt.Sprintf("%x", sha256.Sum256(k.ID[:]))
		}
		text, err := json.Marshal(k.Record)
		if err != nil {
			t.Fatal(err)
		}
		record, err := domain.Decode(k.Kind, []byte(replace.Replace(string(text))))
		if err != nil {
			t.Fatal(err)
		}
		items[i] = storagetest.Item(t, k.ID, record)
	}
	return items
}

// home makes one more home, so that one more job can be started.
func home(t testing.TB, w *storagetest.World) {
	t.Helper()
	w.Home = storagetest.ID()
	w.Must(t, w.Staff, storagetest.Item(t, w.Home, &domain.Home{SectionCount: 2, DuctedSections: []domain.Section{"A", "B"}}))
}

// stamp makes items the caller's, as the service does on receipt.
func stamp(caller domain.Caller, at time.Time, items []*intake.Item) storage.Push {
	for i, item := range items {
		item.Index, item.TokenID, item.DeviceID, item.ReceivedAt = i, caller.Token, caller.Device, at
	}
	return storage.Push{Items: items, ReceivedAt: at, Hold: true}
}

// again is a copy of an item as a device sends it once more.
func again(item *intake.Item) *intake.Item {
	sent := *item
	sent.Problem = nil
	return &sent
}

func TestWholeJob(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	pushed := w.Must(t, w.Field, wholeJob(t, w)...)
	if len(pushed.Items) != jobRecords || len(pushed.Jobs) != 1 || pushed.HeldOpen != 0 {
		t.Errorf("%d items, jobs %+v, %d held", len(pushed.Items), pushed.Jobs, pushed.HeldOpen)
	}
}
