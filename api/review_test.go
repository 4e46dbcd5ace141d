package api_test

import (
	"cmp"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/api/docs"
	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

type finding struct {
	Rule     string
	Severity string
	Outcome  string
	Cure     string
	Detail   string
	Subjects []domain.Subject
}

func findingsOf(a *apitest.API, job domain.UUID) (list []finding) {
	a.T.Helper()
	var answer struct{ Findings []finding }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String()+"/findings", nil).Want(200).Into(&answer)
	return answer.Findings
}

func stateOf(a *apitest.API, job domain.UUID) string {
	a.T.Helper()
	var e entry
	a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String(), nil).Want(200).Into(&e)
	return e.Record["state"].(string)
}

// threeScrews makes a check finding, lateIsolation one that only a waiver closes.
func threeScrews(record domain.Record) {
	if r, ok := record.(*domain.Crossover); ok {
		three := 3
		r.Ends[0].FastenersCount = &three
	}
}

func lateIsolation(record domain.Record) {
	if r, ok := record.(*domain.EnergyIsolation); ok {
		late := r.IsolatedAt.Add(1 * 3600 * 1e9)
		verified := r.VerifiedAt.Add(1 * 3600 * 1e9)
		r.IsolatedAt, r.VerifiedAt = &late, &verified
	}
}

// A job is accepted when nothing is open any more: a check is answered, what
// must be fixed is cured or waived. The refusal names all that is open.
func TestAcceptanceNeedsNothingOpen(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	in := invent(a, a.World, threeScrews, lateIsolation)
	in.sendIn(a, a.Tokens)
	found := findingsOf(a, in.Job)
	if len(found) != 2 || found[0].Rule != "energy_isolated" || found[1].Rule != "crossover_collar_screws" {
		t.Fatalf("%+v", found)
	}
	check := func(want ...string) {
		t.Helper()
		before := stateOf(a, in.Job)
		review := in.review(domain.Accept)
		p := a.Do(domain.Staff, "PUT", "/v1/reviews/"+review["id"].(domain.UUID).String(), review["record"]).Want(422).Problem()
		var open []string
		for _, f := range p.Errors {
			open = append(open, f.Code)
		}
		if p.Code != "not_acceptable" || !slices.Equal(open, want) || stateOf(a, in.Job) != before {
			t.Errorf("%s %v, want %v", p.Code, open, want)
		}
	}
	check("energy_isolated", "crossover_collar_screws")
	must(a, staff, in.review(domain.Answer, func(r *domain.Review) {
		r.Finding = &domain.FindingRef{Rule: found[1].Rule, Subjects: found[1].Subjects}
		r.Text = "the fourth was seen on the photo"
	}))
	check("energy_isolated")
	must(a, staff, item(domain.WaiverKind, storagetest.ID(), 0, domain.Waiver{JobID: in.Job, Finding: domain.FindingRef{Rule: found[0].Rule, Subjects: found[0].Subjects},
		Reason: "the clock of the phone was wrong", AgreedConsequence: "the crew was told", SafetyTalkOn: "2026-10-15"}))
	b := must(a, staff, in.review(domain.Accept))
	if len(b.Jobs) != 1 || b.Jobs[0].MustFixCount != 0 || stateOf(a, in.Job) != "accepted" {
		t.Errorf("%+v, state %s", b.Jobs, stateOf(a, in.Job))
	}
	var e entry
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&e)
	if e.Version != 3 || e.Position != b.Items[0].Position+1 || e.TokenID != a.World.Staff.Token.String() && e.TokenID == "" {
		t.Errorf("the move is %+v, the review stands at %d", e, b.Items[0].Position)
	}
	var answer struct {
		Rules []struct {
			Rule     string
			Outcomes map[string]int
		}
	}
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/findings", nil).Want(200).Into(&answer)
	for _, r := range answer.Rules {
		if r.Rule == "energy_isolated" && r.Outcomes["waived"] != 1 {
			t.Errorf("%+v", r)
		}
	}
}

// Held items of a job stop its acceptance until they are settled; an acceptance that was
// refused stops none.
func TestHeldItemsStopTheAcceptance(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	bad := push(a, a.Tokens[domain.Field], item(domain.OpeningKind, storagetest.ID(), 0, object{"job_id": in.Job, "in": "wrap", "origin": "found", "color": 1})).Items[0]
	lost := push(a, a.Tokens[domain.Field], item(domain.OpeningKind, in.ids(domain.OpeningKind)[0], 0, crewOpening(in.Job, 3))).Items[0]
	if bad.Status != "rejected" || lost.Status != "conflict" {
		t.Fatalf("%s %s", bad.Status, lost.Status)
	}
	got := push(a, a.Tokens[domain.Staff], in.review(domain.Accept)).Items[0]
	if got.Status != "rejected" || len(got.Problem.Errors) != 1 || got.Problem.Errors[0].Code != "held_open" || !strings.HasPrefix(got.Problem.Errors[0].Detail, "2 items") {
		t.Fatalf("%s %+v", got.Status, got.Problem)
	}
	for _, id := range []string{bad.HeldID, lost.HeldID} {
		a.Do(domain.Staff, "POST", "/v1/held/"+id+"/dismiss", nil).Want(200)
	}
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
}

// The moves of a job and who may make them.
func TestMoves(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	in := invent(a, a.World)
	must(a, staff, append(slices.Clone(in.Papers), item(domain.JobKind, in.Job, 0, in.state(domain.Assigned)))...)
	refuse := func(token string, code string, what object) {
		t.Helper()
		before := stateOf(a, in.Job)
		got := push(a, token, what).Items[0]
		if got.Status != "rejected" || got.Problem.Code != code || stateOf(a, in.Job) != before {
			t.Errorf("%s %+v, want %s", got.Status, got.Problem, code)
		}
		// It would stop the acceptance; the same item sent by two is held once.
		if status := a.Do(domain.Staff, "POST", "/v1/held/"+got.HeldID+"/dismiss", nil).Status; status != 200 && status != 404 {
			t.Errorf("dismissing it: %d", status)
		}
	}
	at := func(version int, s domain.JobState) object { return item(domain.JobKind, in.Job, version, in.state(s)) }
	refuse(staff, "state_not_allowed", in.review(domain.Accept))
	refuse(staff, "state_not_allowed", in.review(domain.Return))
	refuse(staff, "state_not_allowed", in.review(domain.Reopen))
	for _, s := range []domain.JobState{domain.Accepted, domain.Returned, domain.Deferred} {
		refuse(staff, "state_not_allowed", at(1, s))
		refuse(field, "state_not_allowed", at(1, s))
	}
	must(a, field, at(1, domain.InWork))
	refuse(field, "state_not_allowed", at(2, domain.Assigned))
	must(a, field, append(slices.Clone(in.Work), at(2, domain.SentIn))...)
	refuse(field, "state_not_allowed", at(3, domain.InWork))
	refuse(field, "forbidden", in.review(domain.Accept))
	refuse(a.Tokens[domain.ContractorRole], "forbidden", in.review(domain.Return))
	nameless := a.Token(t, a.World.Program, storage.Token{Role: domain.Staff})
	refuse(nameless, "forbidden", in.review(domain.Return))
	must(a, staff, in.review(domain.Return))
	if got := stateOf(a, in.Job); got != "returned" {
		t.Errorf("returned: %s", got)
	}
	must(a, a.Tokens[domain.ContractorRole], in.review(domain.Reply, func(r *domain.Review) { r.Text = "done again" }))
	must(a, field, at(4, domain.SentIn))
	must(a, staff, in.review(domain.Defer))
	refuse(staff, "state_not_allowed", in.review(domain.Accept))
	must(a, staff, in.review(domain.Reopen))
	must(a, field, at(7, domain.SentIn))
	must(a, staff, in.review(domain.Accept))
	must(a, staff, in.review(domain.Reopen))
	if got := stateOf(a, in.Job); got != "returned" {
		t.Errorf("re-opened: %s", got)
	}
	refuse(staff, "invalid", item(domain.ReviewKind, storagetest.ID(), 0, domain.Review{JobID: in.Job, Decision: domain.Defer})) // no reason
}

// Work that comes after the acceptance is kept, says so, and moves no figure;
// what was frozen is answered to the byte until the job is opened again.
func TestAcceptanceFreezes(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	in := accepted(a, a.World, a.Tokens)
	read := func(what string) string {
		return string(a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String()+"/"+what, nil).Want(200).Body)
	}
	findings, result := read("findings"), read("result")
	late := storagetest.ID()
	open := domain.Opening{JobID: in.Job, In: domain.InDuct, Origin: domain.ByCrew, Section: "A", PositionFt: new(30.0)}
	told := push(a, a.Tokens[domain.Field], item(domain.OpeningKind, late, 0, open)).Items[0]
	if told.Status != "created" || !told.Late || len(told.Notes) != 1 || !strings.Contains(told.Notes[0], "moves no figure") {
		t.Errorf("the answer to late work: %+v", told)
	}
	after := in.ids(domain.MeasurementKind)[1]
	a.Do(domain.Staff, "POST", "/v1/measurements/"+after.String()+"/void", object{"reason": "the wrong ring"}, "If-Match", `"1"`).Want(200)
	var e entry
	a.Do(domain.Staff, "GET", "/v1/openings/"+late.String(), nil).Want(200).Into(&e)
	if !e.Late {
		t.Errorf("not late: %+v", e)
	}
	if read("findings") != findings || read("result") != result {
		t.Errorf("late work moved what was frozen:\n%s\n%s", findings, read("findings"))
	}
	must(a, staff, in.review(domain.Reopen))
	if read("result") == result || len(findingsOf(a, in.Job)) == 0 {
		t.Errorf("opened again, it is judged as before: %s", read("result"))
	}
}

// The moves that the guide draws are those that the service takes, and no others.
func TestTheMovesOfTheGuide(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff, field := a.Tokens[domain.Staff], a.Tokens[domain.Field]
	in := func(state domain.JobState) *invented {
		job := invent(a, a.World)
		switch state {
		case domain.Assigned, domain.InWork, domain.Deferred:
			must(a, staff, append(slices.Clone(job.Papers), item(domain.JobKind, job.Job, 0, job.state(domain.Assigned)))...)
		default:
			job.sendIn(a, a.Tokens)
		}
		switch state {
		case domain.InWork:
			must(a, field, item(domain.JobKind, job.Job, 1, job.state(domain.InWork)))
		case domain.Deferred:
			must(a, staff, job.review(domain.Defer))
		case domain.Returned:
			must(a, staff, job.review(domain.Return))
		case domain.Accepted:
			must(a, staff, job.review(domain.Accept))
		}
		if got := stateOf(a, job.Job); got != string(state) {
			t.Fatalf("brought to %s, it is %s", state, got)
		}
		return job
	}
	would := func(token string, what object) bool {
		t.Helper()
		status := pushed(a, token, "?validate_only=true", object{"items": []any{what}}).Items[0].Status
		return status == "created" || status == "updated"
	}
	states := []domain.JobState{domain.Assigned, domain.InWork, domain.SentIn, domain.Returned, domain.Accepted, domain.Deferred}
	var taken []docs.Move
	for _, from := range states {
		job := in(from)
		var stands struct{ Version int }
		a.Do(domain.Staff, "GET", "/v1/jobs/"+job.Job.String(), nil).Want(200).Into(&stands)
		for _, to := range states {
			next := item(domain.JobKind, job.Job, stands.Version, job.state(to))
			switch {
			case to == from:
			case would(field, next):
				taken = append(taken, docs.Move{From: string(from), To: string(to), By: "crew"})
			case would(staff, next):
				taken = append(taken, docs.Move{From: string(from), To: string(to), By: "staff"})
			}
		}
		for _, decision := range []domain.Decision{domain.Accept, domain.Return, domain.Defer, domain.Reopen} {
			if would(staff, job.review(decision)) {
				moved := in(from)
				must(a, staff, moved.review(decision))
				taken = append(taken, docs.Move{From: string(from), To: stateOf(a, moved.Job), By: string(decision)})
			}
		}
	}
	told := slices.Clone(docs.Moves)
	for _, list := range [][]docs.Move{taken, told} {
		slices.SortFunc(list, func(x, y docs.Move) int {
			return cmp.Or(cmp.Compare(x.From, y.From), cmp.Compare(x.To, y.To), cmp.Compare(x.By, y.By))
		})
	}
	if !slices.Equal(taken, told) {
		t.Errorf("taken\n%v\ntold\n%v", taken, told)
	}
}
