package api

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	monthdb "ductledger/storage/month"
)

const workbookMedia = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

var mediaOf = map[string]string{"csv": "text/csv; charset=utf-8", "xlsx": workbookMedia}

// statementForm is what the caller asks for.
func statementForm(r *frame.Request) string {
	switch {
	case asksCSV(r):
		return "csv"
	case r.Query.Get("format") == "xlsx", r.Query.Get("format") == "" && strings.Contains(r.Header.Get("Accept"), workbookMedia):
		return "xlsx"
	}
	return "json"
}

// statementColumns are those of both spreadsheets, for people and by name.
var statementColumns = [][2]string{{"Contractor", "contractor_id"}, {"Name", "contractor_name"}, {"Month", "month"}, {"Row", "row"},
	{"Job", "job_id"}, {"Counts in", "original_month"}, {"Counted as", "counted_as"}, {"Event", "event"}, {"Number", "line_number"}, {"Paid for", "line"},
	{"State", "state"}, {"Category", "category"}, {"Fund", "fund_source"}, {"Quantity", "quantity"}, {"Unit price, US cents", "unit_price_cents"},
	{"Product, US cents", "product_cents"}, {"Limited by", "limited_by"}, {"Amount, US cents", "amount_cents"}, {"Held back, US cents", "held_back_cents"},
	{"Expected, US cents", "expected_cents"}, {"Withheld by", "withheld_by"}}

// Kinds of rows of the spreadsheets: lines, then what they come to by fund and
// category, and in all.
const (
	rowLine    = "line"
	rowHeading = "total_of_heading"
	rowTotal   = "total"
)

// statementRows are the cells of a statement, sums last. Ids begin with a letter
// and texts are guarded, as in a package.
func statementRows(id domain.UUID, m domain.Month, out *monthdb.Statement) [][]string {
	whole := func(n int64) string { return strconv.FormatInt(n, 10) }
	optional := func(n *int64) string {
		if n == nil {
			return ""
		}
		return whole(*n)
	}
	head := func(row string) []string {
		return []string{month.ContractorRef(id), pack.Guard(out.Contractor), string(m), row}
	}
	var rows [][]string
	for i := range out.Lines {
		l := &out.Lines[i]
		a := statementLineOf(l)
		rows = append(rows, append(head(rowLine), month.JobRef(l.JobID), string(l.Month), l.CountedAs, l.Event, whole(int64(l.Number)), l.Line, l.State, l.Category,
			pack.Guard(l.FundSource), pack.Scaled(l.QuantityTenths, 1), optional(a.UnitCents), optional(a.ProductCents), l.LimitedBy, whole(l.AmountCents),
			whole(l.HeldBackCents), optional(a.ExpectedCents), strings.Join(l.Withheld, " ")))
	}
	sums := func(row, category, fund string, s *month.StatementSums) {
		rows = append(rows, append(head(row), "", "", "", "", "", "", "", category, pack.Guard(fund), "", "", "", "",
			whole(s.Amount+s.Correction), whole(s.HeldBack+s.CorrectionHeld), whole(s.Expected), ""))
	}
	for _, h := range out.Totals.Headings() {
		sums(rowHeading, h.Category, h.FundSource, &h.StatementSums)
	}
	sums(rowTotal, "", "", &out.Totals.StatementSums)
	return rows
}

// statementSheet is a whole statement as CSV.
func statementSheet(id domain.UUID, m domain.Month, out *monthdb.Statement) ([]byte, error) {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	rows := [][]string{{}}
	for _, c := range statementColumns {
		rows[0] = append(rows[0], c[1])
	}
	err := w.WriteAll(append(rows, statementRows(id, m, out)...))
	return b.Bytes(), err
}

// statementWorkbook is a whole statement as a workbook: what it comes to in
// words and dollars, then its lines.
func statementWorkbook(id domain.UUID, m domain.Month, out *monthdb.Statement) ([]byte, error) {
	text := func(s string) pack.Cell { return pack.Cell{Kind: pack.Words, Text: pack.Guard(s)} }
	dollars := func(cents int64) pack.Cell {
		return pack.Cell{Kind: pack.Figure, Text: pack.Scaled(cents, 2), Decimals: 2}
	}
	first := pack.Sheet{Name: "Statement", Title: pack.Guard(out.Contractor) + ": " + monthName(m), Headings: []string{"", "US dollars"}, Lookup: 3}
	add := func(what string, cents int64) {
		first.Rows = append(first.Rows, []pack.Cell{text(what), dollars(cents)})
	}
	all := &out.Totals.StatementSums
	add("For jobs of this month and late ones", all.Amount)
	add("Corrections to months before", all.Correction)
	add("Held back until inspection", -all.HeldBack-all.CorrectionHeld)
	add("Due", all.Due())
	add("Expected for jobs that are not accepted, in no sum above", all.Expected)
	first.Rows = append(first.Rows, []pack.Cell{{Kind: pack.Heading, Text: "Due, by fund and category"}})
	for _, h := range out.Totals.Headings() {
		name := strings.TrimPrefix(h.FundSource+", "+strings.ReplaceAll(h.Category, "_", " "), ", ")
		add(strings.TrimSuffix(name, ", "), h.Due())
	}
	lines := pack.Sheet{Name: "Lines", Title: first.Title}
	for _, c := range statementColumns {
		lines.Headings, lines.Machine = append(lines.Headings, c[0]), append(lines.Machine, c[1])
	}
	for _, row := range statementRows(id, m, out) {
		cells := make([]pack.Cell, len(row))
		for i, v := range row {
			switch name := statementColumns[i][1]; {
			case v == "":
			case name == "quantity":
				cells[i] = pack.Cell{Kind: pack.Figure, Text: v, Decimals: 1}
			case strings.HasSuffix(name, "_cents"), name == "line_number":
				cells[i] = pack.Cell{Kind: pack.Figure, Text: v}
			default:
				cells[i] = pack.Cell{Kind: pack.Words, Text: v}
			}
		}
		lines.Rows = append(lines.Rows, cells)
	}
	newest := out.Newest()
	book := &pack.Workbook{Name: "statement_" + string(m), Sheets: []pack.Sheet{first, lines},
		Head: pack.Head{Program: newest.Program.Code, Organization: newest.Program.Name, Month: string(m), Demo: newest.Program.Demo, AsOf: newest.AsOf}}
	var b bytes.Buffer
	err := sheet.Write(&b, book)
	return b.Bytes(), err
}

// monthName is a month as people write it.
func monthName(m domain.Month) string {
	first, err := time.Parse("2006-01", string(m))
	if err != nil {
		return string(m)
	}
	return first.Format("January 2006")
}
