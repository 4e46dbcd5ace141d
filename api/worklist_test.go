package api_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type worklist struct {
	Counts []struct {
		Sort  string
		Count int
	}
	Items []struct {
		Sort    string
		SinceAt string `json:"since_at"`
		SinceOn string `json:"since_on"`
		DueOn   string `json:"due_on"`
		Subject struct{ Kind, ID string }
		JobID   string `json:"job_id"`
		Detail  string
		Days    int `json:"days_count"`
	}
}

func waiting(a *apitest.API, token, query string) (w worklist) {
	a.T.Helper()
	a.Send(token, "GET", "/v1/worklist"+query, nil).Want(200).Into(&w)
	return w
}

func (w *worklist) sorts() (list []string) {
	for _, i := range w.Items {
		list = append(list, i.Sort)
	}
	return list
}

func (w *worklist) count(sort string) int {
	for _, c := range w.Counts {
		if c.Sort == sort {
			return c.Count
		}
	}
	return -1
}

// One of each sort waits: the office sees them oldest first, contractor and
// crew what is theirs, another contractor and another program nothing.
func TestWorklist(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t) // 2026-10-01 08:00 in the program's zone
	staff, field, firm := a.Tokens[domain.Staff], a.Tokens[domain.Field], a.Tokens[domain.ContractorRole]
	_, otherField := secondContractor(t, a)
	w := a.World
	day := func(n int) { a.Clock.Move(time.Duration(n) * 24 * time.Hour) }
	paper := func(sort domain.CredentialSort, until string) domain.UUID {
		id := storagetest.ID()
		must(a, staff, item(domain.CredentialKind, id, 0, domain.Credential{ContractorID: &w.Contractor, Credential: sort, ValidFromOn: "2025-01-01", ValidUntilOn: domain.Date(until)}))
		return id
	}
	// Today will be 2026-10-31.
	lapsed := paper(domain.Insurance, "2026-10-30")
	soon := paper(domain.GasLicense, "2026-11-30") // the thirtieth day from then
	later := paper(domain.CabinetLicense, "2026-12-01")
	paper(domain.OtherCredential, "2026-12-31")  // the sixty-first day: not yet
	paper(domain.CombustionTester, "2026-10-20") // renewed below
	paper(domain.CombustionTester, "2027-10-20")
	gauge := storagetest.ID()
	must(a, staff, item(domain.InstrumentKind, gauge, 0, domain.Instrument{ContractorID: &w.Contractor, Instrument: domain.Gauge, Serial: "G-1", CalibratedOn: "2025-10-30", CalibratedUntilOn: "2026-10-31"}))
	in := invent(a, w)
	day(14)
	in.sendIn(a, a.Tokens) // 10-15
	overdue := storagetest.ID()
	other := invent(a, w)
	must(a, staff, append(slices.Clone(other.Papers), item(domain.JobKind, overdue, 0, domain.Job{HomeID: other.Home, ContractorID: w.Contractor, PayBasis: domain.Measured, State: domain.Assigned, DueOn: "2026-10-20"}))...)
	back := invent(a, w)
	back.sendIn(a, a.Tokens)
	day(1)
	must(a, staff, back.review(domain.Return)) // 10-16
	day(5)
	bad := push(a, field, item(domain.OpeningKind, storagetest.ID(), 0, object{"job_id": in.Job, "in": "wrap", "origin": "found", "color": 1})).Items[0] // 10-21
	call := storagetest.ID()
	must(a, staff, item(domain.CallBackKind, call, 0, domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-19", Reason: "CANARY cold room"}))
	a.Do(domain.Field, "GET", "/v1/changes?after=0", nil).Want(200) // by which the phone is heard
	day(10)                                                         // 10-31

	all := waiting(a, staff, "")
	want := []string{"sent_in", "returned", "call_back", "overdue", "held", "device_silent", "credential_lapsed", "calibration_lapses_soon", "credential_lapses_soon", "credential_lapses"}
	if !slices.Equal(all.sorts(), want) {
		t.Fatalf("%v, want %v\n%+v", all.sorts(), want, all.Items)
	}
	subjects := []string{in.Job.String(), back.Job.String(), call.String(), overdue.String(), bad.HeldID, w.Device.String(), lapsed.String(), gauge.String(), soon.String(), later.String()}
	days := []int{16, 15, 12, -11, 10, 10, -1, 0, 30, 31}
	for i, got := range all.Items {
		if got.Subject.ID != subjects[i] || got.Days != days[i] {
			t.Errorf("%s: subject %s, %d days; want %s, %d", got.Sort, got.Subject.ID, got.Days, subjects[i], days[i])
		}
		times := 0
		for _, text := range []string{got.SinceAt, got.SinceOn, got.DueOn} {
			if text != "" {
				times++
			}
		}
		if times != 1 || !strings.HasSuffix(got.Detail, ".") || strings.Contains(got.Detail, "CANARY") {
			t.Errorf("%s: %d times, %q", got.Sort, times, got.Detail)
		}
		if all.count(got.Sort) != 1 {
			t.Errorf("%s is counted %d times", got.Sort, all.count(got.Sort))
		}
	}
	if all.count("inspection_owed") != 0 || all.count("calibration_lapsed") != 0 {
		t.Errorf("%+v", all.Counts)
	}
	if few := waiting(a, staff, "?limit=2"); !slices.Equal(few.sorts(), want[:2]) || few.count("credential_lapses") != 1 {
		t.Errorf("bounded: %v %+v", few.sorts(), few.Counts)
	}
	if one := waiting(a, staff, "?sort=held"); !slices.Equal(one.sorts(), []string{"held"}) || len(one.Counts) != 1 {
		t.Errorf("one sort: %v %+v", one.sorts(), one.Counts)
	}
	if calm := waiting(a, staff, "?sent_in_days=16&returned_days=15&silent_days=10&lapse_soon_days=0&lapse_days=0"); !slices.Equal(calm.sorts(), []string{"call_back", "overdue", "held", "credential_lapsed", "calibration_lapses_soon"}) {
		t.Errorf("with other limits: %v", calm.sorts())
	}
	own := slices.DeleteFunc(slices.Clone(want), func(s string) bool { return s == "sent_in" })
	if got := waiting(a, field, ""); !slices.Equal(got.sorts(), own) {
		t.Errorf("the crew: %v, want %v", got.sorts(), own)
	}
	own = slices.DeleteFunc(own, func(s string) bool { return s == "held" })
	if got := waiting(a, firm, ""); !slices.Equal(got.sorts(), own) || got.count("held") != -1 {
		t.Errorf("the contractor: %v, want %v", got.sorts(), own)
	}
	if got := waiting(a, otherField, ""); len(got.Items) != 0 {
		t.Errorf("another contractor sees %v", got.sorts())
	}
	_, tokens := a.Program(t)
	if got := waiting(a, tokens[domain.Staff], ""); len(got.Items) != 0 {
		t.Errorf("another program sees %v", got.sorts())
	}
	for _, query := range []string{"?sort=nothing", "?lapse_days=5", "?sent_in_days=-1", "?silent_days=many"} {
		a.Send(staff, "GET", "/v1/worklist"+query, nil).Want(400)
	}
}

// What a reviewer is asked waits until he has answered it; the package of an ended
// month waits to be built, then for another person to release it.
func TestQuestionsAndPackagesWait(t *testing.T) {
	t.Parallel()
	a, _ := serve(t) // 2026-10-15
	staff, admin := a.Tokens[domain.Staff], a.Tokens[domain.Admin]
	in := invent(a, a.World, threeScrews)
	in.sendIn(a, a.Tokens)
	asked := waiting(a, staff, "?sort=question")
	if len(asked.Items) != 1 || asked.Items[0].JobID != in.Job.String() || !strings.Contains(asked.Items[0].Detail, "one question") {
		t.Fatalf("%+v", asked)
	}
	settle(a, in)
	if asked = waiting(a, staff, "?sort=question"); len(asked.Items) != 0 {
		t.Errorf("answered, and still asked: %+v", asked)
	}
	must(a, staff, in.review(domain.Accept))
	if got := waiting(a, staff, "?sort=package_to_build"); len(got.Items) != 0 {
		t.Errorf("a month that goes on: %+v", got)
	}
	a.Clock.Move(19 * 24 * time.Hour) // 2026-11-03
	var due struct {
		Items []struct {
			Sort, Month, Package, Detail string
			SinceOn                      string `json:"since_on"`
		}
	}
	a.Send(staff, "GET", "/v1/worklist?sort=package_to_build", nil).Want(200).Into(&due)
	if len(due.Items) != 1 || due.Items[0].Month != "2026-10" || due.Items[0].SinceOn != "2026-11-01" || !strings.Contains(due.Items[0].Detail, "October 2026") {
		t.Fatalf("%+v", due)
	}
	if got := waiting(a, a.Tokens[domain.ContractorRole], ""); got.count("package_to_build") != -1 {
		t.Error("a contractor is told of packages")
	}
	a.Send(staff, "POST", "/v1/months/2026-10/packages", nil).Want(202)
	for range 600 {
		if due.Items = nil; len(waiting(a, staff, "?sort=package_to_build").Items) == 0 {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	for range 600 {
		a.Send(staff, "GET", "/v1/worklist?sort=package_to_release", nil).Want(200).Into(&due)
		if len(due.Items) > 0 {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if len(due.Items) != 1 || due.Items[0].Month != "2026-10" || due.Items[0].Package != "1" {
		t.Fatalf("%+v", due)
	}
	a.Send(admin, "POST", "/v1/months/2026-10/packages/1/release", nil).Want(200)
	if got := waiting(a, staff, "?sort=package_to_release"); len(got.Items) != 0 {
		t.Errorf("released: %+v", got)
	}
}

// What is done leaves the list.
func TestWorklistEmpties(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	in := invent(a, a.World)
	in.sendIn(a, a.Tokens)
	a.Clock.Move(8 * 24 * time.Hour)
	if got := waiting(a, a.Tokens[domain.Staff], "?sort=sent_in"); len(got.Items) != 1 {
		t.Fatalf("%+v", got)
	}
	must(a, a.Tokens[domain.Staff], in.review(domain.Accept))
	if got := waiting(a, a.Tokens[domain.Staff], ""); len(got.Items) != 0 {
		t.Errorf("%+v", got.Items)
	}
	at.draw(t, a.World.Program, in.Job)
	got := waiting(a, a.Tokens[domain.Inspector], "")
	if !slices.Equal(got.sorts(), []string{"inspection_owed"}) || len(got.Counts) != 1 || got.Items[0].JobID != in.Job.String() {
		t.Errorf("%+v", got)
	}
	must(a, a.Tokens[domain.Inspector], item(domain.InspectionKind, storagetest.ID(), 0,
		domain.Inspection{JobID: in.Job, Purpose: "monitoring", InspectedOn: "2026-10-23", InspectorName: "Ira Invented", Result: "passed"}))
	if got := waiting(a, a.Tokens[domain.Inspector], ""); len(got.Items) != 0 {
		t.Errorf("inspected: %+v", got.Items)
	}
}
