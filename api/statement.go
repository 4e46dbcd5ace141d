package api

import (
	"context"
	"math"
	"net/http"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/ledger"
	"ductledger/domain/month"

	"github.com/go-json-experiment/json/jsontext"
)

// statementAnswer is one page of what a contractor is paid for a month.
type statementAnswer struct {
	ContractorID     domain.UUID        `json:"contractor_id"`
	Month            domain.Month       `json:"month"`
	Position         int64              `json:"position"`
	PreviousPosition int64              `json:"previous_position"`
	AsOfAt           string             `json:"as_of_at"`
	CutBy            string             `json:"cut_by"`
	Revision         int                `json:"revision,omitzero"`
	SHA256           string             `json:"package_sha256,omitzero"`
	Totals           statementSums      `json:"totals"`
	Headings         []statementHeading `json:"headings"`
	Items            []statementLine    `json:"items"`
	Next             string             `json:"next,omitzero"`
}

type statementSums struct {
	AmountCents         int64 `json:"amount_cents"`
	HeldBackCents       int64 `json:"held_back_cents"`
	CorrectionCents     int64 `json:"correction_cents"`
	CorrectionHeldCents int64 `json:"correction_held_back_cents"`
	DueCents            int64 `json:"due_cents"`
	ExpectedCents       int64 `json:"expected_cents"`
}

type statementHeading struct {
	Category   string `json:"category,omitzero"`
	FundSource string `json:"fund_source,omitzero"`
	statementSums
}

type statementLine struct {
	JobID         domain.UUID    `json:"job_id"`
	OriginalMonth domain.Month   `json:"original_month,omitzero"`
	CountedAs     string         `json:"counted_as"`
	Event         string         `json:"event,omitzero"`
	LineNumber    int            `json:"line_number"`
	Line          string         `json:"line,omitzero"`
	State         string         `json:"state"`
	Category      string         `json:"category,omitzero"`
	FundSource    string         `json:"fund_source,omitzero"`
	Quantity      jsontext.Value `json:"quantity"`
	UnitCents     *int64         `json:"unit_price_cents,omitzero"`
	AmountCents   int64          `json:"amount_cents"`
	HeldBackCents int64          `json:"held_back_cents"`
	ExpectedCents *int64         `json:"expected_cents,omitzero"`
	WithheldBy    []string       `json:"withheld_by,omitzero"`
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
func (s *Server) statement(ctx context.Context, caller domain.Caller, r *request) (answer, error) {
	id, err := pathID(r)
	if err != nil {
		return answer{}, err
	}
	if caller.Role == domain.ContractorRole && caller.Contractor != id {
		return answer{}, domain.Errorf(domain.NotFound, "there is no such contractor")
	}
	m := domain.Month(r.Query.Get("month"))
	if asksCSV(r) {
		out, err := s.db.Statement(ctx, caller, id, m, 0, math.MaxInt)
		if err != nil {
			return answer{}, err
		}
		sheet, err := statementSheet(out.Lines)
		return answer{Body: sheet, Header: http.Header{"Content-Type": {"text/csv; charset=utf-8"}, "Vary": {"Accept"},
			"Content-Disposition": {`attachment; filename="statement_` + string(m) + `.csv"`}}}, err
	}
	after, position := int64(0), int64(0)
	if text := r.Query.Get("after"); text != "" {
		if position, after, err = readStatementCursor(caller, id, m, text); err != nil {
			return answer{}, err
		}
	}
	out, err := s.db.Statement(ctx, caller, id, m, after, r.limit())
	if err != nil {
		return answer{}, err
	}
	if after > 0 && position != out.Position {
		return answer{}, cursorInvalid() // another package stands since: its lines are others
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
		a.Next = writeStatementCursor(caller, id, m, out.Position, after+int64(len(out.Lines)))
	}
	return answer{Header: http.Header{"Vary": {"Accept"}}, Body: a}, nil
}
