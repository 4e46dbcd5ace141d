package storagetest

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// JobRecords is the size of a whole job as a crew sends it in one evening.
const JobRecords = 70

const exampleDay = "2026-10-14"

// WholeJob makes the records of one job with new ids: the invented job of the
// rules, on the world's home, crew and instrument.
func (w *World) WholeJob(t testing.TB) []*intake.Item {
	t.Helper()
	return w.WholeJobOn(t, exampleDay)
}

// WholeJobOn is the job of another day, with pictures of its own.
func (w *World) WholeJobOn(t testing.TB, day string) []*intake.Item {
	t.Helper()
	evaluation := rules.ExampleEvaluation()
	var ids []string
	var kept []rules.Item
	member := false
	for _, item := range evaluation.Items {
		id := ID()
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
		if keep {
			kept = append(kept, rules.Item{Kind: item.Kind, ID: id, Record: item.Record})
		}
	}
	if !member || len(kept) != JobRecords {
		t.Fatalf("the example has %d records of its own", len(kept))
	}
	replace := strings.NewReplacer(append(ids, exampleDay, day)...)
	items := make([]*intake.Item, len(kept))
	for i, k := range kept {
		switch r := k.Record.(type) {
		case *domain.Job:
			r.State, r.Outcome = domain.InWork, "" // a crew starts it
		case *domain.Visit:
			r.CrewIDs = r.CrewIDs[:1]
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
		items[i] = Item(t, k.ID, record)
	}
	return items
}

// NewHome makes one more home, so that one more job can be started.
func (w *World) NewHome(t testing.TB) {
	t.Helper()
	w.Home = ID()
	w.Must(t, w.Staff, Item(t, w.Home, &domain.Home{SectionCount: 2, DuctedSections: []domain.Section{"A", "B"}}))
}
