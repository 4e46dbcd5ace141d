package api_test

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/storage/storagetest"
)

const inOctober = "?from=2026-10-01&before=2026-11-01"

// frozenRow is one frozen result, written past the domain so that a test can
// choose every reading.
type frozenRow struct {
	contractor    domain.UUID
	class, basis  string
	before, after any // tenths of cfm25; nil: none
	area          any // ft2
	excluded      bool
	questions     []string
	at            time.Time
}

const (
	frozenJobSQL = `
INSERT INTO job (program_id, id, void, home_id, contractor_id, state, recorded_at, state_since, number)
VALUES ($1, $2, false, $3, $4, 'accepted', $5, $5, 1 + (SELECT coalesce(max(number), 1000) FROM job WHERE program_id = $1))`
	frozenResultSQL = `
INSERT INTO job_result (program_id, job_id, serial, home_id, contractor_id, class, pay_basis, state, floor_area_ft2, before_tenths, after_tenths,
    extrapolated, below_range, must_fix_count, check_count, note_count, not_recorded_count, excluded, result, verdict, method_version, inputs,
    input_digest, judged_at_position, assigned_at, returned_count, accepted_position, accepted_at, accepted_month, counted_at, questions, steps, method)
VALUES ($1, $2, 1, $3, $4, $6, $5, 'accepted', $7::float8, $8, $9, false, false, 0, 0, 0, 0, $10, '{}', '{"rules":[]}', 'test', '{}',
    decode(repeat('00', 32), 'hex'), 1, $11, 0, 1, $11, '2026-10', $11, $12, '{}', 'fan_total')`
)

// freeze writes rows as if they had been accepted at position 1.
func freeze(a *apitest.API, at *address, rows ...frozenRow) (ids []domain.UUID) {
	a.T.Helper()
	conn := at.connect(a.T)
	for _, r := range rows {
		if r.class == "" {
			r.class = "single"
		}
		if r.basis == "" {
			r.basis = "measured"
		}
		if r.at.IsZero() {
			r.at = time.Date(2026, 10, 10, 12, 0, 0, 0, time.UTC)
		}
		if r.contractor.IsZero() {
			r.contractor = a.Contractor
		}
		id := storagetest.ID()
		for _, s := range []struct {
			sql  string
			args []any
		}{
			{frozenJobSQL, []any{a.World.Program, id, a.Home, r.contractor, r.at}},
			{frozenResultSQL, []any{a.World.Program, id, storagetest.ID(), r.contractor, r.basis, r.class, r.area, r.before, r.after, r.excluded, r.at, r.questions}},
		} {
			if _, err := conn.Exec(context.Background(), s.sql, s.args...); err != nil {
				a.T.Fatal(err)
			}
		}
		ids = append(ids, id)
	}
	return ids
}

// frozenHomes are rows of a contractor that leaves factor times what is
// expected: invented homes, the leakier ones with larger reductions.
func frozenHomes(contractor domain.UUID, n int, factor float64) (rows []frozenRow) {
	classes := []string{"single", "double", "triple"}
	for i := range n {
		before := 900 + 137*(i*i%23)
		noise := 0.25 * math.Sin(float64(7*i)+factor)
		after := 2000 * factor * math.Exp(-1.1+0.55*math.Log(float64(before)/2000)+0.2*float64(i%3)+noise)
		rows = append(rows, frozenRow{contractor: contractor, class: classes[i%3], area: 800 + 61*(i%17), before: before, after: int64(after)})
	}
	return rows
}

type reasonCount struct {
	Reason string
	Count  int
}

type oneFigure struct {
	N              int
	Reduction      *float64 `json:"reduction_cfm25"`
	Ratio          *float64 `json:"reduction_ratio"`
	Interval       string
	Reason         string
	IntervalReason string `json:"interval_reason"`
}

type lineOfFigures struct {
	ContractorID    string `json:"contractor_id"`
	Name            string
	JobsCount       int           `json:"jobs_count"`
	UsedCount       int           `json:"used_count"`
	LeftOut         []reasonCount `json:"left_out"`
	QuestionedCount int           `json:"questioned_count"`
	SharedCount     int           `json:"shared_count"`
	Pooled          oneFigure
	Geometric       oneFigure
	Without         *struct {
		UsedCount int `json:"used_count"`
	} `json:"without_questioned"`
	Adjusted struct {
		N         int
		Index     *float64 `json:"index_ratio"`
		Reason    string
		Statement string
	}
}

type comparison struct {
	From, Before  string
	AsOfAt        string `json:"as_of_at"`
	Position      int64
	MethodVersion string `json:"method_version"`
	InputDigest   string `json:"input_digest"`
	Program       lineOfFigures
	Model         *struct{ Pool object }
	Contractors   []lineOfFigures
	RepairEffects []repairEffect `json:"repair_effects"`
	Published     []struct{ Position int64 }
}

func compared(a *apitest.API, role domain.Role, query string) (c comparison) {
	a.T.Helper()
	a.Do(role, "GET", "/v1/performance"+query, nil).Want(200).Into(&c)
	return c
}

// What nobody can know is absent with a reason: it is neither 0 nor NaN.
func TestFiguresOfFewJobs(t *testing.T) {
	t.Parallel()
	deemed := frozenRow{basis: "deemed", before: 3000, after: 1000}
	same := frozenRow{before: 3000, after: 1000}
	for _, c := range []struct {
		name                     string
		rows                     []frozenRow
		jobs, used               int
		ratio                    float64 // pooled; -1: absent
		reason, pooled, interval string  // of the absent figure, of its interval, kind of the geometric interval
		leftOut                  []reasonCount
	}{
		{name: "none", ratio: -1, reason: "no_jobs"},
		{name: "one", rows: []frozenRow{same}, jobs: 1, used: 1, ratio: 2. / 3, pooled: "n_too_small"},
		{name: "two show their range", rows: []frozenRow{{before: 3000, after: 1000}, {before: 1000, after: 800}}, jobs: 2, used: 2, ratio: .55, pooled: "n_too_small", interval: "range"},
		{name: "three alike have no spread", rows: []frozenRow{same, same, same}, jobs: 3, used: 3, ratio: 2. / 3, pooled: "zero_variance"},
		{name: "deemed only", rows: []frozenRow{deemed, deemed}, jobs: 2, ratio: -1, reason: "no_jobs", leftOut: []reasonCount{{"deemed", 2}}},
		{name: "every reason", rows: []frozenRow{deemed, {before: 3000}, {after: 100}, {before: 3000, after: 0}, {before: 3000, after: 100, excluded: true}, same}, jobs: 6, used: 1, ratio: 2. / 3, pooled: "n_too_small",
			leftOut: []reasonCount{{"deemed", 1}, {"excluded", 1}, {"missing_after", 1}, {"missing_before", 1}, {"not_positive", 1}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			a, at := serve(t)
			freeze(a, at, c.rows...)
			got := a.Do(domain.Staff, "GET", "/v1/performance"+inOctober, nil).Want(200)
			if bytes.Contains(got.Body, []byte("NaN")) || bytes.Contains(got.Body, []byte("null")) {
				t.Errorf("%s", got.Body)
			}
			var p comparison
			got.Into(&p)
			if len(p.Contractors) != 1 || p.Contractors[0].Name != "Invented Sealing" || p.From != "2026-10-01" || p.Before != "2026-11-01" || p.MethodVersion == "" || len(p.InputDigest) != 64 || p.Position == 0 || p.AsOfAt == "" {
				t.Fatalf("%+v", p)
			}
			for _, f := range []lineOfFigures{p.Program, p.Contractors[0]} {
				if f.JobsCount != c.jobs || f.UsedCount != c.used || !slices.Equal(f.LeftOut, c.leftOut) || f.Pooled.N != c.used {
					t.Errorf("%d jobs, %d used, left out %v", f.JobsCount, f.UsedCount, f.LeftOut)
				}
				if (f.Pooled.Ratio == nil) != (c.ratio < 0) || f.Pooled.Ratio != nil && math.Abs(*f.Pooled.Ratio-c.ratio) > 1e-15 {
					t.Errorf("pooled ratio %v, want %v", f.Pooled.Ratio, c.ratio)
				}
				if f.Pooled.Reason != c.reason || f.Pooled.IntervalReason != c.pooled || f.Geometric.Interval != c.interval {
					t.Errorf("pooled %+v, geometric %+v", f.Pooled, f.Geometric)
				}
			}
			if adjusted := p.Contractors[0].Adjusted; adjusted.Index != nil || adjusted.Reason == "" || !strings.HasPrefix(adjusted.Statement, "Unadjusted") {
				t.Errorf("adjusted from few jobs: %+v", adjusted)
			}
		})
	}
}

// A job under question counts until a person excludes it; both ways are told.
func TestQuestionedJobsCount(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	freeze(a, at, frozenRow{before: 3000, after: 1000}, frozenRow{before: 3000, after: 100, questions: []string{"extreme_reduction"}})
	if f := compared(a, domain.Staff, inOctober).Program; f.UsedCount != 2 || f.QuestionedCount != 1 || f.Without == nil || f.Without.UsedCount != 1 {
		t.Errorf("%+v", f)
	}
}

// Days are the program's: 07:00 UTC begins a day in Los Angeles in October.
func TestPeriodsAreDaysOfTheProgram(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	midnight := time.Date(2026, 10, 2, 7, 0, 0, 0, time.UTC)
	freeze(a, at, frozenRow{before: 3000, after: 1000, at: midnight}, frozenRow{before: 3000, after: 1000, at: midnight.Add(-time.Microsecond)})
	for query, want := range map[string]int{"?from=2026-10-02&before=2026-10-03": 1, "?from=2026-10-01&before=2026-10-02": 1, "?from=2026-10-01&before=2026-10-03": 2, "?from=2026-10-03&before=2026-10-04": 0} {
		if got := compared(a, domain.Funder, query).Program.JobsCount; got != want {
			t.Errorf("%s: %d jobs, want %d", query, got, want)
		}
	}
	for _, query := range []string{"", "?from=2026-10-01", "?from=2026-10-01&before=2026-10-01", "?from=2026-10-02&before=2026-10-01", "?from=2026-13-01&before=2027-01-01", inOctober + "&position=999999", inOctober + "&by=luck"} {
		a.Do(domain.Staff, "GET", "/v1/performance"+query, nil).Want(400)
	}
}

// Everybody sees what is his: names only inside the agency, and the own ones.
func TestFiguresByRole(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	second, _ := secondContractor(t, a)
	freeze(a, at, frozenHomes(second, 31, 1.3)...)
	freeze(a, at, frozenHomes(a.Contractor, 23, 0.9)...)
	own, other := "/v1/contractors/"+a.Contractor.String()+"/performance", "/v1/contractors/"+second.String()+"/performance"
	for _, role := range []domain.Role{domain.Field, domain.Inspector} {
		for _, path := range []string{"/v1/performance", own, own + "/explanation", "/v1/repair-effects", "/v1/performance/publications"} {
			a.Do(role, "GET", path, nil).Want(403) // even without the parameters that are needed
		}
	}
	for _, role := range []domain.Role{domain.ContractorRole, domain.Funder} {
		for _, by := range []string{"", "&by=contractor", "&by=home_class", "&by=repair_type"} {
			got := a.Do(role, "GET", "/v1/performance"+inOctober+by, nil).Want(200)
			for _, secret := range []string{"Invented", a.Contractor.String(), second.String(), `contractors":`} {
				if bytes.Contains(got.Body, []byte(secret)) {
					t.Errorf("%s%s reads %s", role, by, secret)
				}
			}
			var p comparison
			if got.Into(&p); p.Program.UsedCount != 54 || *p.Program.Pooled.Reduction <= 0 {
				t.Errorf("%s%s: %+v", role, by, p.Program)
			}
		}
		a.Do(role, "GET", "/v1/performance"+inOctober+"&by=crew_lead", nil).Want(403)
		a.Do(role, "GET", "/v1/performance/publications", nil).Want(403)
	}
	a.Do(domain.Funder, "GET", own+inOctober, nil).Want(403)
	a.Do(domain.ContractorRole, "GET", other+inOctober, nil).Want(404)
	a.Do(domain.ContractorRole, "GET", other+"/explanation"+inOctober, nil).Want(404)
	got := a.Do(domain.ContractorRole, "GET", own+inOctober, nil).Want(200)
	if bytes.Contains(got.Body, []byte(second.String())) || bytes.Contains(got.Body, []byte("Second Invented")) {
		t.Error("a contractor reads another's name")
	}
	staff := compared(a, domain.Staff, inOctober)
	if len(staff.Contractors) != 2 || staff.Contractors[0].Name != "Invented Sealing" || staff.Contractors[1].Name != "Second Invented" || staff.Model == nil || math.Abs(staff.Model.Pool["expected_outside_95_count"].(float64)-0.1) > 1e-12 {
		t.Errorf("staff: %+v", staff)
	}
	_, tokens := a.Program(t)
	var foreign comparison
	if a.Send(tokens[domain.Staff], "GET", "/v1/performance"+inOctober, nil).Want(200).Into(&foreign); foreign.Program.JobsCount != 0 {
		t.Error("another program's jobs are counted")
	}
	a.Send(tokens[domain.Staff], "GET", own+inOctober, nil).Want(404)
}

// The same request at one position gives the same bytes for ever, whatever is
// accepted, opened again, excluded, renamed or published later.
func TestFiguresAtAPositionAreForEver(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	first := accepted(a, a.World, a.Tokens)
	own, at := "/v1/contractors/"+a.Contractor.String()+"/performance", fmt.Sprintf("%s&position=%d", inOctober, standsAt(a, staff).HeadPosition)
	paths := []string{"/v1/performance" + at, "/v1/performance" + at + "&by=crew_lead", "/v1/performance" + at + "&by=home_class", own + at, own + "/explanation" + at, own + "/explanation" + at + "&format=csv", "/v1/repair-effects" + at}
	var before [][]byte
	for _, path := range paths {
		before = append(before, a.Do(domain.Staff, "GET", path, nil).Want(200).Body)
	}
	if head := a.Do(domain.Staff, "GET", own+inOctober, nil).Want(200); !bytes.Equal(head.Body, before[3]) {
		t.Error("the head is another answer than its position")
	}

	accepted(a, a.World, a.Tokens)
	must(a, staff, first.review(domain.Exclude))
	must(a, staff, first.review(domain.Reopen))
	must(a, staff, item(domain.CallBackKind, storagetest.ID(), 0, domain.CallBack{JobID: first.Job, ReportedOn: "2026-10-15", Reason: "cold room"}))
	must(a, staff, item(domain.ContractorKind, a.Contractor, 1, domain.Contractor{Name: "Renamed"}))
	a.Clock.Move(30 * 24 * time.Hour)
	a.Do(domain.Staff, "POST", "/v1/performance/publications", object{"from": "2026-10-01", "before": "2026-11-01"}).Want(201)
	must(a, staff, item(domain.ContractorKind, storagetest.ID(), 0, domain.Contractor{Name: "Another"}))

	for i, path := range paths {
		if again := a.Do(domain.Staff, "GET", path, nil).Want(200).Body; !bytes.Equal(again, before[i]) {
			t.Errorf("%s\nwas %s\nis  %s", path, before[i], again)
		}
	}
	if now := compared(a, domain.Staff, inOctober); now.Program.JobsCount != 1 || len(now.Contractors) != 2 || now.Contractors[1].Name != "Renamed" || len(now.Published) != 1 {
		t.Errorf("now: %+v", now)
	}
}

// A job counts in the period of its first acceptance, also after it was opened
// again, accepted again, excluded and included.
func TestReopenedJobCountsWhereItWasFirstAccepted(t *testing.T) {
	t.Parallel()
	a, _ := serve(t)
	staff := a.Tokens[domain.Staff]
	in := accepted(a, a.World, a.Tokens)
	a.Clock.Move(40 * 24 * time.Hour)
	must(a, staff, in.review(domain.Reopen))
	if got := compared(a, domain.Staff, inOctober).Program.JobsCount; got != 0 {
		t.Fatalf("%d jobs while it is open again", got)
	}
	must(a, a.Tokens[domain.Field], item(domain.JobKind, in.Job, 4, in.state(domain.SentIn)))
	must(a, staff, in.review(domain.Accept))
	for decision, used := range map[domain.Decision]int{domain.Exclude: 0, domain.Include: 1} {
		if decision == domain.Include {
			must(a, staff, in.review(domain.Exclude))
		}
		must(a, staff, in.review(decision))
		if p := compared(a, domain.Staff, inOctober).Program; p.JobsCount != 1 || p.UsedCount != used {
			t.Errorf("after %s: %d jobs, %d used in October", decision, p.JobsCount, p.UsedCount)
		}
	}
	if got := compared(a, domain.Staff, "?from=2026-11-01&before=2026-12-01").Program.JobsCount; got != 0 {
		t.Errorf("%d jobs in November", got)
	}
}
