package api

import (
	"bytes"
	"context"
	"encoding/csv"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"ductledger/api/frame"
	"ductledger/api/sheet"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	monthdb "ductledger/storage/month"

	"github.com/go-json-experiment/json/jsontext"
)

// What a contractor is paid for a month. Totals are of the whole month, also on later pages.
type statementAnswer struct {
	ContractorID domain.UUID `json:"contractor_id"`
	// Its name as it stands.
	ContractorName string       `json:"contractor_name"`
	Month          domain.Month `json:"month"`
	// Where each fund's lines are cut. What stands beside it here is of the one that was cut last.
	Packages []statementPart `json:"packages"`
	// The last position that it holds.
	Position int64 `json:"position"`
	// Where the package before was cut.
	PreviousPosition int64 `json:"previous_position"`
	// When that position was recorded.
	AsOfAt string `json:"as_of_at"`
	// released or verified: the package of that state; month_end or newest: there is none yet.
	CutBy string `json:"cut_by"`
	// Of that package.
	Revision int `json:"revision,omitzero" validate:"gte=1"`
	// SHA-256 of the package's file.
	SHA256 string        `json:"package_sha256,omitzero"`
	Totals statementSums `json:"totals"`
	// By category and fund source.
	Headings []statementHeading `json:"headings"`
	Items    []statementLine    `json:"items"`
	Next     string             `json:"next,omitzero"`
}

// Where the lines of one fund are cut.
type statementPart struct {
	// Of a program with several funds; `no-fund` are the jobs of which nobody can tell it.
	FundSource string `json:"fund_source,omitzero"`
	// The last position that it holds.
	Position int64 `json:"position"`
	// Where the package before was cut.
	PreviousPosition int64 `json:"previous_position"`
	// When that position was recorded.
	AsOfAt string `json:"as_of_at"`
	// released or verified: the package of that state; month_end or newest: there is none yet.
	CutBy string `json:"cut_by"`
	// What stands for that package in addresses.
	Package string `json:"package,omitzero"`
	// SHA-256 of the package's file.
	SHA256 string `json:"package_sha256,omitzero"`
}

func statementPartOf(p *monthdb.StatementPart) statementPart {
	a := statementPart{FundSource: p.Fund, Position: p.Position, PreviousPosition: p.Previous, AsOfAt: ledger.Stamp(p.AsOf)}
	switch {
	case p.Package != nil:
		a.CutBy, a.Package, a.SHA256 = string(p.Package.State), packageName(p.Package.Fund, p.Package.Revision), p.Package.SHA256
	case p.Finished:
		a.CutBy = "month_end"
	default:
		a.CutBy = "newest"
	}
	return a
}

// Sums in whole cents.
type statementSums struct {
	// Of new and late jobs.
	AmountCents int64 `json:"amount_cents"`
	// Of that, held back until inspection.
	HeldBackCents       int64 `json:"held_back_cents"`
	CorrectionCents     int64 `json:"correction_cents"`
	CorrectionHeldCents int64 `json:"correction_held_back_cents"`
	// amount_cents + correction_cents − held_back_cents − correction_held_back_cents.
	DueCents int64 `json:"due_cents"`
	// Of jobs that are not accepted; in no other sum.
	ExpectedCents int64 `json:"expected_cents"`
}

// The sums of one category and fund source.
type statementHeading struct {
	Category   string `json:"category,omitzero"`
	FundSource string `json:"fund_source,omitzero"`
	statementSums
}

// One line of payment.
type statementLine struct {
	JobID domain.UUID `json:"job_id"`
	// What people call the job.
	JobNumber int64 `json:"job_number,omitzero"`
	// In which the job was first accepted.
	OriginalMonth domain.Month `json:"original_month,omitzero"`
	// new, late, correction or not_accepted.
	CountedAs string `json:"counted_as"`
	// What led to a correction: re_opened, accepted_again, changed, corrected, fund_changed, voided, hold_released or call_back.
	Event string `json:"event,omitzero"`
	// Of the line among those of the job.
	LineNumber int `json:"line_number" validate:"gte=1"`
	// What is paid for; absent where nothing is paid for the job.
	Line string `json:"line,omitzero"`
	// payable, unpaid or withheld.
	State      string `json:"state"`
	Category   string `json:"category,omitzero"`
	FundSource string `json:"fund_source,omitzero"`
	// As published; negative where it is taken back.
	Quantity  jsontext.Value `json:"quantity" schema:"Number"`
	UnitCents *int64         `json:"unit_price_cents,omitzero"`
	// quantity times unit_price_cents, before floor and cap, of a line that is payable.
	ProductCents *int64 `json:"product_cents,omitzero"`
	// floor or cap, where that moved the amount.
	LimitedBy string `json:"limited_by,omitzero"`
	// What the line comes to; 0 where it is not payable.
	AmountCents   int64 `json:"amount_cents"`
	HeldBackCents int64 `json:"held_back_cents"`
	// What it would come to, of a job that is not accepted.
	ExpectedCents *int64 `json:"expected_cents,omitzero"`
	// The rules whose findings are open, the reading that is missing, or not_accepted.
	WithheldBy []string `json:"withheld_by,omitzero"`
}

func statementSumsOf(s *month.StatementSums) statementSums {
	return statementSums{s.Amount, s.HeldBack, s.Correction, s.CorrectionHeld, s.Due(), s.Expected}
}

func statementLineOf(l *month.StatementLine) statementLine {
	a := statementLine{JobID: l.JobID, JobNumber: l.JobNumber, OriginalMonth: l.Month, CountedAs: l.CountedAs, Event: l.Event, LineNumber: l.Number, Line: l.Line, State: l.State,
		Category: l.Category, FundSource: l.FundSource, Quantity: jsontext.Value(strconv.FormatFloat(float64(l.QuantityTenths)/10, 'f', -1, 64)),
		AmountCents: l.AmountCents, HeldBackCents: l.HeldBackCents, WithheldBy: l.Withheld}
	a.UnitCents, a.ProductCents, a.LimitedBy = l.UnitPrice(), l.Product(), l.LimitedBy
	if l.CountedAs == month.CountedNotAccepted {
		a.ExpectedCents = &l.ExpectedCents
	}
	return a
}

// statement answers what a contractor is paid for a month. A contractor reads
// its own. As a spreadsheet it comes whole.
func (s *Server) statement(ctx context.Context, caller domain.Caller, r *frame.Request) (frame.Answer, error) {
	id, err := r.ID()
	if err != nil {
		return frame.Answer{}, err
	}
	if caller.Role == domain.ContractorRole && caller.Contractor != id {
		return frame.Answer{}, domain.Errorf(domain.NotFound, "there is no such contractor")
	}
	m := domain.Month(r.Query.Get("month"))
	fund := r.Query.Get("fund_source")
	if form := statementForm(r); form != "json" {
		out, err := monthdb.ReadStatement(ctx, s.db, caller, id, m, fund, 0, math.MaxInt)
		if err != nil {
			return frame.Answer{}, err
		}
		write := statementSheet
		if form == "xlsx" {
			write = statementWorkbook
		}
		sheet, err := write(id, m, &out)
		return frame.Answer{Body: sheet, Header: http.Header{"Content-Type": {mediaOf[form]}, "Vary": {"Accept"},
			"Content-Disposition": {`attachment; filename="statement_` + string(m) + `.` + form + `"`}}}, err
	}
	after, position := int64(0), int64(0)
	list := frame.PageOf(caller, "statement"+id.String()+string(m)+fund) // positions of the ledger, added up, and a number of lines
	if text := r.Query.Get("after"); text != "" {
		if err := list.ReadNumbers(text, &position, &after); err != nil {
			return frame.Answer{}, err
		}
	}
	out, err := monthdb.ReadStatement(ctx, s.db, caller, id, m, fund, after, r.Limit())
	if err != nil {
		return frame.Answer{}, err
	}
	stands := int64(0)
	for i := range out.Parts {
		stands += out.Parts[i].Position
	}
	if after > 0 && position != stands {
		return frame.Answer{}, frame.CursorInvalid() // another package stands since: its lines are others
	}
	newest := out.Newest()
	part := statementPartOf(newest)
	a := statementAnswer{ContractorID: id, ContractorName: out.Contractor, Month: m, Packages: []statementPart{}, Position: part.Position, PreviousPosition: part.PreviousPosition,
		AsOfAt: part.AsOfAt, CutBy: part.CutBy, SHA256: part.SHA256, Totals: statementSumsOf(&out.Totals.StatementSums), Headings: []statementHeading{}, Items: []statementLine{}}
	if newest.Package != nil {
		a.Revision = newest.Package.Revision
	}
	for i := range out.Parts {
		a.Packages = append(a.Packages, statementPartOf(&out.Parts[i]))
	}
	for _, h := range out.Totals.Headings() {
		a.Headings = append(a.Headings, statementHeading{h.Category, h.FundSource, statementSumsOf(&h.StatementSums)})
	}
	for i := range out.Lines {
		a.Items = append(a.Items, statementLineOf(&out.Lines[i]))
	}
	if out.More {
		a.Next = list.WriteNumbers(stands, after+int64(len(out.Lines)))
	}
	return frame.Answer{Header: http.Header{"Vary": {"Accept"}}, Body: a}, nil
}

type statementQuery struct {
	// The form of the answer; it goes before Accept.
	Format string `json:"format,omitzero" validate:"omitempty,oneof=json csv xlsx"`
	// Only the lines of this fund, and their sums.
	FundSource string `json:"fund_source,omitzero" validate:"omitempty,snake,min=2,max=60"`
	// The month.
	Month domain.Month `json:"month"`
	frame.PageQuery
}

// statementOperations are what the contract says of the operations of this file.
func statementOperations() map[string]frame.Operation {
	return map[string]frame.Operation{
		"statementOfContractor": {
			Tag: "Months", Summary: "What a contractor is paid for a month",
			Description: "Line by line, at the position of the month's released package, else of its newest verified one, else where the " +
				"package would be cut; `cut_by` says which. Lines counted as `new` and `late` are those of the package's " +
				"payments.csv, so the amounts of all contractors add up to it, to the cent. A `correction` takes back what stood " +
				"in the package before, or adds what stands now: all of them add up to corrections_net less voided of " +
				"reconciliation.csv. A job that is sent in and not accepted has its lines with what they would come to, " +
				"`not_accepted`, in no sum but `expected_cents`; `withheld_by` names each rule with an open finding. A contractor " +
				"reads its own. In a program with several funds each fund's lines are cut where its package is: `packages`. With " +
				"`format=csv` or `xlsx`, or by Accept, the lines come as one spreadsheet, all of them, with their sums.",
			Query: statementQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The statement.", Body: statementAnswer{}, Media: "application/json text/csv application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"},
			},
			Also: []int{422},
		},
	}
}

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
