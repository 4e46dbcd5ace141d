package month_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	monthdb "ductledger/storage/month"
)

// A home counts where its acceptance falls in the program's own zone: at
// 23:59:59 of the last day in October, one second later in November, although
// both are the same day in UTC.
func TestMonthEndsInTheProgramsZone(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC))
	a.MoveTo("2026-09-30 23:59:59")
	september := a.Accepted(200, 100)
	a.MoveTo("2026-10-01 00:00:00")
	first := a.Accepted(318, 120.7)
	a.MoveTo("2026-10-31 23:59:59")
	last := a.Accepted(150, 60)
	a.MoveTo("2026-11-01 00:00:00")
	november := a.Accepted(100, 50)
	a.MoveTo("2026-11-02 09:00:00")

	b := a.build("2026-10", 0)
	var jobs []string
	for _, row := range b.tables["jobs"] {
		jobs = append(jobs, row["job_id"]+" "+row["accepted_on"])
	}
	want := []string{month.JobRef(first) + " 2026-10-01", month.JobRef(last) + " 2026-10-31"}
	if !slices.Equal(jobs, want) {
		t.Errorf("jobs of October:\n%v\nwant\n%v\n(september %s, november %s)", jobs, want, september, november)
	}
	if b.State != monthdb.PackageVerified || !b.Finished || b.Revision != 1 {
		t.Errorf("state %s, finished %t, revision %d", b.State, b.Finished, b.Revision)
	}
	for measure, line := range map[string]string{
		"jobs_accepted":   "1 2 0 0 0 3",
		"before_cfm25":    "2000 4680 0 0 0 6680",
		"after_cfm25":     "1000 1807 0 0 0 2807",
		"reduction_cfm25": "1000 2873 0 0 0 3873",
		"payable":         "25000 71825 0 0 0 96825", // 100.0 × 250; 197.3 × 250 = 49325 and 90.0 × 250 = 22500 [calc]
		"held_back":       "2500 7182 0 0 0 9682",    // 4932.5 and 2250, half to even [calc]
	} {
		if got := b.line(measure); got != line {
			t.Errorf("%s: %s, want %s", measure, got, line)
		}
	}
	b.verify(t, nil)
	b.verify(t, a.build("2026-09", 0))
	if n := len(b.tables["measurements"]); n != 4 {
		t.Errorf("%d readings, want 4", n)
	}
	if name := b.tables["contractors"][0]["contractor_name"]; name != `'=Invented, "Sealing"` {
		t.Errorf("a name that begins like a formula stands as %q", name)
	}
}

// Two builds at one position are the same bytes, also of two programs started
// apart: nothing of the hour of the build enters the file.
func TestBuildingAgainGivesTheSameBytes(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 10, 3, 18, 0, 0, 0, time.UTC))
	a.Accepted(318, 120.7)
	a.MoveTo("2026-11-20 10:00:00")
	ctx := context.Background()
	plan, err := monthdb.PlanOf(ctx, a.DB, a.Staff, "2026-10", "", 0)
	if err != nil {
		t.Fatal(err)
	}
	var files [2]bytes.Buffer
	for i := range files {
		if _, _, err := monthdb.Write(ctx, a.DB, a.Program, &plan, &files[i], monthdb.Options{BuildID: "test"}); err != nil {
			t.Fatal(err)
		}
		a.Clock.Move(26 * time.Hour)
		a.Accepted(100, 50) // another month's
	}
	first := a.build("2026-10", 0)
	if !bytes.Equal(files[0].Bytes(), files[1].Bytes()) || !bytes.Equal(files[0].Bytes(), first.bytes) {
		t.Error("three builds of one month differ")
	}
	again, made, err := monthdb.BuildNow(ctx, a.DB, a.Admin, "2026-10", "", 0, monthdb.Options{BuildID: "another"})
	if err != nil || made || again.Revision != 1 || again.SHA256 != first.SHA256 || again.BuiltBy != "Sam Invented" {
		t.Errorf("again: made %t, %+v, %v", made, again, err)
	}
	later := a.build("2026-10", first.Position+1)
	if later.Revision != 2 || later.SupersedesSHA256 != first.SHA256 {
		t.Errorf("cut later: revision %d supersedes %q", later.Revision, later.SupersedesSHA256)
	}
	later.verify(t, nil)
}

func TestEmptyAndUnfinishedMonths(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 8, 10, 18, 0, 0, 0, time.UTC))
	a.Accepted(200, 100)
	a.MoveTo("2026-10-15 12:00:00")
	empty := a.build("2026-09", 0)
	if got := empty.line("jobs_accepted"); got != "1 0 0 0 0 1" || len(empty.tables["jobs"]) != 0 {
		t.Errorf("a month without jobs: %s, %d rows", got, len(empty.tables["jobs"]))
	}
	empty.verify(t, a.build("2026-08", 0))
	a.SentIn(100, 50)
	open := a.build("2026-10", 0)
	if open.Finished || open.State != monthdb.PackageDraft || open.excluded("job_sent_in") != "1" {
		t.Errorf("unfinished month: finished %t, %s, sent in %q", open.Finished, open.State, open.excluded("job_sent_in"))
	}
	if _, _, err := monthdb.Release(context.Background(), a.DB, a.Admin, "2026-10", "", 1, false); domain.CodeOf(err) != domain.UnfinishedPeriod {
		t.Errorf("released an unfinished month: %v", err)
	}
	for m, code := range map[domain.Month]domain.Code{"2026-11": domain.Invalid, "2026-07": domain.NotFound, "2026-7": domain.Invalid} {
		if _, err := monthdb.PlanOf(context.Background(), a.DB, a.Staff, m, "", 0); domain.CodeOf(err) != code {
			t.Errorf("%s: %v, want %s", m, err, code)
		}
	}
}

// What happens to a job after its month stands in the package that is the
// first to know, once, and moves the figures there; its own month's package
// does not change.
func TestCorrectionsStandInExactlyOnePackage(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	reopened, voided, excluded, late, twice, open := a.Accepted(200, 100), a.Accepted(210, 100), a.Accepted(220, 100), a.Accepted(230, 100), a.Accepted(240, 100), a.Accepted(250, 100)
	a.Decide(open, domain.Reopen) // accepted and opened in one month: in no figure of it
	a.MoveTo("2026-10-02 09:00:00")
	september := a.build("2026-09", 0)
	a.Accepted(100, 40)
	a.Decide(reopened, domain.Reopen)
	a.Void(voided)
	a.Decide(excluded, domain.Exclude)
	a.Must(t, a.Staff, a.Reading(late, domain.After, 80, 0))
	a.Decide(twice, domain.Reopen)
	a.Must(t, a.Field, a.Reading(twice, domain.After, 90, time.Hour))
	a.Send(twice)
	a.Decide(twice, domain.Accept)
	a.Send(open)
	a.Decide(open, domain.Accept) // of September, in no package before: late
	a.MoveTo("2026-11-02 09:00:00")
	october := a.build("2026-10", 0)
	a.Void(reopened) // withdrawn already: an event without figures
	a.MoveTo("2026-12-02 09:00:00")
	november := a.build("2026-11", 0)

	for _, c := range []struct {
		b             *built
		measure, line string
	}{
		{september, "jobs_accepted", "0 5 0 0 0 5"},
		{september, "after_cfm25", "0 5000 0 0 0 5000"},
		{october, "jobs_accepted", "5 1 1 -1 1 5"},                    // one opened again, one void, one late
		{october, "before_cfm25", "11000 1000 2500 -2000 2100 10400"}, // 200.0 withdrawn, 210.0 void [calc]
		{october, "after_cfm25", "5000 400 1000 -1100 1000 4300"},     // 100.0 withdrawn, 100.0 → 90.0 [calc]
		{november, "jobs_accepted", "5 0 0 0 0 5"},
		{november, "after_cfm25", "4300 0 0 0 0 4300"},
	} {
		if got := c.b.line(c.measure); got != c.line {
			t.Errorf("%s %s: %s, want %s", c.b.Month, c.measure, got, c.line)
		}
	}
	for b, want := range map[*built]string{
		september: `2026-09 re_opened after_cfm25 ×1
2026-09 re_opened before_cfm25 ×1
2026-09 re_opened contractor_id ×1
2026-09 re_opened fund_source ×1
2026-09 re_opened held_back_cents ×1
2026-09 re_opened outcome ×1
2026-09 re_opened pay_basis ×1
2026-09 re_opened payable_cents ×1
2026-09 re_opened reduction_cfm25 ×1
2026-09 re_opened state ×1`,
		november: "2026-09 voided state ×1",
	} {
		if got := b.events(); got != want {
			t.Errorf("events of %s:\n%s\nwant\n%s", b.Month, got, want)
		}
	}
	events := october.events()
	for _, want := range []string{"2026-09 accepted_again state ×2", "2026-09 changed no_reduction_reason ×1", "2026-09 late_work measurement ×1",
		"2026-09 re_opened state ×2", "2026-09 voided state ×1"} {
		if !strings.Contains(events, want) {
			t.Errorf("events of October lack %q:\n%s", want, events)
		}
	}
	if got := october.excluded("record_late"); got != "1" {
		t.Errorf("late records: %q", got)
	}
	seen := map[string]domain.Month{}
	for _, b := range []*built{september, october, november} {
		for _, row := range b.tables["corrections"] {
			if at, twice := seen[row["correction_id"]]; twice {
				t.Errorf("%s stands in %s and %s", row["correction_id"], at, b.Month)
			}
			seen[row["correction_id"]] = b.Month
		}
	}
	october.verify(t, september)
	november.verify(t, october)
	if again := a.read(mustPackage(t, a, "2026-09", 1)); !bytes.Equal(again.bytes, september.bytes) {
		t.Error("the file of September changed")
	}
}
