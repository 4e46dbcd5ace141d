package api_test

import (
	"slices"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type triagePage struct {
	Items []struct {
		ApplicationID string `json:"application_id"`
		HomeID        string `json:"home_id"`
		Class, Start  string
		WaitingDays   int  `json:"waiting_days"`
		FactsMissing  bool `json:"priority_facts_missing"`
		Points        int
		Expected      struct {
			N      int
			Reason string
		}
		TreatedBefore []struct {
			JobID   string `json:"job_id"`
			FoundBy string `json:"found_by"`
		} `json:"treated_before"`
	}
	Next        string
	Contractors []struct {
		ContractorID    string `json:"contractor_id"`
		OpenCount       int    `json:"open_count"`
		OverdueCount    int    `json:"overdue_count"`
		ReassignedCount int    `json:"reassigned_count"`
		NextDueOn       string `json:"next_due_on"`
	}
	NothingToDo struct{ Count, N int } `json:"nothing_to_do"`
}

func (p *triagePage) order() (ids []string) {
	for _, i := range p.Items {
		ids = append(ids, i.ApplicationID)
	}
	return ids
}

func triaged(a *apitest.API, query string) (p triagePage) {
	a.T.Helper()
	a.Do(domain.Staff, "GET", "/v1/triage"+query, nil).Want(200).Into(&p)
	return p
}

// Homes wait by the count of their priority facts and the day of the application, whatever
// sealing may bring; a job takes a home out of the line, and a void one gives it back its place.
// Source of the facts: 10 CFR 440.16(b) [mem].
func TestHomesWaitInTheOrderOfLawAndProgram(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	apply := func(on domain.Date, change func(*domain.Application)) (application, home domain.UUID) {
		application, home = storagetest.ID(), storagetest.ID()
		r := domain.Application{HomeID: home, AppliedOn: on, State: domain.ApplicationWaiting, PriorityFacts: []domain.PriorityFact{}}
		if change != nil {
			change(&r)
		}
		must(a, staff, item(domain.ApplicationKind, application, 0, r), item(domain.HomeKind, home, 0, domain.Home{SectionCount: 2})) // the parent behind its child
		return application, home
	}
	facts := func(list ...domain.PriorityFact) func(*domain.Application) {
		return func(r *domain.Application) { r.PriorityFacts = list }
	}
	old, _ := apply("2026-01-05", nil)
	leaky, _ := apply("2026-03-01", func(r *domain.Application) { r.ReadCFM25 = new(600.0) })
	two, twoHome := apply("2026-09-01", facts(domain.PriorityElderly, domain.PriorityHighBurden))
	one, _ := apply("2026-08-01", facts(domain.PriorityChildren))
	older, _ := apply("2026-07-01", facts(domain.PriorityDisabled))
	unknown, _ := apply("2025-12-01", func(r *domain.Application) { r.PriorityFacts = nil })
	withdrawn, _ := apply("2025-01-01", func(r *domain.Application) { r.State = domain.ApplicationWithdrawn })

	want := []string{two.String(), older.String(), one.String(), unknown.String(), old.String(), leaky.String()}
	whole := triaged(a, "")
	if !slices.Equal(whole.order(), want) || slices.Contains(whole.order(), withdrawn.String()) {
		t.Fatalf("order %v, want %v", whole.order(), want)
	}
	if i := whole.Items[0]; i.Points != 2 || i.Class != "double" || i.Start != "not_known" || i.Expected.Reason != "too_few" || i.WaitingDays < 40 {
		t.Errorf("the first: %+v", i)
	}
	if !whole.Items[3].FactsMissing || whole.Items[4].FactsMissing {
		t.Errorf("nobody looked is not nothing: %+v", whole.Items[3:5])
	}
	var paged []string
	for query := "?limit=2"; ; {
		p := triaged(a, query)
		paged = append(paged, p.order()...)
		if p.Next == "" {
			break
		}
		query = "?limit=2&after=" + p.Next
	}
	if !slices.Equal(paged, want) {
		t.Errorf("by pages %v, want %v", paged, want)
	}

	// A job takes the home out, another contractor takes it over, a void gives it back.
	other := storagetest.ID()
	job, record := storagetest.ID(), domain.Job{HomeID: twoHome, ContractorID: a.World.Contractor, PayBasis: domain.Measured, State: domain.Assigned, DueOn: "2026-10-01"}
	must(a, staff, item(domain.ContractorKind, other, 0, domain.Contractor{Name: "Another Invented Firm"}), item(domain.JobKind, job, 0, record))
	if p := triaged(a, ""); !slices.Equal(p.order(), want[1:]) || len(p.Contractors) != 1 || p.Contractors[0].OpenCount != 1 || p.Contractors[0].OverdueCount != 1 ||
		p.Contractors[0].ReassignedCount != 0 || p.Contractors[0].NextDueOn != "2026-10-01" {
		t.Errorf("assigned: %v, %+v", p.order(), p.Contractors)
	}
	record.ContractorID = other
	must(a, staff, item(domain.JobKind, job, 1, record))
	if p := triaged(a, ""); len(p.Contractors) != 1 || p.Contractors[0].ContractorID != other.String() || p.Contractors[0].ReassignedCount != 1 {
		t.Errorf("reassigned: %+v", p.Contractors)
	}
	a.Do(domain.Staff, "POST", "/v1/jobs/"+job.String()+"/void", object{"reason": "The contractor has no crew."}, "If-Match", `"2"`).Want(200)
	if p := triaged(a, ""); !slices.Equal(p.order(), want) || len(p.Contractors) != 0 {
		t.Errorf("taken back: %v, %+v", p.order(), p.Contractors)
	}

	// A home that was treated before is found at intake, by itself and by its street.
	in := accepted(a, a.World, a.Tokens)
	street := object{"name": "Invented Resident", "street": "14 Invented Cedar Loop"}
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", street).Want(200)
	again := storagetest.ID()
	must(a, staff, item(domain.ApplicationKind, again, 0, domain.Application{HomeID: in.Home, AppliedOn: "2026-10-20", State: domain.ApplicationWaiting,
		PriorityFacts: domain.PriorityFacts}))
	a.Do(domain.Staff, "PUT", "/v1/homes/"+twoHome.String()+"/resident", object{"street": "14 invented cedar loop"}).Want(200)
	p := triaged(a, "?limit=2")
	if p.Items[0].ApplicationID != again.String() || len(p.Items[0].TreatedBefore) != 1 || p.Items[0].TreatedBefore[0].FoundBy != "home" {
		t.Errorf("the same home again: %+v", p.Items[0])
	}
	if len(p.Items[1].TreatedBefore) != 1 || p.Items[1].TreatedBefore[0].FoundBy != "street" || p.Items[1].TreatedBefore[0].JobID != in.Job.String() {
		t.Errorf("the same street: %+v", p.Items[1])
	}
	if p.NothingToDo.N != 1 || p.NothingToDo.Count != 0 {
		t.Errorf("nothing to do: %+v", p.NothingToDo)
	}

	// The program's points change the order from the day on which they are in force.
	a.Do(domain.Admin, "PUT", "/v1/rule-sets/"+storagetest.ID().String(), domain.RuleSet{Name: "Children first", FromOn: "2026-11-01",
		Triage: &domain.Triage{ChildrenPoints: new(10), StartFromCFM25: new(700.0)}}).Want(201)
	a.Clock.Move(30 * 24 * time.Hour)
	if p := triaged(a, ""); !slices.Equal(p.order()[:4], []string{again.String(), one.String(), two.String(), older.String()}) {
		t.Errorf("children first: %v", p.order())
	} else if last := p.Items[len(p.Items)-1]; last.Start != "below" {
		t.Errorf("600 of 700 cfm25: %+v", last)
	}
	for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector, domain.Funder} {
		a.Do(role, "GET", "/v1/triage", nil).Want(403)
		a.Do(role, "GET", "/v1/applications/"+two.String(), nil).Want(403)
		if role == domain.Funder {
			continue
		}
		items, _ := pullAll(a, a.Tokens[role], "0", "")
		if slices.ContainsFunc(items, func(e entry) bool { return e.Kind == string(domain.ApplicationKind) }) {
			t.Errorf("a %s reads an application in its feed", role)
		}
	}
}
