package pagetest_test

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/api/pages"
	"ductledger/api/pages/pagetest"
	"ductledger/domain"
)

// build has the package of a month built until it is in a state, and gives its revision.
func (s *scene) build(admin reader, month, state string) string {
	t := admin.t
	t.Helper()
	at := "/v1/months/" + month + "/packages"
	admin.post("/staff/month?month="+month, url.Values{"do": {"build"}})
	var list struct {
		Items []struct {
			State string `json:"state"`
			Rev   int    `json:"revision"`
		} `json:"items"`
	}
	for range 1200 {
		s.Do(domain.Staff, "GET", at, nil).Want(200).Into(&list)
		if len(list.Items) == 1 && list.Items[0].State == state {
			return strconv.Itoa(list.Items[0].Rev)
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("not built: %s", s.Do(domain.Staff, "GET", at, nil).Body)
	return ""
}

// What a package's page says, to the office and to the funder, is what the API says of
// the same month: the table months of the package's file, the contractors' statements, and
// the results of the jobs that count in it.
func TestFiguresOfAPackageAreTheAPIs(t *testing.T) {
	s := newScene(t)
	id := s.Accepted
	s.Clock.Move(31 * 24 * time.Hour) // October has ended
	admin := readerAs(t, s.API, domain.Admin)
	revision := s.build(admin, "2026-10", "verified")
	at := "2026-10/packages/" + revision
	_, file := admin.do("GET", "/v1/months/"+at+"/file", nil)
	months := tableOf(t, file, "months")
	var paid struct {
		Totals struct {
			Amount int64 `json:"amount_cents"`
		} `json:"totals"`
	}
	s.Do(domain.Staff, "GET", "/v1/contractors/"+s.World.Contractor.String()+"/statement?month=2026-10", nil).Want(200).Into(&paid)
	var result struct {
		Reduction float64 `json:"reduction_cfm25"`
	}
	s.Do(domain.Staff, "GET", "/v1/jobs/"+id.String()+"/result", nil).Want(200).Into(&result)
	row := fmt.Sprintf("October 2026 1 1 %s %s 0 0", pages.Number(result.Reduction, 1), pages.Money(paid.Totals.Amount))
	text := textOf(admin.get("/staff/month/2026-10/" + revision))
	if result.Reduction == 0 || paid.Totals.Amount == 0 || !strings.Contains(text, row) || !strings.Contains(text, pages.Money(paid.Totals.Amount)+" for 1 home of October 2026") {
		t.Errorf("the page does not say %q: %s", row, text)
	}
	begun := false
	for _, m := range months {
		if begun = begun || m["homes_count"] != "0"; !begun { // before the first home is no month of nothing done
			if month := pages.Month(m["period"]); strings.Contains(text, month) {
				t.Errorf("the page tells of %s, in which nobody worked: %s", month, text)
			}
			continue
		}
		n := func(name string) float64 { f, _ := strconv.ParseFloat(m[name], 64); return f }
		said := fmt.Sprintf("%s %s %s %s %s %s", m["homes_count"], m["completed_count"], pages.Number(n("reduction_cfm25"), 1), pages.Money(int64(n("payable_cents"))), m["inspections_count"], m["call_backs_count"])
		if !strings.Contains(text, said) {
			t.Errorf("the page does not say %q of %s: %s", said, m["kind"], text)
		}
	}
	other := reader{t, s.URL, pagetest.Session(t, s.API, domain.Admin, "Ada Invented")} // two people look at every month
	other.post("/staff/month?month=2026-10", url.Values{"do": {"release"}, "name": {revision}})
	funder := readerAs(t, s.API, domain.Funder)
	if told := textOf(funder.get("/staff/month/2026-10/" + revision)); !strings.Contains(told, row) {
		t.Errorf("the funder is not told %q: %s", row, told)
	}
	if len(months) < 3 {
		t.Errorf("months, year and all are %d rows", len(months))
	}
}

// tableOf is a table of a package's file.
func tableOf(t *testing.T, file, name string) (rows []map[string]string) {
	t.Helper()
	archive, err := zip.NewReader(bytes.NewReader([]byte(file)), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range archive.File {
		if !strings.HasSuffix(f.Name, "/data/"+name+".csv") {
			continue
		}
		opened, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(opened)
		if err != nil {
			t.Fatal(err)
		}
		cells, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range cells[1:] {
			row := map[string]string{}
			for i, cell := range line {
				row[cells[0][i]] = cell
			}
			rows = append(rows, row)
		}
	}
	return rows
}
