package month_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/month"
	"ductledger/storage/storagetest"
)

// A package lists the digest of each picture that a job had when it was accepted:
// none of a voided photo, none of a job that is not accepted, and no bytes.
func TestAPackageListsPicturesByTheirDigests(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	job := a.SentIn(200, 100)
	taken := time.Date(2026, 9, 3, 10, 30, 0, 0, time.FixedZone("", -7*3600))
	photo := func(words string) (id domain.UUID, digest string) {
		sum := sha256.Sum256([]byte(words))
		id, digest = storagetest.ID(), hex.EncodeToString(sum[:])
		a.Must(t, a.Staff, storagetest.Item(t, id, &domain.Photo{JobID: job, SHA256: digest, BytesCount: int64(len(words)), MediaType: "image/jpeg", WidthPx: 4, HeightPx: 3,
			TakenAt: taken, Stage: domain.SurveyStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: job}}}))
		return id, digest
	}
	kept, digest := photo("an invented picture")
	void, _ := photo("a picture of something else")
	withdrawn := &intake.Item{Kind: domain.PhotoKind, ID: void, BaseVersion: 1, Void: "of another home"}
	withdrawn.Raw = fmt.Appendf(nil, `{"kind":"photo","id":%q,"base_version":1,"void":{"reason":"of another home"}}`, void)
	a.Must(t, a.Staff, withdrawn)
	a.Decide(job, domain.Accept)
	waiting := a.SentIn(200, 100)
	a.MoveTo("2026-10-02 09:00:00")
	b := a.build("2026-09", 0)

	found := map[string]map[string]string{}
	for _, row := range b.tables["pictures"] {
		if row["job_id"] != month.JobRef(job) {
			t.Errorf("a picture of %s; %s waits", row["job_id"], month.JobRef(waiting))
		}
		found[row["photo_id"]] = row
	}
	if len(found) != 2 || found[month.PhotoRef(void)] != nil { // this one and the one that every accepted job shows
		t.Errorf("%d pictures: %v", len(found), found)
	}
	for column, want := range map[string]string{"picture_sha256": "x" + digest, "bytes_count": "19", "stage": "survey", "taken_at": "2026-09-03T10:30:00-07:00"} {
		if got := found[month.PhotoRef(kept)][column]; got != want {
			t.Errorf("%s is %q, want %q", column, got, want)
		}
	}
	b.verify(t, nil)
}
