package api_test

import (
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/callbacks"
	"ductledger/domain/crews"
	"ductledger/domain/rules"
	"ductledger/storage/storagetest"
)

// A job is called back once, by its first complaint, and all contractors stand in one answer.
func TestCallBackRates(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	read := func() (f callbacks.Figures) {
		t.Helper()
		a.Do(domain.Staff, "GET", "/v1/call-back-rates?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&f)
		return f
	}
	if f := read(); f.WarrantyMonths != 12 || f.Program.Reason != "no_jobs" || len(f.Contractors) != 0 {
		t.Errorf("no job yet: %+v", f)
	}
	in := accepted(a, a.World, a.Tokens)
	accepted(a, a.World, a.Tokens)
	a.Clock.Move(24 * time.Hour)
	must(a, staff,
		item(domain.CallBackKind, storagetest.ID(), 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-16", Reason: "cold room", CauseCode: domain.CausePartLoose,
			AtFault: "crew", ClosedOn: "2026-10-16"}),
		item(domain.CallBackKind, storagetest.ID(), 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-15", Reason: "a noise", CauseCode: domain.CauseNothingFound,
			AtFault: "unknown", ClosedOn: "2026-10-16"}))
	f := read()
	if len(f.Contractors) != 1 || f.Contractors[0].ContractorID != a.World.Contractor {
		t.Fatalf("contractors: %+v", f.Contractors)
	}
	c := f.Contractors[0]
	if c.JobsCount != 2 || c.CalledBackCount != 1 || c.AtFaultCount != 1 || c.Reason != "warranty_runs" || len(c.Causes) != 1 || c.Causes[0].Cause != "nothing_found" || c.Listed {
		t.Errorf("called back: %+v", c)
	}
	if p := a.Do(domain.Staff, "PUT", "/v1/call-backs/"+storagetest.ID().String(), object{"job_id": in.Job, "reported_on": "2026-10-16", "reason": "x", "cause_code": "poltergeist"}).
		Want(422).Problem(); len(p.Errors) != 1 || p.Errors[0].Pointer != "/cause_code" {
		t.Errorf("a cause that is none: %+v", p)
	}
	a.Do(domain.ContractorRole, "GET", "/v1/call-back-rates?from=2026-10-01&before=2026-11-01", nil).Want(403)
}

// Who may lead, what an inspector found of the crew, and a lesson after it.
func TestCrewsOfAProgram(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	leadOf := func(items []rules.Item) (lead *domain.UUID) {
		for _, i := range items {
			if v, ok := i.Record.(*domain.Visit); ok {
				lead = v.LeadID
			}
		}
		return lead
	}
	in := accepted(a, a.World, a.Tokens, func(r domain.Record) {
		if repair, ok := r.(*domain.Repair); ok && repair.Repair == domain.RepairCrossover {
			repair.MemberID = leadOf(rules.ExampleEvaluation().Items)
		}
	})
	lead := *leadOf(in.items)
	var who struct {
		On    domain.Date
		Crews []crews.Lead
	}
	leads := func(query string) *crews.Lead {
		t.Helper()
		who.Crews = nil
		a.Do(domain.Staff, "GET", "/v1/crews"+query, nil).Want(200).Into(&who)
		for i := range who.Crews {
			if who.Crews[i].CrewMemberID == lead {
				return &who.Crews[i]
			}
		}
		return &crews.Lead{}
	}
	if l := leads(""); !l.MayLead || l.CertificateUntilOn != "2027-02-28" || l.HomesLedCount != 42 || l.BesideExperienced || who.On != "2026-10-15" { // 41 before, one in it
		t.Errorf("may lead: %+v on %s", l, who.On)
	}
	if l := leads("?on=2027-03-01"); l.MayLead || len(l.Reasons) != 1 || l.Reasons[0] != crews.CertificateLapsed {
		t.Errorf("the day after its last: %+v", l)
	}
	if l := leads("?on=2027-01-30&soon_days=30&contractor_id=" + a.World.Contractor.String()); !l.MayLead || !l.RetrainingDue {
		t.Errorf("lapses soon: %+v", l)
	}
	if l := leads("?contractor_id=" + storagetest.ID().String()); l.Name != "" || len(who.Crews) != 0 {
		t.Errorf("of another contractor: %+v", who.Crews)
	}
	a.Do(domain.Staff, "GET", "/v1/crews?soon_days=many", nil).Want(400)

	look := func(job domain.UUID, verdict domain.InspectorVerdict, purpose string) any {
		return item(domain.InspectionKind, storagetest.ID(), 0, domain.Inspection{JobID: job, Purpose: purpose, InspectedOn: "2026-10-15", InspectorName: "Ira Invented",
			Verdicts: []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: verdict}, {Rule: "boot_sealed", Verdict: domain.VerdictNotVisible}, {Rule: "takeoff_sealed", Verdict: domain.VerdictHolds}}, Result: "failed"})
	}
	byHand := accepted(a, a.World, a.Tokens)
	a.Do(domain.Staff, "POST", "/v1/inspection-draws", object{"job_id": byHand.Job, "reason_codes": []string{"resident_complained"}}).Want(201)
	reading, photo := inspectionTest(in)
	read := *reading["record"].(*domain.Measurement)
	read.TakenAt = a.Clock.Now()
	reading["record"] = &read
	must(a, staff, reading, photo, look(in.Job, domain.VerdictBroken, "monitoring"), look(byHand.Job, domain.VerdictBroken, "monitoring"))
	during := accepted(a, a.World, a.Tokens)
	must(a, staff, look(during.Job, domain.VerdictBroken, "in_progress")) // mended on site: against nobody
	var needs struct {
		Crews        []crews.Crew
		Members      []crews.TaughtMember
		Without      int                  `json:"judged_without_member_count"`
		ByInspectors []crews.ProgramTopic `json:"program_by_inspectors"`
		ByRecords    []crews.ProgramTopic `json:"program_by_records"`
	}
	a.Do(domain.Staff, "GET", "/v1/training-needs?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&needs)
	if len(needs.Crews) != 1 || needs.Crews[0].LeadID != lead || needs.Crews[0].JudgedCount != 2 || len(needs.Crews[0].Topics) != 1 ||
		needs.Crews[0].Topics[0].JudgedCount != 1 || needs.Crews[0].Topics[0].Listed {
		t.Errorf("one home, after the work, not opened by hand: %+v", needs.Crews)
	}
	if r := needs.Crews[0].InspectorOverCrew; r.N != 1 || r.Reason != "too_few" {
		t.Errorf("one home was read again: %+v", r)
	}
	if m := needs.Members; len(m) != 1 || m[0].CrewMemberID != lead || m[0].Name == "" || m[0].JudgedCount != 1 || len(m[0].Topics) != 1 || m[0].Topics[0].Rule != "crossover_off_ground" || needs.Without != 1 {
		t.Errorf("the crossover's repair names a member, the take-offs' none: %+v, %d without", m, needs.Without)
	}
	if len(needs.ByInspectors) != 1 || len(needs.ByRecords) != 0 { // the accepted jobs hold all rules
		t.Errorf("the program: %+v, %+v", needs.ByInspectors, needs.ByRecords)
	}

	must(a, staff, item(domain.TrainingEventKind, storagetest.ID(), 0, domain.TrainingEvent{CrewMemberID: lead, HeldOn: "2026-10-15", Topic: "Crossovers", Rules: []string{"crossover_off_ground"}}))
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole} { // the office's own, by every door
		a.Do(role, "GET", "/v1/training-events", nil).Want(403)
		var feed struct{ Items []struct{ Kind domain.Kind } }
		a.Do(role, "GET", "/v1/changes?kinds=training_event&limit=500", nil).Want(200).Into(&feed)
		if len(feed.Items) != 0 {
			t.Errorf("%s is told of lessons: %+v", role, feed.Items)
		}
	}
	var lessons struct {
		Lessons []struct {
			Name      string
			HeldOn    domain.Date  `json:"held_on"`
			ByRecords crews.Effect `json:"by_records"`
		}
	}
	a.Do(domain.Staff, "GET", "/v1/lessons?from=2026-10-01&before=2026-11-01", nil).Want(200).Into(&lessons)
	if len(lessons.Lessons) != 1 || lessons.Lessons[0].ByRecords.Reason != "too_few_homes" || lessons.Lessons[0].Name == "" {
		t.Errorf("lessons: %+v", lessons.Lessons)
	}
	if l := leads(""); l.TrainedOn != "2026-10-15" {
		t.Errorf("trained: %+v", l)
	}
	for _, path := range []string{"/v1/crews", "/v1/training-needs?from=2026-10-01&before=2026-11-01", "/v1/lessons?from=2026-10-01&before=2026-11-01"} {
		for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Funder} {
			a.Do(role, "GET", path, nil).Want(403)
		}
	}
}
