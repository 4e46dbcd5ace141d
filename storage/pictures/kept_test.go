package pictures_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage/photos"
	"ductledger/storage/pictures"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// The program keeps pictures two months after the acceptance of their job. What is
// older is erased, with its digest in the audit; an open job, one that was opened
// again, one that was accepted later and a picture that came later keep theirs.
func TestPicturesAreKeptAsLongAsTheProgramSays(t *testing.T) {
	t.Parallel()
	a := storagetest.NewAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC), func(set *domain.RuleSet) {
		set.PicturesKeptMonthsCount, set.KeepsOriginalPictures = new(2), new(true)
	})
	dir := t.TempDir()
	store, err := photos.OpenFolder(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = store.Close() })
	s := &scene{World: a.World, clock: a.Clock, store: store, dir: dir}
	p, ctx := pictures.New(a.DB, store, nil), context.Background()
	seed := uint64(20)
	of := map[string]domain.UUID{}
	digests := map[string]string{}
	take := func(name string, job domain.UUID) (content []byte) {
		seed++
		content = noisy(t, seed)
		sum := sha256.Sum256(content)
		s.job, digests[name] = job, hex.EncodeToString(sum[:])
		of[name] = s.photo(t, content)
		return content
	}
	arrive := func(name string, content []byte) {
		t.Helper()
		if u, err := send(p, a.Staff, of[name], content, 1<<20); err != nil || u.State != domain.BytesStored {
			t.Fatalf("%s: %+v, %v", name, u, err)
		}
	}
	jobs := map[string]domain.UUID{}
	late := []byte(nil)
	for _, name := range []string{"old", "opened again", "open", "came late", "accepted later"} {
		jobs[name] = a.SentIn(200, 100)
		if content := take(name, jobs[name]); name == "came late" {
			late = content
		} else {
			arrive(name, content)
		}
	}
	for _, name := range []string{"old", "opened again", "came late"} {
		a.Decide(jobs[name], domain.Accept)
	}
	a.MoveTo("2026-10-01 09:00:00")
	a.Decide(jobs["opened again"], domain.Reopen)
	arrive("came late", late)
	a.Decide(jobs["accepted later"], domain.Accept)
	tidy := func(want int) {
		t.Helper()
		if done, err := p.Tidy(ctx); err != nil || done.Erased != want {
			t.Errorf("%d are erased, want %d; %v", done.Erased, want, err)
		}
	}
	a.MoveTo("2026-11-03 09:59:00") // accepted on 3 September at 18:00 UTC, which is 10 am since the clocks went back
	tidy(0)
	a.MoveTo("2026-11-03 10:01:00")
	tidy(1)
	tidy(0)

	for name, id := range of {
		_, err := p.Find(ctx, a.Staff, id, pictures.Original)
		if gone := domain.CodeOf(err) == domain.NotFound; gone != (name == "old") || err != nil && !gone {
			t.Errorf("%s: %v", name, err)
		}
		files := slices.DeleteFunc(s.files(t), func(file string) bool { return !strings.Contains(file, id.String()) })
		if want := map[bool]int{true: 0, false: 3}[name == "old"]; len(files) != want { // shown, thumbnail, original
			t.Errorf("%s: in the store stand %v", name, files)
		}
		record, err := a.DB.Record(ctx, a.Staff, domain.PhotoKind, id)
		if err != nil || !strings.Contains(string(record.Entry.Body), digests[name]) {
			t.Errorf("%s: the record and its digest do not stay: %v", name, err)
		}
	}
	if _, err := p.Find(ctx, a.Staff, of["old"], pictures.Shown); err == nil || !strings.Contains(err.Error(), "erased on 2026-11-03") {
		t.Errorf("who asks for it is told %v", err)
	}
	lines := audited(t, s, of["old"])
	if len(lines) != 2 || !strings.HasPrefix(lines[0], "picture_erased sha256 "+digests["old"]) || !strings.Contains(lines[0], "kept for 2 months after the job's acceptance") ||
		!strings.HasPrefix(lines[1], "picture_removed sha256 "+digests["old"]) {
		t.Errorf("the proof: %q", lines)
	}
	if lines := audited(t, s, of["open"]); len(lines) > 0 {
		t.Errorf("of a picture that is kept: %q", lines)
	}
}

// audited are the audit's lines about a subject, oldest first.
func audited(t *testing.T, s *scene, subject domain.UUID) (lines []string) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, storagetest.AddressOf(s.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, "SELECT action || ' ' || detail FROM audit WHERE program_id = $1 AND subject_id = $2 ORDER BY audit_id", [16]byte(s.Program), [16]byte(subject))
	if err != nil {
		t.Fatal(err)
	}
	if lines, err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
		t.Fatal(err)
	}
	return lines
}
