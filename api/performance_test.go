package api_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

type figures struct {
	ContractorID string `json:"contractor_id"`
	Name         string
	JobsCount    int `json:"jobs_count"`
	UsedCount    int `json:"used_count"`
	LeftOut      []struct {
		Reason string
		Count  int
	} `json:"left_out"`
	Pooled struct {
		Ratio *float64 `json:"reduction_ratio"`
	}
}

type performanceAnswer struct {
	From, Before  string
	AsOfAt        string `json:"as_of_at"`
	Position      int64
	MethodVersion string `json:"method_version"`
	Program       figures
	Contractors   []figures
	Contractor    *figures
	Groups        []figures
}

func performanceOf(a *apitest.API, role domain.Role, query string) (p performanceAnswer) {
	a.T.Helper()
	a.Do(role, "GET", "/v1/performance?"+query, nil).Want(200).Into(&p)
	return p
}

// readAs makes the readings of an invented job others, so that no two jobs have
// the same.
func readAs(beforeCFM, afterCFM float64) func(domain.Record) {
	return func(record domain.Record) {
		if m, ok := record.(*domain.Measurement); ok {
			flow := beforeCFM
			if m.Stage == domain.After {
				flow = afterCFM
			}
			m.Readings[0].PressurePa, m.Readings[0].FlowCFM = new(25.0), &flow
		}
	}
}

const allOctober = "from=2026-10-01&before=2026-11-01"

// Pooled reduction and mean of percentages differ: 300→100 and 100→80 cfm25
// come to 220 of 400 pooled, 0.55 [calc].
func TestPerformance(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	accepted(a, a.World, a.Tokens, readAs(300, 100))
	accepted(a, a.World, a.Tokens, readAs(100, 80))
	head := standsAt(a, a.Tokens[domain.Staff]).HeadPosition
	for _, role := range []domain.Role{domain.Staff, domain.Admin, domain.ContractorRole, domain.Funder} {
		p := performanceOf(a, role, allOctober)
		if p.From != "2026-10-01" || p.Before != "2026-11-01" || p.Position != head || p.AsOfAt == "" || p.MethodVersion == "" {
			t.Errorf("%s: %+v", role, p)
		}
		names := role == domain.Staff || role == domain.Admin
		if p.Program.JobsCount != 2 || p.Program.UsedCount != 2 || (p.Program.Pooled.Ratio != nil) != names || names && math.Abs(*p.Program.Pooled.Ratio-0.55) > 1e-12 {
			t.Errorf("%s: program %+v, and figures of fewer than five homes leave the agency never", role, p.Program)
		}
		if (len(p.Contractors) > 0) != names {
			t.Errorf("%s reads %d contractors", role, len(p.Contractors))
		}
	}
	staffs := performanceOf(a, domain.Staff, allOctober).Contractors
	i := slices.IndexFunc(staffs, func(f figures) bool { return f.ContractorID == a.World.Contractor.String() })
	if i < 0 || staffs[i].JobsCount != 2 || staffs[i].Name == "" {
		t.Errorf("%+v", staffs)
	}
	own := "/v1/contractors/" + a.World.Contractor.String() + "/performance?" + allOctober
	for _, role := range []domain.Role{domain.ContractorRole, domain.Staff} {
		var one performanceAnswer
		a.Do(role, "GET", own, nil).Want(200).Into(&one)
		if one.Contractor == nil || one.Contractor.JobsCount != 2 || one.Program.JobsCount != 2 {
			t.Errorf("%s: %+v", role, one)
		}
	}
	firm, _ := secondContractor(t, a)
	a.Do(domain.ContractorRole, "GET", "/v1/contractors/"+firm.String()+"/performance?"+allOctober, nil).Want(404)
	a.Do(domain.Staff, "GET", "/v1/contractors/"+storagetest.ID().String()+"/performance?"+allOctober, nil).Want(404)
	a.Do(domain.Field, "GET", own, nil).Want(403)
}

// A period is days in the program's zone, its end left out; what is accepted
// at 15:00 UTC on the 15th counts on the 15th.
func TestPeriods(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	in := accepted(a, a.World, a.Tokens)
	for query, want := range map[string]int{
		"from=2026-10-15&before=2026-10-16": 1, "from=2026-10-14&before=2026-10-15": 0, "from=2026-10-16&before=2026-11-01": 0,
		allOctober: 1, "from=2026-09-01&before=2026-10-01": 0, "from=2020-01-01&before=2030-01-01": 1,
	} {
		if got := performanceOf(a, domain.Staff, query).Program.JobsCount; got != want {
			t.Errorf("%s: %d jobs, want %d", query, got, want)
		}
	}
	for _, query := range []string{"", "from=2026-10-01", "before=2026-10-01", "from=2026-10-01&before=2026-10-01", "from=2026-11-01&before=2026-10-01",
		"from=2026-02-30&before=2026-10-01", "from=allOctober&before=2026-11-01", allOctober + "&position=-1", allOctober + "&position=1e3", allOctober + "&position=99999999",
		allOctober + "&by=color", allOctober + "&month=2026-10"} {
		if p := a.Do(domain.Staff, "GET", "/v1/performance?"+query, nil).Want(400).Problem(); p.Code != "bad_query" {
			t.Errorf("%q: %s", query, p.Code)
		}
	}
	for _, by := range []string{"crew_lead", "home_class"} {
		p := performanceOf(a, domain.Staff, allOctober+"&by="+by)
		if len(p.Groups) != 1 || p.Groups[0].JobsCount != 1 || len(p.Contractors) != 0 {
			t.Errorf("by %s: %+v", by, p)
		}
	}
	must(a, a.Tokens[domain.Staff], in.review(domain.Exclude))
	p := performanceOf(a, domain.Staff, allOctober)
	if p.Program.JobsCount != 1 || p.Program.UsedCount != 0 || len(p.Program.LeftOut) != 1 || p.Program.LeftOut[0].Count != 1 {
		t.Errorf("excluded: %+v", p.Program)
	}
}

// What was answered at a position is answered again, to the byte, whatever was
// accepted, opened again or renamed since.
func TestAsOfAPosition(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	in := accepted(a, a.World, a.Tokens, readAs(300, 100))
	position := standsAt(a, staff).HeadPosition
	paths := []string{"/v1/performance?" + allOctober, "/v1/performance?" + allOctober + "&by=crew_lead", "/v1/contractors/" + a.World.Contractor.String() + "/performance?" + allOctober}
	then := map[string]string{}
	for _, path := range paths {
		then[path] = string(a.Send(staff, "GET", path, nil).Want(200).Body)
	}
	a.Clock.Move(3600 * 1e9)
	accepted(a, a.World, a.Tokens, readAs(100, 80))
	must(a, staff, in.review(domain.Reopen))
	a.Do(domain.Staff, "PUT", "/v1/contractors/"+a.World.Contractor.String(), object{"name": "Renamed Invented"}, "If-Match", `"1"`).Want(200)
	for _, path := range paths {
		if now := string(a.Send(staff, "GET", path, nil).Want(200).Body); now == then[path] {
			t.Errorf("%s has not moved", path)
		}
		if again := string(a.Send(staff, "GET", fmt.Sprintf("%s&position=%d", path, position), nil).Want(200).Body); again != then[path] {
			t.Errorf("%s at %d\n%s\nwas\n%s", path, position, again, then[path])
		}
	}
	before := performanceOf(a, domain.Staff, fmt.Sprintf("%s&position=%d", allOctober, position-1))
	if before.Program.JobsCount != 0 {
		t.Errorf("one position earlier %d jobs are accepted", before.Program.JobsCount)
	}
}
