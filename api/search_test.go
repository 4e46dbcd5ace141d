package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type searched struct {
	Homes []struct {
		HomeID string `json:"home_id"`
		Street string
		Jobs   int `json:"jobs_count"`
	}
	Jobs []struct {
		JobID  string `json:"job_id"`
		Number int
		Name   string `json:"contractor_name"`
	}
	Contractors []struct{ Name string }
	More        bool
}

func find(a *apitest.API, words string) (s searched) {
	a.T.Helper()
	a.Do(domain.Staff, "POST", "/v1/search", object{"words": words}).Want(200).Into(&s)
	return s
}

func (s *searched) streets() string {
	var list []string
	for _, h := range s.Homes {
		list = append(list, h.Street)
	}
	slices.Sort(list)
	return strings.Join(list, ", ")
}

// The office finds by what it hears on the telephone.
func TestSearch(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	w, staff := a.World, a.Tokens[domain.Staff]
	homeAt := func(street, name, phone, park string) domain.UUID {
		id := storagetest.ID()
		must(a, staff, item(domain.HomeKind, id, 0, &domain.Home{SectionCount: 1, Park: park}))
		a.Send(staff, "PUT", "/v1/homes/"+id.String()+"/resident", object{"street": street, "name": name, "phone": phone}).Want(200)
		return id
	}
	cedar := homeAt("14 Cedar Loop, space 22", "José O'Invented", "(208) 555-0134", "Invented Pines")
	homeAt("14 Cedar Loop, space 23", "Ann Elsewhere", "+1 208 555 0177", "Invented Pines")
	homeAt("140 Birch Way", "Cedar Invented", "5550199", "North Court")
	second, _ := secondContractor(t, a)
	number := func(job domain.UUID) int {
		var e struct{ Number int }
		a.Send(staff, "GET", "/v1/jobs/"+job.String(), nil).Want(200).Into(&e)
		return e.Number
	}
	job := func(home, contractor domain.UUID) domain.UUID {
		id := storagetest.ID()
		must(a, staff, item(domain.JobKind, id, 0, &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: "measured", State: domain.Assigned}))
		return id
	}
	one, two := job(cedar, w.Contractor), job(cedar, second)
	if number(one) != 1001 || number(two) != 1002 {
		t.Errorf("the first two jobs have the numbers %d and %d", number(one), number(two))
	}
	for _, c := range []struct{ words, streets string }{
		{"cedar loop", "14 Cedar Loop, space 22, 14 Cedar Loop, space 23"},
		{"14 ced", "14 Cedar Loop, space 22, 14 Cedar Loop, space 23, 140 Birch Way"}, // its resident is called so
		{"loop 22", "14 Cedar Loop, space 22"},
		{"22 loop cedar", "14 Cedar Loop, space 22"},
		{"JOSE", "14 Cedar Loop, space 22"},
		{"josé oinv", "14 Cedar Loop, space 22"},
		{"o'inv", "14 Cedar Loop, space 22"},
		{"208-555-0134", "14 Cedar Loop, space 22"},
		{"1 (208) 555 0177", "14 Cedar Loop, space 23"},
		{"5550134", "14 Cedar Loop, space 22"},
		{"0134", "14 Cedar Loop, space 22"},
		{"555 0199", "140 Birch Way"},
		{"pines 23", "14 Cedar Loop, space 23"},
		{"edar", ""},
		{"cedar elm", ""},
		{"% _", ""},
	} {
		found := find(a, c.words)
		if got := found.streets(); got != c.streets {
			t.Errorf("%q finds %q, want %q", c.words, got, c.streets)
		}
	}
	if found := find(a, "1002"); len(found.Jobs) != 1 || found.Jobs[0].JobID != two.String() {
		t.Errorf("1002: %+v", found.Jobs)
	}
	if found := find(a, "100"); len(found.Jobs) != 2 {
		t.Errorf("100 begins both numbers: %+v", found.Jobs)
	}
	if found := find(a, "cedar invented sealing"); len(found.Jobs) != 1 || found.Jobs[0].JobID != one.String() {
		t.Errorf("a street and a contractor: %+v", found.Jobs)
	}
	if found := find(a, "sealing"); len(found.Contractors) != 1 || found.Contractors[0].Name != "Invented Sealing" {
		t.Errorf("sealing: %+v", found.Contractors)
	}
	// What is changed is found as it stands, and no longer as it stood.
	must(a, staff, item(domain.ContractorKind, w.Contractor, 1, &domain.Contractor{Name: "Renamed Ducts"}))
	if len(find(a, "sealing").Contractors) != 0 || len(find(a, "ren").Contractors) != 1 {
		t.Error("a contractor's old name finds it, or its new one does not")
	}
	// An erased resident is found by nothing; the home by its park, the job by its number.
	a.Send(staff, "POST", "/v1/homes/"+cedar.String()+"/resident/erase", nil).Want(200)
	for _, words := range []string{"14 cedar loop space 22", "jose", "0134", "2085550134"} {
		if found := find(a, words); len(found.Homes) != 0 && strings.Contains(found.streets(), "22") {
			t.Errorf("%q finds the erased resident", words)
		}
	}
	if len(find(a, "pines").Homes) != 2 || len(find(a, "1001").Jobs) != 1 {
		t.Error("the home and its job are lost with the resident")
	}
	for role, status := range map[domain.Role]int{domain.Field: 403, domain.ContractorRole: 403, domain.Inspector: 403, domain.Funder: 403, domain.Admin: 200} {
		a.Do(role, "POST", "/v1/search", object{"words": "cedar"}).Want(status)
	}
	a.Do(domain.Staff, "POST", "/v1/search", object{"words": ""}).Want(422)
	// Four digits alone may stand in an id or a time: what was asked stands in quotes or between blanks.
	for _, words := range []string{"cedar", "jose", "5550134", "555-0134", "555 0177", `"0134"`, "=0134 "} {
		if strings.Contains(strings.ToLower(a.Log.String()), words) {
			t.Errorf("the log holds what was looked for: %s", words)
		}
	}
	other, tokens := a.Program(t)
	var theirs searched
	a.Send(tokens[domain.Staff], "POST", "/v1/search", object{"words": "cedar"}).Want(200).Into(&theirs)
	if len(theirs.Homes)+len(theirs.Jobs) > 0 {
		t.Errorf("the program %s finds another's homes", other.Program)
	}
}

// A word that begins too much says so, and a further one narrows it to what was
// meant, wherever it stands in the order.
func TestSearchNarrows(t *testing.T) {
	t.Parallel()
	a := apitest.Serve(t)
	staff := a.Tokens[domain.Staff]
	for i := 1; i <= 230; i++ {
		id := storagetest.ID()
		must(a, staff, item(domain.HomeKind, id, 0, &domain.Home{SectionCount: 1}))
		a.Send(staff, "PUT", "/v1/homes/"+id.String()+"/resident", object{"street": fmt.Sprintf("%d Invented Row", i)}).Want(200)
	}
	if found := find(a, "invented row"); len(found.Homes) != 20 || !found.More {
		t.Errorf("%d homes, more %v", len(found.Homes), found.More)
	}
	for _, words := range []string{"229 invented", "row 229"} {
		if found := find(a, words); found.streets() != "229 Invented Row" || found.More {
			t.Errorf("%q: %+v", words, found)
		}
	}
}
