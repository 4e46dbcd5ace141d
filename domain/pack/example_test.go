package pack_test

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"ductledger/domain/pack"
)

// A tiny package: one table of jobs, the reconciliation, and what Verify says
// about it.
func Example() {
	type job struct {
		id          string
		afterTenths int64
		label       string
	}
	jobs := pack.Define(pack.Table{Name: "jobs", Title: "Accepted jobs", PrimaryKey: []string{"job_id"}},
		pack.Field[job]{Column: pack.Column{Name: "job_id", Type: pack.ID, Description: "The job"},
			Value: func(j *job, c *pack.Rows) { c.Text(j.id) }},
		pack.Field[job]{Column: pack.Column{Name: "after_cfm25", Type: pack.Number, Decimals: 1, Unit: "cfm at 25 Pa", Description: "Leakage after the work"},
			Value: func(j *job, c *pack.Rows) { c.Scaled(j.afterTenths) }},
		pack.Field[job]{Column: pack.Column{Name: "label", Type: pack.Text, Description: "As the agency calls it"},
			Value: func(j *job, c *pack.Rows) { c.Text(j.label) }},
	)
	reconciliation := pack.Reconciliation()
	tables := []pack.Table{jobs.Table, reconciliation.Table}
	head := pack.Head{
		Program: "ACME", Organization: "Invented Weatherization", Contact: "reports@example.org",
		Month: "2026-10", TimeZone: "America/Chicago", Revision: 1, Demo: true,
		AsOf: time.Date(2026, 11, 1, 4, 59, 58, 0, time.UTC), Position: 4711, LedgerHead: strings.Repeat("ab", 32),
		SchemaVersion: "1.0.0", BuildID: "example",
	}
	var file bytes.Buffer
	w, err := pack.NewWriter(&file, head, tables, pack.WriterOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	// The writer keeps its first error, and Close returns it: in a short
	// program it is enough to look there.
	rows, _ := w.Table("jobs")
	jobs.Row(rows, &job{"J1", 1207, "=1+1"})
	jobs.Row(rows, &job{"J2", 980, "north"})
	rows.Close()
	rows, _ = w.Table("reconciliation")
	reconciliation.Row(rows, &pack.ReconciliationRow{Measure: "jobs_accepted", Unit: "jobs", Previous: 40, New: 2})
	rows.Close()
	if _, err := w.Close(); err != nil {
		fmt.Println(err)
		return
	}

	report, err := pack.Verify(bytes.NewReader(file.Bytes()), int64(file.Len()), pack.VerifyOptions{})
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
	// ok   readme: 0 figures repeat their cells
}
