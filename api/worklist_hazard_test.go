package api_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// A hazard that a crew saw and worked on through waits for the office from the
// moment it came: it is late after a day, gone once it is answered, and back when the
// visit says more. Neither acceptance nor the crew's own word takes it away.
func TestAHazardWaitsUntilItIsRead(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff, field, w := a.Tokens[domain.Staff], a.Tokens[domain.Field], a.World
	job, visit := w.Job(t), storagetest.ID()
	put := func(base int, hazards ...domain.HazardSeen) {
		must(a, field, item(domain.VisitKind, visit, base, domain.Visit{JobID: job, VisitedOn: "2026-10-01", Hazards: hazards}))
	}
	seen := func(kind string) domain.HazardSeen { return domain.HazardSeen{Kind: kind, SeenAt: a.Clock.Now()} }
	answer := func(token string, decision domain.Decision) {
		must(a, token, item(domain.ReviewKind, storagetest.ID(), 0, domain.Review{JobID: job, Decision: decision, Text: "an electrician was sent",
			Finding: &domain.FindingRef{Rule: rules.HazardRead, Subjects: []domain.Subject{{Kind: domain.VisitKind, ID: visit}}}}))
	}
	waits := func(sort string, n int, words ...string) {
		t.Helper()
		list := waiting(a, staff, "?sort="+sort)
		if len(list.Items) != n || list.count(sort) != n {
			t.Fatalf("%s: %+v, want %d", sort, list, n)
		}
		for _, i := range list.Items {
			for _, word := range words {
				if i.JobID != job.String() || !strings.Contains(i.Detail, word) {
					t.Errorf("%s: %+v, want %q", sort, i, word)
				}
			}
		}
	}
	put(0)
	waits("hazard", 0)
	put(1, seen("bare_wire"))
	waits("hazard", 1, "bare wire", "today")
	answer(field, domain.Reply) // is no reading of it
	a.Clock.Move(25 * time.Hour)
	waits("hazard", 0)
	waits("hazard_late", 1, "bare wire", "yesterday", "late")
	if got := waiting(a, staff, ""); !slices.Contains(got.sorts(), "hazard_late") {
		t.Errorf("the whole list: %+v", got)
	}
	if got := waiting(a, staff, "?sort=hazard&hazard_days=2"); len(got.Items) != 1 {
		t.Errorf("with two days: %+v", got)
	}
	if got := waiting(a, field, ""); slices.Contains(got.sorts(), "hazard_late") {
		t.Errorf("the crew: %+v", got)
	}
	answer(staff, domain.Answer)
	waits("hazard_late", 0)
	put(2, seen("bare_wire"), seen("mold"))
	waits("hazard", 1, "bare wire, mold", "today")
	answer(staff, domain.Answer)
	waits("hazard", 0)
	put(3)
	waits("hazard", 0)
	put(4, seen("gas_smell"))
	must(a, staff, object{"kind": "visit", "id": visit, "base_version": 5, "void": object{"reason": "another home"}})
	waits("hazard", 0)
}
