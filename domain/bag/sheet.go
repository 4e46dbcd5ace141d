package bag

import (
	"errors"
	"fmt"
	"strconv"
	"time"
)

// A Sheet takes the rows of one table, cell by cell from left to right:
//
//	sheet.Text("J17").Scaled(1207).Unknown()
//	if err := sheet.End(); err != nil {
//
// A mistake in a cell is reported by End.
type Sheet struct {
	w         *Writer
	layout    *layout
	announced int64
	rows      int64 // of the table
	part      int64
	parts     int64
	limit     int64 // rows of a part
	file      string
	member    *member
	totals    *totals
	kept      *keptRows // of a table that becomes a page

	text     []byte // cells of the row, one behind the other
	ends     []int
	row      [][]byte
	ordinals []int64
	out      []byte // encoded, not yet written
}

// flushAt is the size of a write into the zip, in bytes.
const flushAt = 64 << 10

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

func newSheet(w *Writer, l *layout, rows int64) *Sheet {
	s := &Sheet{w: w, layout: l, announced: rows, parts: 1, limit: maxRows}
	if l.Name != controlName && l.Name != reconciliationName { // these two are short, and one file by their form
		s.limit = w.opts.RowsPerFile
		s.parts = max(1, (rows+s.limit-1)/s.limit)
	}
	for _, k := range w.kept {
		if k.table.Name == l.Name {
			s.kept = k
		}
	}
	s.row, s.ordinals = make([][]byte, len(l.Columns)), make([]int64, len(l.Columns))
	s.nextPart()
	return s
}

func (s *Sheet) nextPart() {
	s.part++
	s.file = s.layout.fileOf(s.part, s.parts)
	s.member, s.totals = s.w.member("data/"+s.file), newTotals(s.layout)
	if !s.w.opts.NoBOM {
		s.out = append(s.out, bom...)
	}
	s.out = appendRecord(s.out, s.layout.header())
}

// Row adds a whole row; "" is unknown.
func (s *Sheet) Row(cells ...string) error {
	s.cells(cells)
	return s.End()
}

func (s *Sheet) cells(cells []string) {
	for _, c := range cells {
		s.Text(c)
	}
}

// Text adds a cell as it is; a guard is added later where it is needed.
func (s *Sheet) Text(v string) *Sheet { s.text = append(s.text, v...); return s.end() }

// Bytes adds a text that the caller keeps as bytes.
func (s *Sheet) Bytes(v []byte) *Sheet { s.text = append(s.text, v...); return s.end() }

// Int adds a whole number.
func (s *Sheet) Int(v int64) *Sheet { s.text = strconv.AppendInt(s.text, v, 10); return s.end() }

// Scaled adds a number given in units of the last decimal of its column: 1207
// in a column with one decimal is 120.7.
func (s *Sheet) Scaled(v int64) *Sheet {
	if i := len(s.ends); i < len(s.layout.Columns) {
		s.text = appendScaled(s.text, v, s.layout.Columns[i].Decimals)
	}
	return s.end()
}

// Bool adds true or false.
func (s *Sheet) Bool(v bool) *Sheet { s.text = strconv.AppendBool(s.text, v); return s.end() }

// Time adds a moment as the ledger stamps it: UTC with six decimals.
func (s *Sheet) Time(v time.Time) *Sheet {
	s.text = v.UTC().AppendFormat(s.text, asOfForm)
	return s.end()
}

// Unknown adds an empty cell.
func (s *Sheet) Unknown() *Sheet { return s.end() }

func (s *Sheet) end() *Sheet { s.ends = append(s.ends, len(s.text)); return s }

// End judges the row and writes it.
func (s *Sheet) End() error {
	defer func() { s.text, s.ends = s.text[:0], s.ends[:0] }()
	if s.w.err != nil {
		return s.w.err
	}
	if s.rows == s.announced {
		return s.w.fail(fmt.Errorf("table %q: more than the %d rows announced", s.layout.Name, s.announced))
	}
	if s.totals.rows == s.limit {
		s.closePart()
		s.nextPart()
	}
	if err := s.judge(); err != nil {
		return s.w.fail(err)
	}
	if s.kept != nil {
		if err := s.kept.add(s.row); err != nil {
			return s.w.fail(err)
		}
	}
	s.rows++
	s.totals.add(s.layout, s.row, s.ordinals)
	if s.out = appendRecord(s.out, s.row); len(s.out) >= flushAt {
		s.flush()
	}
	return s.w.err
}

// judge splits the text into guarded cells and checks each.
func (s *Sheet) judge() error {
	fault := func(column, reason string) error {
		return &CellError{File: s.file, Row: s.totals.rows + 2, Column: column, Reason: reason}
	}
	if len(s.ends) != len(s.row) {
		return fault("", fmt.Sprintf("has %d cells, the table has %d columns", len(s.ends), len(s.row)))
	}
	from := 0
	for i, to := range s.ends {
		cell := s.text[from:to:to]
		rule := &s.layout.cells[i]
		if rule.typ == Text && needsGuard(cell) {
			cell = append([]byte{'\''}, cell...) // rare: an allocation is fine
			s.w.changed++
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

func (s *Sheet) flush() {
	if _, err := s.member.Write(s.out); err != nil {
		_ = s.w.fail(err)
	}
	s.out = s.out[:0]
}

func (s *Sheet) closePart() {
	s.flush()
	w := s.w
	w.payload = append(w.payload, s.member.listed())
	w.files[s.layout.Name] = append(w.files[s.layout.Name], s.file)
	if s.layout.Name != controlName {
		w.control = append(w.control, s.totals.lines(s.layout, s.file)...)
	}
}

// Close ends the table.
func (s *Sheet) Close() error {
	if s.w.err != nil {
		return s.w.err
	}
	if len(s.ends) > 0 {
		return s.w.fail(errors.New("table " + s.layout.Name + ": the last row was not ended"))
	}
	if s.rows != s.announced {
		return s.w.fail(fmt.Errorf("table %q: %d rows were announced, %d came", s.layout.Name, s.announced, s.rows))
	}
	s.closePart()
	s.w.open = nil
	return s.w.err
}
