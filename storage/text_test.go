package storage_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage"
	"ductledger/storage/judgment"
	"ductledger/storage/storagetest"
)

// An erased text is nowhere any more, with its salt; that there was one stays
// known: verdicts, results and the chain are what they were, and what is sent
// again is a replay and brings nothing back.
func TestErasedTexts(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	url := storagetest.URL(t)
	db := openAt(t, url)
	w := storagetest.Program(t, db)
	items := w.WholeJob(t)
	job := w.Must(t, w.Field, items...).Jobs[0].JobID
	const secret = "Mrs. Invented let us in"
	review := storagetest.ID()
	first := func() *intake.Item {
		return storagetest.Item(t, review, &domain.Review{JobID: job, Decision: domain.Reply, Text: secret})
	}
	w.Must(t, w.Staff, first())
	w.Must(t, w.Staff, storagetest.On(storagetest.Item(t, review, &domain.Review{JobID: job, Decision: domain.Reply, Text: secret + " again"}), 1))
	stale := w.Push(t, w.Staff, storagetest.Item(t, review, &domain.Review{JobID: job, Decision: domain.Reply, Text: secret + " too late"}))
	if stale.Items[0].Status != intake.Conflict || stale.Items[0].HeldID.IsZero() {
		t.Fatalf("%+v", stale.Items[0])
	}
	void := voidItem(domain.ReviewKind, review, 2)
	w.Must(t, w.Staff, void)
	before, err := judgment.Read(ctx, db, w.Staff, job)
	if err != nil {
		t.Fatal(err)
	}
	// All that somebody wrote about the home is listed: three versions, the reason
	// of the void, and what was held.
	listed, err := db.HomeTexts(ctx, w.Staff, w.Home)
	if err != nil {
		t.Fatal(err)
	}
	of := func(list []storage.WrittenText) (texts []string) {
		for _, l := range list {
			if l.ID == review {
				texts = append(texts, l.Pointer+" "+l.Text.Text)
			}
		}
		return texts
	}
	if got, want := of(listed), []string{"/text " + secret, "/text " + secret + " again", "/text " + secret + " again", "/void/reason a mistake", "/text " + secret + " too late"}; !slices.Equal(got, want) {
		t.Errorf("listed %q, want %q", got, want)
	}
	subject := []domain.Subject{{Kind: domain.ReviewKind, ID: review}}
	if remain, err := db.EraseTexts(ctx, w.Staff, w.Home, subject, true); err != nil || len(of(remain)) != 0 {
		t.Fatalf("only tried: %v, %v", of(remain), err)
	}
	if again, err := db.HomeTexts(ctx, w.Staff, w.Home); err != nil || !slices.Equal(of(again), of(listed)) {
		t.Fatalf("only tried, and gone: %v, %v", of(again), err)
	}
	remain, err := db.EraseTexts(ctx, w.Staff, w.Home, subject, false)
	if err != nil || len(of(remain)) != 0 || len(remain) != len(listed)-5 {
		t.Fatalf("%d of %d remain, %v", len(remain), len(listed), err)
	}
	if _, err := db.EraseTexts(ctx, w.Staff, w.Home, subject, false); domain.CodeOf(err) != domain.Invalid {
		t.Errorf("erased twice: %v", err)
	}
	page, err := db.Changes(ctx, w.Staff, storage.FeedQuery{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, item := range page.Items {
		if e := item.Entry; e.ID == review {
			seen++
			if e.Texts == nil || e.Texts.Salt != nil || !strings.Contains(string(e.Body), `"text":"`+domain.ErasedText+`"`) {
				t.Errorf("version %d: %s, %+v", e.Version, e.Body, e.Texts)
			}
			if e.Void != nil && e.Void.Reason != domain.ErasedText {
				t.Errorf("version %d is voided for %q", e.Version, e.Void.Reason)
			}
		}
	}
	if seen != 3 {
		t.Errorf("%d versions in the feed", seen)
	}
	held, err := db.HeldItem(ctx, w.Staff, stale.Items[0].HeldID)
	if err != nil || bytes.Contains(held.Bytes, []byte("Invented")) || !bytes.Contains(held.Bytes, []byte(domain.ErasedText)) {
		t.Errorf("held: %s, %v", held.Bytes, err)
	}
	if got := w.Push(t, w.Staff, first()).Items[0]; got.Status != intake.Replayed || got.Version != 1 {
		t.Errorf("sent again: %s, version %d", got.Status, got.Version)
	}
	after, err := judgment.Read(ctx, db, w.Staff, job)
	if err != nil || string(after.Result) != string(before.Result) || after.Verdict.Counts != before.Verdict.Counts {
		t.Errorf("the verdict moved: %+v, %+v, %v", before.Verdict.Counts, after.Verdict.Counts, err)
	}
	if err := judgment.Recompute(ctx, db, w.Program, job, func(r judgment.Recomputed) error {
		if !r.Same() {
			t.Errorf("recomputed: %v", r.Differs)
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
	if report, err := db.VerifyChain(ctx, w.Program, 0, 0); err != nil || report.Broken != 0 || report.To == 0 {
		t.Errorf("the chain: %+v, %v", report, err)
	}
	if err := verifyLedger(db, w.Staff); err != nil {
		t.Error(err)
	}
	var left int
	if err := dial(t, url).QueryRow(ctx, "SELECT count(*) FROM entry_text WHERE texts::text LIKE '%Invented let us in%'").Scan(&left); err != nil || left != 0 {
		t.Errorf("%d texts are left, %v", left, err)
	}
}
