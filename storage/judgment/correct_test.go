package judgment_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"
)

// A correction changes what it names and nothing else: the acceptance stands in
// its month, work that came late stays out, nothing was returned to the crew,
// and what it froze can be made again to the byte.
func TestACorrectionLeavesLateWorkOut(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	a := storagetest.NewAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	id := a.Accepted(200, 100)
	first, err := judgment.Read(ctx, a.DB, a.Staff, id)
	if err != nil {
		t.Fatal(err)
	}
	a.Clock.Move(time.Hour)
	a.Must(t, a.Field, a.Reading(id, domain.After, 40, 0)) // late
	a.MoveTo("2026-10-05 09:00:00")
	correct := func(outcome domain.Outcome) {
		seen, err := a.DB.Record(ctx, a.Staff, domain.JobKind, id)
		if err != nil {
			t.Fatal(err)
		}
		record, err := domain.Decode(domain.JobKind, seen.Entry.Body)
		if err != nil {
			t.Fatal(err)
		}
		job := record.(*domain.Job)
		job.Outcome = outcome
		a.Must(t, a.Staff, storagetest.Item(t, storagetest.ID(), &domain.Review{JobID: id, Decision: domain.Correct, ReasonCodes: []string{"wrong_outcome"},
			Items: []domain.Subject{{Kind: domain.JobKind, ID: id}}}), storagetest.On(storagetest.Item(t, id, job), seen.Entry.Version))
	}
	correct(domain.Partial)
	correct(domain.Completed) // the late reading lies before the first correction, and stays out
	now, err := judgment.Read(ctx, a.DB, a.Staff, id)
	if err != nil {
		t.Fatal(err)
	}
	if now.Acceptance == nil || now.Acceptance.Month != first.Acceptance.Month || !now.Acceptance.AcceptedAt.Equal(first.Acceptance.AcceptedAt) || now.Acceptance.Position <= first.Acceptance.Position {
		t.Errorf("accepted %+v, corrected %+v", first.Acceptance, now.Acceptance)
	}
	if !strings.Contains(string(now.Result), `"after_cfm25":100,`) {
		t.Errorf("the late reading counts: %s", now.Result)
	}
	if rows, differs := recomputed(t, a.DB, a.Program); rows != 3 || len(differs) > 0 {
		t.Errorf("%d rows, %q", rows, differs)
	}
	// Opened again, the late reading counts.
	a.Decide(id, domain.Reopen)
	if now, err = judgment.Read(ctx, a.DB, a.Staff, id); err != nil || !strings.Contains(string(now.Result), `"after_cfm25":40,`) {
		t.Errorf("opened again: %s, %v", now.Result, err)
	}
}
