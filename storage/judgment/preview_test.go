package judgment_test

import (
	"context"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"
)

// A preview ends with its caller's time.
func TestPreviewEndsInTime(t *testing.T) {
	t.Parallel()
	db, _ := storagetest.Open(t)
	w := storagetest.Program(t, db)
	set := storagetest.ID()
	w.Must(t, w.Admin, storagetest.Item(t, set, &domain.RuleSet{Name: "coming", FromOn: "2026-12-01"}))
	q := judgment.PreviewQuery{RuleSetID: set, From: "2026-10-01", Before: "2026-11-01", Limit: 10}
	if p, err := judgment.ReadPreview(context.Background(), db, w.Staff, q); err != nil || p.Totals == nil || p.Totals.Jobs != 0 {
		t.Fatalf("%+v %v", p, err)
	}
	over, cancel := context.WithDeadline(context.Background(), time.Unix(0, 0))
	defer cancel()
	if _, err := judgment.ReadPreview(over, db, w.Staff, q); domain.CodeOf(err) != domain.TimeLimit {
		t.Errorf("%v", err)
	}
}
