package api_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"github.com/xuri/excelize/v2"
	"strings"
	"testing"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"
	"ductledger/storage/storagetest"
)

type statementPage struct {
	Month, Next string
	CutBy       string `json:"cut_by"`
	Position    int64
	Revision    int `json:"revision"`
	Totals      struct {
		Due      int64 `json:"due_cents"`
		Expected int64 `json:"expected_cents"`
	}
	Items []struct {
		JobID      string   `json:"job_id"`
		State      string   `json:"state"`
		CountedAs  string   `json:"counted_as"`
		WithheldBy []string `json:"withheld_by"`
	}
}

// A contractor reads its own statement, page by page; staff and admin read
// all; nobody else reads any.
func TestStatementIsTheContractorsOwn(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	path := fmt.Sprintf("/v1/contractors/%s/statement?month=2026-10", a.World.Contractor)
	for role, status := range map[domain.Role]int{domain.ContractorRole: 200, domain.Staff: 200, domain.Admin: 200,
		domain.Funder: 403, domain.Field: 403, domain.Inspector: 403} {
		a.Do(role, "GET", path, nil).Want(status)
	}
	other := storagetest.ID()
	a.World.Must(t, a.World.Staff, storagetest.Item(t, other, &domain.Contractor{Name: "Other Invented"}))
	theirs := a.Token(t, a.World.Program, storage.Token{Role: domain.ContractorRole, ContractorID: other})
	a.Send(theirs, "GET", path, nil).Want(404)
	_, strangers := a.Program(t)
	a.Send(strangers[domain.Staff], "GET", path, nil).Want(404)
	var s statementPage
	a.Do(domain.Staff, "GET", path, nil).Want(200).Into(&s)
	if s.CutBy != "month_end" || s.Revision != 0 || s.Month != "2026-10" {
		t.Errorf("without a package: %+v", s)
	}
	p := built(a, domain.Staff, october, "")
	a.Do(domain.ContractorRole, "GET", path, nil).Want(200).Into(&s)
	if s.CutBy != "verified" || s.Revision != 1 || s.Position != p.Position {
		t.Errorf("with a package: %+v", s)
	}
	a.Do(domain.Admin, "POST", october+"/1/release", nil).Want(200)
	a.Do(domain.ContractorRole, "GET", path, nil).Want(200).Into(&s)
	if s.CutBy != "released" {
		t.Errorf("released: %+v", s)
	}
	for _, query := range []string{"", "?month=2026-13", "?month=2026-10&after=x", "?month=2026-10&color=1"} {
		a.Do(domain.Staff, "GET", fmt.Sprintf("/v1/contractors/%s/statement%s", a.World.Contractor, query), nil).Want(400)
	}
}

// Pages join without a gap, and a page of another package is not the next one.
func TestStatementPages(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	sentIn(a, 5)
	path := fmt.Sprintf("/v1/contractors/%s/statement?month=2026-11&limit=2", a.World.Contractor)
	var all []string
	var s statementPage
	for at := path; ; at = path + "&after=" + s.Next {
		s = statementPage{}
		a.Do(domain.ContractorRole, "GET", at, nil).Want(200).Into(&s)
		for _, l := range s.Items {
			if l.CountedAs != month.CountedNotAccepted || l.State != month.Withheld || len(l.WithheldBy) == 0 {
				t.Errorf("%+v", l)
			}
			all = append(all, l.JobID)
		}
		if s.Next == "" {
			break
		}
	}
	seen := map[string]bool{}
	for _, id := range all {
		seen[id] = true
	}
	if len(all) != 5 || len(seen) != 5 {
		t.Errorf("%d lines of %d jobs", len(all), len(seen))
	}
	// As a spreadsheet it comes whole, whatever the limit.
	sheet := a.Do(domain.ContractorRole, "GET", path, nil, "Accept", "text/csv").Want(200)
	lines, err := csv.NewReader(bytes.NewReader(sheet.Body)).ReadAll()
	if err != nil || len(lines) != 8 || lines[0][4] != "job_id" || lines[0][20] != "withheld_by" || lines[7][3] != "total" || lines[7][2] != "2026-11" {
		t.Fatalf("%v, %v", lines, err)
	}
	for _, line := range lines[1:6] {
		if id, isRef := strings.CutPrefix(line[4], "J"); !isRef || !seen[id] || line[6] != month.CountedNotAccepted || line[20] == "" || line[0] != "C"+a.World.Contractor.String() || line[3] != "line" {
			t.Errorf("%v", line)
		}
	}
	workbook := a.Do(domain.ContractorRole, "GET", path+"&format=xlsx", nil).Want(200)
	if book, err := excelize.OpenReader(bytes.NewReader(workbook.Body)); err != nil {
		t.Error(err)
	} else if due, err := book.GetCellValue("Statement", "B6"); err != nil || due != "0.00" {
		t.Errorf("due is shown as %q, %v", due, err)
	}
	a.Do(domain.ContractorRole, "GET", path, nil).Want(200).Into(&s)
	sentIn(a, 1)
	a.Do(domain.ContractorRole, "GET", path+"&after="+s.Next, nil).Want(400)
}

// sentIn makes jobs that are sent in with nothing recorded.
func sentIn(a *apitest.API, n int) {
	a.T.Helper()
	for range n {
		id, home := storagetest.ID(), storagetest.ID()
		job := &domain.Job{HomeID: home, ContractorID: a.World.Contractor, PayBasis: domain.Measured, State: domain.Assigned}
		a.World.Must(a.T, a.World.Staff, storagetest.Item(a.T, home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}}), storagetest.Item(a.T, id, job))
		job.State, job.Outcome = domain.SentIn, domain.Completed
		a.World.Must(a.T, a.World.Field, storagetest.On(storagetest.Item(a.T, id, job), 1))
	}
}
