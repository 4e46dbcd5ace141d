package pack

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Rows takes the rows of one table, cell by cell from left to right:
//
//	rows.Text("J17").Scaled(1207).Unknown()
//	if err := rows.End(); err != nil {
//
// A mistake in a cell is reported by End.
type Rows struct {
	w      *Writer
	layout *layout
	member *member
	csv    *csv.Writer
	totals *totals
	sheet  *sheetRows // of a table that the workbook shows

	text     []byte // cells of the row, one behind the other
	ends     []int
	row      []string
	ordinals []int64
}

// A CellError says which cell the writer refused. It never repeats the value:
// errors end up in logs.
type CellError struct {
	File, Column string
	Row          int64 // as a spreadsheet counts: the header is row 1
	Reason       string
}

func (e *CellError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("%s row %d: %s", e.File, e.Row, e.Reason)
	}
	return fmt.Sprintf("%s row %d: %s %s", e.File, e.Row, e.Column, e.Reason)
}

func newRows(w *Writer, l *layout) *Rows {
	m := w.member("data/" + l.file())
	s := &Rows{w: w, layout: l, member: m, csv: csv.NewWriter(m), totals: newTotals(l), sheet: w.sheets[l.Name],
		row: make([]string, len(l.Columns)), ordinals: make([]int64, len(l.Columns))}
	s.csv.UseCRLF = true
	if s.sheet != nil {
		s.sheet.totals = s.totals
	}
	_ = w.fail(s.csv.Write(l.header()))
	return s
}

// Row adds a whole row; "" is unknown.
func (s *Rows) Row(cells ...string) error {
	for _, c := range cells {
		s.Text(c)
	}
	return s.End()
}

// Text adds a cell as it is; a guard is added later where it is needed.
func (s *Rows) Text(v string) *Rows { s.text = append(s.text, v...); return s.end() }

// Int adds a whole number.
func (s *Rows) Int(v int64) *Rows { s.text = strconv.AppendInt(s.text, v, 10); return s.end() }

// Scaled adds a number given in units of the last decimal of its column: 1207
// in a column with one decimal is 120.7.
func (s *Rows) Scaled(v int64) *Rows {
	if i := len(s.ends); i < len(s.layout.Columns) {
		s.text = appendScaled(s.text, v, s.layout.Columns[i].Decimals)
	}
	return s.end()
}

// Bool adds true or false.
func (s *Rows) Bool(v bool) *Rows { s.text = strconv.AppendBool(s.text, v); return s.end() }

// Time adds a moment as the ledger stamps it: UTC with six decimals.
func (s *Rows) Time(v time.Time) *Rows {
	s.text = v.UTC().AppendFormat(s.text, asOfForm)
	return s.end()
}

// Unknown adds an empty cell.
func (s *Rows) Unknown() *Rows { return s.end() }

func (s *Rows) end() *Rows { s.ends = append(s.ends, len(s.text)); return s }

// End judges the row and writes it.
func (s *Rows) End() error {
	defer func() { s.text, s.ends = s.text[:0], s.ends[:0] }()
	if s.w.err != nil {
		return s.w.err
	}
	if err := s.judge(); err != nil {
		return s.w.fail(err)
	}
	if s.sheet != nil {
		s.sheet.add(s.row)
	}
	s.totals.add(s.layout, s.row, s.ordinals)
	return s.w.fail(s.csv.Write(s.row))
}

// oneLiner writes line breaks as spaces: a CSV reader may turn them into others.
var oneLiner = strings.NewReplacer("\r\n", " ", "\r", " ", "\n", " ")

// judge splits the text into guarded cells and checks each.
func (s *Rows) judge() error {
	fault := func(column, reason string) error {
		return &CellError{File: s.layout.file(), Row: s.totals.rows + 2, Column: column, Reason: reason}
	}
	if len(s.ends) != len(s.row) {
		return fault("", fmt.Sprintf("has %d cells, the table has %d columns", len(s.ends), len(s.row)))
	}
	text, from := string(s.text), 0
	for i, to := range s.ends {
		cell := text[from:to]
		rule := &s.layout.cells[i]
		if rule.typ == Text {
			cell = oneLiner.Replace(cell)
			if needsGuard(cell) {
				cell = "'" + cell
				s.w.changed++
			}
		}
		v, why := rule.judge(cell)
		if why != "" {
			return fault(s.layout.Columns[i].Name, why)
		}
		s.row[i], s.ordinals[i] = cell, v
		from = to
	}
	if s.layout.Name == reconciliationName {
		if column, why := balance(s.row, s.ordinals); why != "" {
			return fault(s.layout.Columns[column].Name, why)
		}
	}
	return nil
}

// Close ends the table.
func (s *Rows) Close() error {
	w := s.w
	if w.err == nil && len(s.ends) > 0 {
		return w.fail(errors.New("table " + s.layout.Name + ": the last row was not ended"))
	}
	s.csv.Flush()
	if err := w.fail(s.csv.Error()); err != nil {
		return err
	}
	w.payload = append(w.payload, s.member.listed())
	w.rows[s.layout.Name] = s.totals.rows
	if s.layout.Name != controlName {
		w.control = append(w.control, s.totals.lines(s.layout)...)
	}
	w.open = nil
	return nil
}

// bom is the byte order mark that older packages begin their tables with.
const bom = "\xef\xbb\xbf"

// newCSVReader reads a table; a cell's slice is used again for the next row.
func newCSVReader(r io.Reader) *csv.Reader {
	in := bufio.NewReaderSize(r, 64<<10)
	if head, err := in.Peek(len(bom)); err == nil && string(head) == bom {
		_, _ = in.Discard(len(bom)) // they were seen
	}
	c := csv.NewReader(in)
	c.ReuseRecord = true
	return c
}

// Read calls use with each row of a table of a package, its cells in the order
// of the columns that are named and without their guard. The package is not
// verified: it is one that was when it was kept.
func Read(r io.ReaderAt, size int64, table string, columns []string, use func(cells []string) error) error {
	c, err := openContainer(r, size, DefaultMaxBytes)
	if err != nil {
		return err
	}
	path := "data/" + table + ".csv"
	if c.files[path] == nil {
		return unreadable("there is no table %s", table)
	}
	return c.each(path, func(in io.Reader) error {
		rows := newCSVReader(in)
		header, err := rows.Read()
		if err != nil {
			return unreadable("%s: %v", path, err)
		}
		at := make([]int, len(columns))
		for i, name := range columns {
			if at[i] = slices.Index(header, name); at[i] < 0 {
				return unreadable("%s: there is no column %s", path, name)
			}
		}
		cells := make([]string, len(columns))
		for {
			row, err := rows.Read()
			if err == io.EOF {
				return nil
			}
			if err != nil {
				return unreadable("%s: %v", path, err)
			}
			for i, n := range at {
				cells[i] = Unguard(row[n])
			}
			if err := use(cells); err != nil {
				return err
			}
		}
	})
}
