package bag_test

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"ductledger/domain/bag"
)

// A tiny package: one table of jobs, the reconciliation, and what Verify says
// about it.
func Example() {
	tables := []bag.Table{
		{
			Name: "jobs", Title: "Accepted jobs", PrimaryKey: []string{"job_id"},
			Columns: []bag.Column{
				{Name: "job_id", Type: bag.ID, Description: "The job"},
				{Name: "after_cfm25", Type: bag.Number, Decimals: 1, Unit: "cfm at 25 Pa", Description: "Leakage after the work"},
				{Name: "label", Type: bag.Text, Description: "As the agency calls it"},
			},
		},
		bag.ReconciliationTable(),
	}
	head := bag.Head{
		Program: "ACME", Organization: "Invented Weatherization", Contact: "reports@example.org",
		Month: "2026-10", TimeZone: "America/Chicago", Revision: 1, Demo: true,
		AsOf: time.Date(2026, 11, 1, 4, 59, 58, 0, time.UTC), Position: 4711, LedgerHead: strings.Repeat("ab", 32),
		SchemaVersion: "1.0.0", BuildID: "example",
	}
	var file bytes.Buffer
	w, err := bag.NewWriter(&file, head, tables, bag.WriterOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	// The writer keeps its first error, and Close returns it: in a short
	// program it is enough to look there.
	jobs, _ := w.Table("jobs", 2)
	jobs.Text("J1").Scaled(1207).Text("=1+1").End()
	jobs.Text("J2").Unknown().Text("north").End()
	jobs.Close()
	lines, _ := w.Table("reconciliation", 1)
	lines.Row(bag.ReconciliationLine{Measure: "jobs_accepted", Unit: "jobs", Previous: 40, New: 2}.Cells()...)
	lines.Close()
	if _, err := w.Close(); err != nil {
		fmt.Println(err)
		return
	}

	report, err := bag.Verify(bytes.NewReader(file.Bytes()), int64(file.Len()), bag.VerifyOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print(report.Text())
	// Output:
	// ACME_2026-10_r1_DEMO: holds
	// ok   bag: bag-info.txt is complete, the folder has the package's name
	// ok   files: 9 files, each in one manifest
	// ok   digests: SHA-256 of 8 files
	// ok   signature: not signed
	// ok   descriptor: every file of data/ is described
	// ok   schema: 16 rows in 3 tables
	// ok   primary_key: no key stands twice
	// ok   foreign_key: every reference leads to a row
	// ok   control: rows, sums and hashes of 13 columns
	// ok   cumulative: every line adds up (1)
}
