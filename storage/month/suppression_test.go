package month_test

import (
	"context"
	"strconv"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
)

// floorFrom lets a rule set with a floor for counts begin on a day to come.
func (a *agency) floorFrom(day domain.Date, floor int) {
	a.t.Helper()
	set := a.Set
	set.FromOn, set.SuppressBelowCount = day, &floor
	a.Must(a.t, a.Admin, storagetest.Item(a.t, storagetest.ID(), &set))
}

// firm is a contractor with its own crew's token.
func (a *agency) firm(name string) (domain.UUID, domain.Caller) {
	a.t.Helper()
	id := storagetest.ID()
	a.Must(a.t, a.Staff, storagetest.Item(a.t, id, &domain.Contractor{Name: name}))
	return id, storagetest.Token(a.t, a.DB, storage.Token{Role: domain.Field, ContractorID: id}, a.Program)
}

// jobsOf lets a contractor do so many jobs, accepted.
func (a *agency) jobsOf(contractor domain.UUID, crew domain.Caller, count int) (ids []domain.UUID) {
	a.t.Helper()
	own, field := a.Contractor, a.Field
	a.Contractor, a.Field = contractor, crew
	for range count {
		ids = append(ids, a.Accepted(200, 100))
	}
	a.Contractor, a.Field = own, field
	return ids
}

// Of three contractors one is below the floor of 3: it and the next smallest
// are named without figures, their jobs name neither, and the figures of the
// package add up all the same.
func TestCountsBelowTheFloorAreSuppressed(t *testing.T) {
	t.Parallel()
	a := newAgency(t, time.Date(2026, 9, 3, 18, 0, 0, 0, time.UTC))
	a.Instrument = storagetest.ID() // the agency's own, lent to all
	a.Must(t, a.Staff, storagetest.Item(t, a.Instrument, &domain.Instrument{Instrument: domain.DuctFan, Serial: "F-2", CalibratedOn: "2020-01-01", CalibratedUntilOn: "2030-12-31"}))
	small, smallCrew := a.firm("Small Invented")
	middle, middleCrew := a.firm("Middle Invented")
	a.floorFrom("2026-10-15", 3)
	smallJobs := a.jobsOf(small, smallCrew, 1)
	a.MoveTo("2026-10-02 09:00:00")
	september := a.build("2026-09", 0) // no floor was in force
	a.jobsOf(small, smallCrew, 2)
	a.jobsOf(middle, middleCrew, 4)
	a.jobsOf(a.Contractor, a.Field, 5)
	a.Decide(smallJobs[0], domain.Reopen)
	a.MoveTo("2026-11-02 09:00:00")
	october := a.build("2026-10", 0)

	if row := september.tables["contractors"][0]; row["jobs_count"] != "1" || row["suppression"] != "" || september.excluded("contractors_suppressed") != "" {
		t.Errorf("before the floor: %v", row)
	}
	want := map[string]string{month.ContractorRef(a.Contractor): "5 125000", month.ContractorRef(small): " suppressed", month.ContractorRef(middle): " suppressed", "suppressed": "6 150000 sum_of_suppressed"}
	for _, row := range october.tables["contractors"] {
		got := row["jobs_count"]
		if row["payable_cents"] != "" {
			got += " " + row["payable_cents"]
		}
		if row["suppression"] != "" {
			got += " " + row["suppression"]
		}
		if got != want[row["contractor_id"]] {
			t.Errorf("%s: %q, want %q", row["contractor_name"], got, want[row["contractor_id"]])
		}
		delete(want, row["contractor_id"])
	}
	if len(want) != 0 {
		t.Errorf("missing: %v", want)
	}
	if got := october.excluded("contractors_suppressed"); got != "2" {
		t.Errorf("%q contractors are counted as suppressed", got)
	}
	for _, table := range []string{"jobs", "payments", "corrections", "call_backs", "measurements"} {
		for _, row := range october.tables[table] {
			for column, cell := range row {
				if cell == month.ContractorRef(small) || cell == month.ContractorRef(middle) {
					t.Errorf("%s %s tells %s", table, column, cell)
				}
			}
		}
	}
	october.recount(t)
	september.recount(t)
	october.verify(t, september)
	// In a lone contractor's month its name would be told with the total.
	a.jobsOf(small, smallCrew, 1)
	a.MoveTo("2026-12-02 09:00:00")
	november := a.build("2026-11", 0)
	if rows := november.tables["contractors"]; len(rows) != 1 || rows[0]["contractor_id"] != "suppressed" || november.excluded("contractors_suppressed") != "1" {
		t.Errorf("a lone contractor: %v", rows)
	}
	november.recount(t)
	november.verify(t, october)
	if p, _, err := monthdb.BuildNow(context.Background(), a.DB, a.Staff, "2026-10", "", 0, monthdb.Options{BuildID: "test"}); err != nil || p.SHA256 != october.SHA256 {
		t.Errorf("built again: %s, %v", p.SHA256, err)
	}
}

// recount holds contractors.csv to the rows of jobs.csv and payments.csv, by
// the contractor that they name.
func (b *built) recount(t *testing.T) {
	t.Helper()
	jobs, payable, lines := map[string]int64{}, map[string]int64{}, map[string]int64{}
	for _, row := range b.tables["jobs"] {
		jobs[row["contractor_id"]]++
		payable[row["contractor_id"]] += units(t, row["payable_cents"])
	}
	for _, row := range b.tables["payments"] {
		lines[row["contractor_id"]] += units(t, row["amount_cents"])
	}
	for _, row := range b.tables["contractors"] {
		id := row["contractor_id"]
		if row["suppression"] != "suppressed" && (row["jobs_count"] != strconv.FormatInt(jobs[id], 10) || units(t, row["payable_cents"]) != payable[id] || lines[id] != payable[id]) {
			t.Errorf("%s %s: %s jobs, %s cents; its rows are %d and %d, its lines %d", b.Month, id, row["jobs_count"], row["payable_cents"], jobs[id], payable[id], lines[id])
		}
		delete(jobs, id)
	}
	if len(jobs) != 0 {
		t.Errorf("%s: contractors without a row: %v", b.Month, jobs)
	}
}
