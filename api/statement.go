package api

import (
	"context"
	"math"
	"net/http"
	"strconv"

	"ductledger/api/frame"
	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/month"
	monthdb "ductledger/storage/month"

	"github.com/go-json-experiment/json/jsontext"
)

// What a contractor is paid for a month. Totals are of the whole month, also on later pages.
type statementAnswer struct {
	ContractorID domain.UUID  `json:"contractor_id"`
	Month        domain.Month `json:"month"`
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
	// In which the job was first accepted.
	OriginalMonth domain.Month `json:"original_month,omitzero"`
	// new, late, correction or not_accepted.
	CountedAs string `json:"counted_as"`
	// What led to a correction: re_opened, accepted_again, changed, voided, hold_released or call_back.
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
	a := statementLine{JobID: l.JobID, OriginalMonth: l.Month, CountedAs: l.CountedAs, Event: l.Event, LineNumber: l.Number, Line: l.Line, State: l.State,
		Category: l.Category, FundSource: l.FundSource, Quantity: jsontext.Value(strconv.FormatFloat(float64(l.QuantityTenths)/10, 'f', -1, 64)),
		AmountCents: l.AmountCents, HeldBackCents: l.HeldBackCents, WithheldBy: l.Withheld}
	if l.Line != "" && l.State != month.Unpaid {
		a.UnitCents = &l.UnitCents
	}
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
	if asksCSV(r) {
		out, err := monthdb.ReadStatement(ctx, s.db, caller, id, m, 0, math.MaxInt)
		if err != nil {
			return frame.Answer{}, err
		}
		sheet, err := statementSheet(out.Lines)
		return frame.Answer{Body: sheet, Header: http.Header{"Content-Type": {"text/csv; charset=utf-8"}, "Vary": {"Accept"},
			"Content-Disposition": {`attachment; filename="statement_` + string(m) + `.csv"`}}}, err
	}
	after, position := int64(0), int64(0)
	list := frame.PageOf(caller, "statement"+id.String()+string(m)) // a position of the ledger and a number of lines
	if text := r.Query.Get("after"); text != "" {
		if err := list.ReadNumbers(text, &position, &after); err != nil {
			return frame.Answer{}, err
		}
	}
	out, err := monthdb.ReadStatement(ctx, s.db, caller, id, m, after, r.Limit())
	if err != nil {
		return frame.Answer{}, err
	}
	if after > 0 && position != out.Position {
		return frame.Answer{}, frame.CursorInvalid() // another package stands since: its lines are others
	}
	a := statementAnswer{ContractorID: id, Month: m, Position: out.Position, PreviousPosition: out.Previous, AsOfAt: ledger.Stamp(out.AsOf),
		Totals: statementSumsOf(&out.Totals.StatementSums), Headings: []statementHeading{}, Items: []statementLine{}}
	switch {
	case out.Package != nil:
		a.CutBy, a.Revision, a.SHA256 = string(out.Package.State), out.Package.Revision, out.Package.SHA256
	case out.Finished:
		a.CutBy = "month_end"
	default:
		a.CutBy = "newest"
	}
	for _, h := range out.Totals.Headings() {
		a.Headings = append(a.Headings, statementHeading{h.Category, h.FundSource, statementSumsOf(&h.StatementSums)})
	}
	for i := range out.Lines {
		a.Items = append(a.Items, statementLineOf(&out.Lines[i]))
	}
	if out.More {
		a.Next = list.WriteNumbers(out.Position, after+int64(len(out.Lines)))
	}
	return frame.Answer{Header: http.Header{"Vary": {"Accept"}}, Body: a}, nil
}

type statementQuery struct {
	// The form of the answer; it goes before Accept.
	Format string `json:"format,omitzero" validate:"omitempty,oneof=json csv"`
	// The month.
	Month domain.Month `json:"month"`
	pageQuery
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
				"reads its own. With `format=csv`, or `Accept: text/csv`, the lines come as one spreadsheet, all of them.",
			Query: statementQuery{},
			Gives: []frame.Gives{
				{Status: 200, What: "The statement.", Body: statementAnswer{}, Media: "application/json text/csv"},
			},
			Also: []int{422},
		},
	}
}
