package api_test

import (
	"testing"

	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// Whose job went to another contractor sends again without harm, and is told
// nothing of what the other did since.
func TestAReplayTellsNothingOfAJobThatLeft(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, first := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	firm, second := secondContractor(t, a)
	job, opening := storagetest.ID(), storagetest.ID()
	record := domain.Job{HomeID: a.World.Home, ContractorID: a.World.Contractor, PayBasis: domain.Measured, State: domain.Assigned}
	must(a, staff, item(domain.JobKind, job, 0, record))
	must(a, first, item(domain.OpeningKind, opening, 0, crewOpening(job, 4)))
	must(a, first, item(domain.OpeningKind, opening, 1, crewOpening(job, 5)))
	given := record
	given.ContractorID = firm
	must(a, staff, item(domain.JobKind, job, 1, given))
	must(a, second, item(domain.OpeningKind, opening, 2, crewOpening(job, 6)))

	moved := record
	moved.State = domain.InWork
	got := push(a, first, item(domain.OpeningKind, opening, 0, crewOpening(job, 4)), item(domain.OpeningKind, opening, 1, crewOpening(job, 5)),
		item(domain.OpeningKind, opening, 1, crewOpening(job, 7)), item(domain.JobKind, job, 1, moved), item(domain.JobKind, job, 0, record)).Items
	for i, want := range []struct {
		status, code string
		version      int64
	}{{"replayed", "", 1}, {"replayed", "", 2}, {"rejected", "job_not_assigned", 0}, {"rejected", "job_not_assigned", 0}, {"replayed", "", 1}} {
		switch {
		case got[i].Status != want.status || got[i].Version != want.version || want.code != "" && got[i].Problem.Code != want.code:
			t.Errorf("item %d: %+v, want %+v", i, got[i], want)
		case got[i].Current != nil:
			t.Errorf("item %d tells %+v", i, got[i].Current)
		case want.code != "" && got[i].HeldID == "":
			t.Errorf("item %d is not held", i)
		}
	}
	var e entry
	a.Send(first, "PUT", "/v1/openings/"+opening.String(), crewOpening(job, 4)).Want(200).Into(&e)
	if e.Version != 1 || e.Record["position_ft"] != 4.0 {
		t.Errorf("a PUT sent again answers %+v", e)
	}
	if got := push(a, second, item(domain.OpeningKind, opening, 0, crewOpening(job, 4))).Items[0]; got.Status != "replayed" || got.Current == nil || got.Current.Version != 3 {
		t.Errorf("who has the job now gets %+v", got)
	}
}
