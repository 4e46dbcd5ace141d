package api_test

import (
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// dropsOf are the jobs that a feed tells to drop, with the reason.
func dropsOf(items []entry) map[string]string {
	drops := map[string]string{}
	for _, e := range items {
		if e.Op == "drop" {
			drops[e.JobID] = e.Reason
		}
	}
	return drops
}

func recordsOf(items []entry, job string) (ids []string) {
	for _, e := range items {
		if e.Op == "put" && e.JobID == job {
			ids = append(ids, e.ID)
		}
	}
	return ids
}

// A job enters a contractor's feed whole, however old its records are, and
// leaves it by one drop that names no successor.
func TestJobsEnterAndLeaveTheFeed(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, first := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	firm, second := secondContractor(t, a)
	_, cursor1 := pullAll(a, first, "0", "limit=500")
	_, cursor2 := pullAll(a, second, "0", "limit=500")

	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	job := in.Job.String()
	news, cursor1 := pullAll(a, first, cursor1, "limit=20")
	if got := recordsOf(news, job); len(got) != len(in.Work)+1 || len(dropsOf(news)) != 0 {
		t.Errorf("%d records of the job, want %d; drops %v", len(got), len(in.Work)+1, dropsOf(news))
	}
	if !slices.ContainsFunc(news, func(e entry) bool { return e.ID == in.Home.String() }) {
		t.Error("the home did not come with its job")
	}
	if news, cursor2 = pullAll(a, second, cursor2, "limit=500"); len(news) != 0 {
		t.Errorf("the other contractor reads %v", places(news))
	}

	// reassigned: the whole job for the one, a drop for the other
	moved := in.state(domain.SentIn)
	moved.ContractorID = firm
	must(a, staff, item(domain.JobKind, in.Job, 2, moved))
	news, cursor1 = pullAll(a, first, cursor1, "limit=500")
	if drops := dropsOf(news); len(drops) != 1 || drops[job] != "reassigned" || len(recordsOf(news, job)) != 0 {
		t.Errorf("the first reads %v", places(news))
	}
	got := string(a.Send(first, "GET", "/v1/changes?limit=500", nil).Want(200).Body)
	if strings.Contains(got, firm.String()) {
		t.Error("the first learns who has the job now")
	}
	news, cursor2 = pullAll(a, second, cursor2, "limit=13")
	if got := recordsOf(news, job); len(got) != len(in.Work)+1 {
		t.Errorf("the second gets %d records, want %d", len(got), len(in.Work)+1)
	}
	for i := 1; i < len(news); i++ {
		if news[i].Op == "put" && news[i-1].Op == "put" && news[i].Position < news[i-1].Position && news[i].JobID == job && news[i-1].JobID == job {
			t.Errorf("position %d comes after %d", news[i].Position, news[i-1].Position)
		}
	}
	// a device that begins now has nothing to drop
	if fresh, _ := pullAll(a, first, "0", "limit=500"); len(dropsOf(fresh)) != 0 || len(recordsOf(fresh, job)) != 0 {
		t.Errorf("from the beginning: %v", places(fresh))
	}

	// returned and back again
	must(a, staff, in.review(domain.Return))
	moved = in.state(domain.SentIn)
	moved.State = domain.Returned
	must(a, staff, item(domain.JobKind, in.Job, 4, moved)) // to the first contractor
	news, cursor1 = pullAll(a, first, cursor1, "limit=500")
	if got := recordsOf(news, job); len(got) != len(in.Work)+2 { // with the job and the review
		t.Errorf("given back, %d records come, want %d", len(got), len(in.Work)+2)
	}
	if news, _ = pullAll(a, second, cursor2, "limit=500"); dropsOf(news)[job] != "reassigned" {
		t.Errorf("the second reads %v", places(news))
	}

	// accepted: the crew drops it, the contractor keeps it
	firmToken := a.Tokens[domain.ContractorRole]
	_, cursorFirm := pullAll(a, firmToken, "0", "limit=500")
	must(a, first, item(domain.JobKind, in.Job, 5, in.state(domain.SentIn)))
	must(a, staff, in.review(domain.Accept))
	news, _ = pullAll(a, first, cursor1, "limit=500")
	if drops := dropsOf(news); drops[job] != "accepted" || len(drops) != 1 {
		t.Errorf("accepted: %v", places(news))
	}
	news, _ = pullAll(a, firmToken, cursorFirm, "limit=500")
	if len(dropsOf(news)) != 0 || !slices.ContainsFunc(news, func(e entry) bool { return e.ID == job && e.Record["state"] == "accepted" }) {
		t.Errorf("the contractor reads %v", places(news))
	}
}

// A job that is voided or deferred leaves the feed, each with its reason.
func TestVoidAndDeferredJobsLeaveTheFeed(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	field := a.Tokens[domain.Field]
	gone, later := a.World.Job(t), a.World.Job(t)
	_, cursor := pullAll(a, field, "0", "limit=500")
	a.Do(domain.Staff, "POST", "/v1/jobs/"+gone.String()+"/void", object{"reason": "entered twice"}, "If-Match", `"1"`).Want(200)
	must(a, a.Tokens[domain.Staff], (&invented{Job: later}).review(domain.Defer))
	news, _ := pullAll(a, field, cursor, "limit=500")
	if drops := dropsOf(news); drops[gone.String()] != "void" || drops[later.String()] != "ended" || len(drops) != 2 {
		t.Errorf("%v", drops)
	}
	for _, job := range []domain.UUID{gone, later} {
		a.Send(field, "GET", "/v1/jobs/"+job.String(), nil).Want(404)
		if got := push(a, field, item(domain.OpeningKind, job, 0, crewOpening(job, 3))).Items[0]; got.Status != "rejected" || got.Problem.Code != "job_not_assigned" {
			t.Errorf("work on a job that has left: %s %+v", got.Status, got.Problem)
		}
	}
}

// A resident's change is news of the home for those who may see it: with the
// next revision, the same record, and a lease.
func TestResidentsComeWithTheFeed(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	a.World.Job(t)
	field, at := a.Tokens[domain.Field], "/v1/homes/"+a.World.Home.String()+"/resident"
	_, cursor := pullAll(a, field, "0", "limit=500")
	for i, street := range []string{"1 Invented Lane", "2 Invented Lane", ""} {
		if street != "" {
			a.Do(domain.Staff, "PUT", at, object{"name": "Invented Resident", "street": street}).Want(200)
		} else {
			a.Do(domain.Staff, "POST", at+"/erase", nil).Want(200)
		}
		var news []entry
		news, cursor = pullAll(a, field, cursor, "limit=500")
		if len(news) != 1 || news[0].Kind != "home" || news[0].ResidentRevision != int64(i+1) || news[0].Version != int64(i+2) || news[0].Record["section_count"] != 1.0 {
			t.Fatalf("change %d: %+v", i, news)
		}
		if got, _ := news[0].Resident["street"].(string); got != street {
			t.Errorf("change %d: street %q, want %q", i, got, street)
		}
	}
}
