package pages

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"strconv"
	"strings"

	"ductledger/api/frame"
	"ductledger/domain/pack"
)

// A Table is what a page lists, for a spreadsheet: the same values, unrounded,
// under the names of the contract.
type Table struct {
	Name    string // of the file, without its ending
	Columns []string
	Rows    [][]string
}

// answer is the table as CSV (RFC 4180). A cell that a spreadsheet would take
// for a formula is marked as text.
func (t *Table) answer(title string) (frame.Answer, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	if err := w.Write(t.Columns); err != nil {
		return frame.Answer{}, err
	}
	for _, row := range t.Rows {
		safe := make([]string, len(row))
		for i, cell := range row {
			safe[i] = cell
			if _, err := strconv.ParseFloat(cell, 64); err != nil {
				safe[i] = pack.Guard(cell)
			}
		}
		if err := w.Write(safe); err != nil {
			return frame.Answer{}, err
		}
	}
	w.Flush()
	name := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '-'
	}, strings.ToLower(t.Name))
	return frame.Answer{Body: out.Bytes(), Header: http.Header{"Content-Type": {"text/csv; charset=utf-8; header=present"},
		"Content-Disposition": {`attachment; filename="` + name + `.csv"`}}}, w.Error()
}
