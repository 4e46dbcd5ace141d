package storage_test

import (
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

// stamp makes items the caller's, as the service does on receipt.
func stamp(caller domain.Caller, at time.Time, items []*intake.Item) storage.Push {
	for i, item := range items {
		item.SentBy(caller)
		item.Index, item.ReceivedAt = i, at
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
	pushed := w.Must(t, w.Field, w.WholeJob(t)...)
	if len(pushed.Items) != storagetest.JobRecords || len(pushed.Jobs) != 1 || pushed.HeldOpen != 0 {
		t.Errorf("%d items, jobs %+v, %d held", len(pushed.Items), pushed.Jobs, pushed.HeldOpen)
	}
}
