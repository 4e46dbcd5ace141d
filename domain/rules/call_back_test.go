package rules

import (
	"slices"
	"testing"

	"ductledger/domain"
)

// calledBack adds to the clean job a complaint, a visit two weeks later, and a
// boot that was sealed again then, with tape.
func calledBack(t testing.TB) (j *jobUnderTest, call domain.UUID, visit *domain.Visit, again *domain.Repair) {
	j = clean(t)
	call = j.add(&domain.CallBack{JobID: j.job, ReportedOn: "2026-10-20", Reason: "cold room"})
	arrived, left := at("09:00").AddDate(0, 0, 14), at("10:00").AddDate(0, 0, 14)
	second := *j.visit()
	second.VisitedOn, second.CallBackID, second.ArrivedAt, second.LeftAt = "2026-10-28", &call, &arrived, &left
	visit = &second
	j.add(visit)
	again = &domain.Repair{JobID: j.job, Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{j.repair(2).ComponentIDs[0]}, Access: domain.FromBelow,
		DoneAt: at("09:30").AddDate(0, 0, 14), Materials: []domain.Material{domain.Tape}, WidestGapIn: new(0.125)}
	j.add(again)
	return j, call, visit, again
}

// The work after a call-back is judged by its own day; what was found in the
// work before is not repeated.
func TestCallBackIsJudgedApart(t *testing.T) {
	j, call, visit, again := calledBack(t)
	j.crossing().Ends[0].FastenersCount = new(3) // a finding of the old work
	one[domain.Credential](j, 0).ValidUntilOn = "2026-10-20"
	asked := domain.Date("")
	verdicts := JudgeCallBacks(func(day domain.Date) Set { asked = day; return j.set() }, j.assemble())
	if len(verdicts) != 1 || verdicts[0].CallBackID != call || asked != "2026-10-28" || verdicts[0].WorkedOn != "2026-10-28" {
		t.Fatal(show(verdicts))
	}
	var rules []string
	for _, f := range verdicts[0].Findings {
		rules = append(rules, f.Rule)
	}
	if !slices.Equal(rules, []string{"tape_alone_no_seal", "crew_certified"}) || verdicts[0].Counts != (Counts{MustFix: 2}) {
		t.Error(show(verdicts))
	}
	again.Materials = []domain.Material{domain.Mastic}
	one[domain.Credential](j, 0).ValidUntilOn = "2027-02-28"
	if verdicts = JudgeCallBacks(func(domain.Date) Set { return j.set() }, j.assemble()); len(verdicts[0].Findings) != 0 {
		t.Error(show(verdicts))
	}
	visit.CallBackID = nil
	if verdicts = JudgeCallBacks(func(domain.Date) Set { return j.set() }, j.assemble()); len(verdicts) != 0 {
		t.Error("a call-back without a visit was judged", show(verdicts))
	}
}
