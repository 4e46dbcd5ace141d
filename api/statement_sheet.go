package api

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"strings"

	"ductledger/domain/month"
	"ductledger/domain/pack"
)

// statementSheet is a whole statement as a spreadsheet: the columns of
// payments.csv and what a statement has besides. Ids begin with a letter and
// texts are guarded, as in a package.
func statementSheet(lines []month.StatementLine) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	rows := [][]string{{"job_id", "original_month", "counted_as", "event", "line_number", "line", "state", "category", "fund_source",
		"quantity", "unit_price_cents", "amount_cents", "held_back_cents", "expected_cents", "withheld_by"}}
	whole := func(n int64) string { return strconv.FormatInt(n, 10) }
	for i := range lines {
		l := &lines[i]
		a := statementLineOf(l)
		optional := func(n *int64) string {
			if n == nil {
				return ""
			}
			return whole(*n)
		}
		rows = append(rows, []string{month.JobRef(l.JobID), string(l.Month), l.CountedAs, l.Event, whole(int64(l.Number)), l.Line, l.State, l.Category, pack.Guard(l.FundSource),
			pack.Scaled(l.QuantityTenths, 1), optional(a.UnitCents), whole(l.AmountCents), whole(l.HeldBackCents), optional(a.ExpectedCents), strings.Join(l.Withheld, " ")})
	}
	err := w.WriteAll(rows)
	return out.Bytes(), err
}
