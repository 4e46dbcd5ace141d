package storage_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// A reader far behind gets the same in small pages, which reach to a bound only,
// as in one page that reads all its jobs: no item is left out, none comes out
// of order, and there is no page without any before the last.
func TestSmallPagesOfTheFeed(t *testing.T) {
	t.Parallel()
	a := &feedAgency{storagetest.NewAgency(t, time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC)), t}
	other := storagetest.ID()
	a.Must(t, a.Staff, storagetest.Item(t, other, &domain.Contractor{Name: "Another Invented"}))
	random := rand.New(rand.NewPCG(3, 14))
	var jobs, accepted []domain.UUID
	for i := range 30 {
		if i%5 == 4 {
			accepted = append(accepted, a.Accepted(318, 120.7))
		} else {
			a.NewHome(t)
			jobs = append(jobs, a.Job(t))
		}
		for range random.IntN(6) { // work on any of the jobs, early and late
			job := jobs[random.IntN(len(jobs))]
			var record domain.Record = &domain.Component{JobID: job, Component: domain.Boot}
			if random.IntN(2) == 0 { // not for the contractor's office
				record = &domain.Photo{JobID: job, SHA256: fmt.Sprintf("%064x", i), BytesCount: 1, TakenAt: a.DB.Now(), Stage: domain.BeforeStage}
			}
			a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), record))
		}
		if i%7 == 6 { // one goes away, and the next one may come back
			a.give(jobs[random.IntN(len(jobs))], other)
		}
		if i%9 == 8 {
			a.give(jobs[random.IntN(len(jobs))], a.Contractor)
			a.measureHome(accepted[random.IntN(len(accepted))])
		}
	}
	field := storagetest.Token(t, a.DB, storage.Token{Role: domain.Field, ContractorID: a.Contractor}, a.Program)
	office := storagetest.Token(t, a.DB, storage.Token{Role: domain.ContractorRole, ContractorID: a.Contractor}, a.Program)
	for _, caller := range []domain.Caller{field, office} {
		for _, kinds := range [][]domain.Kind{nil, {domain.ComponentKind}, {domain.WaiverKind}, {domain.JobKind, domain.PhotoKind}} {
			for _, from := range []storage.Place{{}, {Effective: 40, Position: 40}} {
				whole := a.feed(caller, storage.FeedQuery{After: from, Limit: 500, Kinds: kinds})
				for _, limit := range []int{1, 2, 3, 5, 8} {
					got := a.feed(caller, storage.FeedQuery{After: from, Limit: limit, Kinds: kinds})
					if from.Effective == 0 { // its first page knows nothing to drop, the next may
						got = slices.DeleteFunc(got, func(item string) bool { return strings.Contains(item, " drop ") })
					}
					for i := range max(len(got), len(whole)) {
						if i >= len(got) || i >= len(whole) || got[i] != whole[i] {
							t.Errorf("%s, kinds %v, after %d, pages of %d: %d items, in one page %d; they differ from item %d on", caller.Role, kinds, from.Effective, limit, len(got), len(whole), i)
							break
						}
					}
				}
			}
		}
	}
}

// feedAgency is an agency whose feed a test reads.
type feedAgency struct {
	*storagetest.Agency
	t *testing.T
}

// give hands an open job to a contractor.
func (a *feedAgency) give(job, contractor domain.UUID) {
	a.t.Helper()
	a.alter(domain.JobKind, job, func(r domain.Record) { r.(*domain.Job).ContractorID = contractor })
}

// measureHome corrects the floor area of a job's home, which later jobs need.
func (a *feedAgency) measureHome(job domain.UUID) {
	a.t.Helper()
	var home domain.UUID
	a.alter(domain.JobKind, job, func(r domain.Record) { home = r.(*domain.Job).HomeID })
	a.alter(domain.HomeKind, home, func(r domain.Record) { *r.(*domain.Home).FloorAreaFt2++ })
}

// alter has staff change a record as it stands; without a change it is a replay.
func (a *feedAgency) alter(kind domain.Kind, id domain.UUID, change func(domain.Record)) {
	a.t.Helper()
	seen, err := a.DB.Record(context.Background(), a.Staff, kind, id)
	if err != nil {
		a.t.Fatal(err)
	}
	record, err := domain.Decode(kind, seen.Entry.Body)
	if err != nil {
		a.t.Fatal(err)
	}
	change(record)
	a.Push(a.t, a.Staff, storagetest.On(storagetest.Item(a.t, id, record), seen.Entry.Version))
}

// feed reads pages to the end.
func (a *feedAgency) feed(caller domain.Caller, q storage.FeedQuery) (items []string) {
	a.t.Helper()
	for pages := 0; ; pages++ {
		page, err := a.DB.Changes(context.Background(), caller, q)
		if err != nil {
			a.t.Fatal(err)
		}
		if page.More && len(page.Items) == 0 || len(page.Items) > q.Limit || pages > 5000 {
			a.t.Fatalf("page %d holds %d items, more is %v", pages, len(page.Items), page.More)
		}
		for _, item := range page.Items {
			if item.Place.Effective < q.After.Effective {
				a.t.Fatalf("%v comes after %v", item.Place, q.After)
			}
			text := fmt.Sprintf("%d/%d drop %s %s", item.Place.Effective, item.Place.Position, item.DropJob, item.DropReason)
			if e := item.Entry; e != nil {
				text = fmt.Sprintf("%d/%d %s %s/%d", item.Place.Effective, item.Place.Position, e.Kind, e.ID, e.Version)
			}
			items = append(items, text)
		}
		if q.After = page.Next; !page.More {
			return items
		}
	}
}
