package pack

import (
	"io"
	"slices"
	"strings"
	"testing"
	"time"
)

// A table that is longer than a sheet holds is shown by its totals only; its
// file has every row.
func TestLongTablesShowTotals(t *testing.T) {
	defer func(n int) { maxSheetRows = n }(maxSheetRows)
	maxSheetRows = 3
	type row struct{ id, cents int64 }
	table := Define(Table{Name: "things", PrimaryKey: []string{"thing_id"}},
		Field[row]{Column{Name: "thing_id", Type: ID, Description: "The thing"}, func(r *row, c *Rows) { c.Text("T" + itoa(r.id)) }},
		Field[row]{Column{Name: "paid_cents", Type: Integer, Description: "Paid"}, func(r *row, c *Rows) { c.Int(r.cents) }},
		Field[row]{Column{Name: "since_on", Type: Date, Description: "A day"}, func(_ *row, c *Rows) { c.Text("2026-10-31") }},
	)
	for n, want := range map[int64]string{3: "T1 10 2026-10-31|T2 20 2026-10-31|T3 30 2026-10-31", 4: "total of 4 rows 100 "} {
		w, err := NewWriter(io.Discard, Head{Program: "P", Organization: "O", Contact: "C", Month: "2026-10", TimeZone: "UTC", Revision: 1, AsOf: time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC),
			LedgerHead: strings.Repeat("0", 64), SchemaVersion: "1.0.0", BuildID: "test"}, []Table{table.Table, ReconciliationTable()}, WriterOptions{Sheets: []string{"things"}})
		if err != nil {
			t.Fatal(err)
		}
		rows, _ := w.Table("things")
		for i := range n {
			if err := table.Row(rows, &row{i + 1, 10 * (i + 1)}); err != nil {
				t.Fatal(err)
			}
		}
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
		rows, _ = w.Table("reconciliation")
		if err := rows.Close(); err != nil {
			t.Fatal(err)
		}
		var shown []string
		err = w.Workbook("summary.xlsx", nil, func(_ io.Writer, book *Workbook) error {
			for _, r := range book.Sheets[1].Rows {
				var cells []string
				for _, c := range r {
					cells = append(cells, c.Text)
				}
				shown = append(shown, strings.Join(cells, " "))
			}
			return nil
		})
		if got := strings.Join(shown, "|"); err != nil || got != want {
			t.Errorf("%d rows: %q, want %q (%v)", n, got, want, err)
		}
		if written, err := w.Close(); err != nil || written.Rows["things"] != n || slices.Contains(w.views, "") {
			t.Errorf("%d rows: %+v, %v", n, written, err)
		}
	}
}
