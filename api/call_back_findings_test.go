package api_test

import (
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// What a crew does after a call-back is judged, and stands beside the verdict
// that was accepted, which does not change.
func TestWorkAfterACallBackIsJudged(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := accepted(a, a.World, a.Tokens)
	type answer struct {
		Findings  []rules.Finding         `json:"findings"`
		CallBacks []rules.CallBackVerdict `json:"call_backs"`
	}
	read := func() (got answer) {
		a.Do(domain.ContractorRole, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&got)
		return got
	}
	before := read()
	call, visit, again := storagetest.ID(), storagetest.ID(), storagetest.ID()
	must(a, a.Tokens[domain.Staff], item(domain.CallBackKind, call, 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-16", Reason: "cold room"}))
	if got := read(); len(got.CallBacks) != 0 {
		t.Errorf("judged before anybody went there: %+v", got.CallBacks)
	}
	a.Clock.Move(3 * 24 * time.Hour)
	day := a.Clock.Now().In(time.FixedZone("", -7*60*60))
	boot := in.ids(domain.ComponentKind)
	must(a, a.Tokens[domain.Field],
		item(domain.VisitKind, visit, 0, domain.Visit{JobID: in.Job, VisitedOn: domain.DateOf(day, day.Location()), CallBackID: &call}),
		item(domain.RepairKind, again, 0, domain.Repair{JobID: in.Job, Repair: domain.RepairBoot, ComponentIDs: boot[:1], Access: domain.FromBelow,
			DoneAt: day, Materials: []domain.Material{domain.Tape}, WidestGapIn: new(0.125)}))
	got := read()
	if len(got.Findings) != len(before.Findings) {
		t.Errorf("the accepted verdict had %d findings, now %d", len(before.Findings), len(got.Findings))
	}
	if len(got.CallBacks) != 1 || got.CallBacks[0].CallBackID != call {
		t.Fatalf("%+v", got.CallBacks)
	}
	var crew answer // reads what it has to do, as everybody else
	if a.Do(domain.Field, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&crew); len(crew.CallBacks) != 1 {
		t.Errorf("the crew reads %+v", crew.CallBacks)
	}
	found := map[string]int{}
	for _, f := range got.CallBacks[0].Findings {
		found[f.Rule]++
	}
	if found["tape_alone_no_seal"] != 1 || found["crew_certified"] != 1 {
		t.Errorf("%v", found)
	}
}
