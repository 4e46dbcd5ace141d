package api_test

import (
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

// A crew could ask for any home's resident by starting a job there. It sees who
// lives there once the office says that it knows of the job, and learns it with
// its next pull.
func TestAJobThatACrewStartsShowsNoContactUntilConfirmed(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	w := a.World
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	home, job := storagetest.ID(), storagetest.ID()
	must(a, staff, item(domain.HomeKind, home, 0, &domain.Home{SectionCount: 1}))
	a.Send(staff, "PUT", "/v1/homes/"+home.String()+"/resident", object{"name": residentCanary, "phone": "555 0100", "street": "1 Invented Way"}).Want(200)
	must(a, field, item(domain.JobKind, job, 0, &domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: "measured", State: domain.InWork}))

	contact := func() bool {
		t.Helper()
		return strings.Contains(string(a.Send(field, "GET", "/v1/homes/"+home.String(), nil).Want(200).Body), residentCanary)
	}
	var feed struct {
		Items []any  `json:"items"`
		Next  string `json:"next_after"`
	}
	pull := func(after string) bool {
		t.Helper()
		answer := a.Send(field, "GET", "/v1/changes?limit=500&after="+after, nil).Want(200)
		answer.Into(&feed)
		return strings.Contains(string(answer.Body), residentCanary)
	}
	if contact() || pull("0") {
		t.Error("a job that the crew started itself shows who lives there")
	}
	list := waiting(a, staff, "")
	if list.count("started_by_crew") != 1 || list.count("sent_in") != 0 {
		t.Errorf("what waits: %+v", list.Counts)
	}
	other, otherHome := storagetest.ID(), storagetest.ID()
	must(a, staff, item(domain.HomeKind, otherHome, 0, &domain.Home{SectionCount: 1}))
	must(a, field, item(domain.JobKind, other, 0, &domain.Job{HomeID: otherHome, ContractorID: w.Contractor, PayBasis: "measured", State: domain.Assigned}))
	if list := waiting(a, staff, "?limit=1"); list.count("started_by_crew") != 2 || len(list.Items) != 1 {
		t.Errorf("a short page counts what waits, not what it shows: %+v", list.Counts)
	}
	if crews := waiting(a, field, ""); crews.count("started_by_crew") > 0 {
		t.Errorf("it waits for the office, not for the crew: %+v", crews.Counts)
	}
	// Whatever the crew does with its job confirms nothing.
	must(a, field, item(domain.JobKind, job, 1, &domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: "measured", State: domain.InWork, Outcome: "partial"}))
	if contact() || pull(feed.Next) {
		t.Error("the crew's own change of the job shows who lives there")
	}
	before := feed.Next
	review := object{"job_id": job.String(), "decision": "confirm"}
	at := "/v1/reviews/" + storagetest.ID().String()
	a.Send(field, "PUT", at, review).Want(403)
	a.Send(staff, "PUT", at, review).Want(201)
	if !contact() || !pull(before) {
		t.Error("the office confirmed the job, and its crew does not learn who lives there")
	}
	if list := waiting(a, staff, ""); list.count("started_by_crew") != 1 {
		t.Errorf("the other job alone waits: %+v", list.Counts)
	}
	a.Send(staff, "PUT", "/v1/reviews/"+storagetest.ID().String(), review).Want(422)
}

// The office knows of what it writes itself.
func TestTheOfficesOwnVersionConfirmsAJob(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	w := a.World
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	home, job := storagetest.ID(), storagetest.ID()
	must(a, staff, item(domain.HomeKind, home, 0, &domain.Home{SectionCount: 1}))
	a.Send(staff, "PUT", "/v1/homes/"+home.String()+"/resident", object{"name": residentCanary}).Want(200)
	record := domain.Job{HomeID: home, ContractorID: w.Contractor, PayBasis: "measured", State: domain.Assigned}
	must(a, field, item(domain.JobKind, job, 0, &record))
	record.DueOn = "2026-11-01"
	must(a, staff, item(domain.JobKind, job, 1, &record))
	if !strings.Contains(string(a.Send(field, "GET", "/v1/homes/"+home.String(), nil).Want(200).Body), residentCanary) {
		t.Error("the office gave the job a due day, and its crew does not see who lives there")
	}
}
