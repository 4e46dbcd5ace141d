package pack

import (
	"fmt"
	"strings"
	"time"
)

// A Workbook is the package's view for reading: a front sheet of chosen figures
// and one sheet for each of some short tables. Every cell of it repeats a cell
// of data/ or of bag-info.txt.
type Workbook struct {
	Name   string // of its file; empty: the package's
	Head   Head
	Sheets []Sheet
}

// A Sheet has a heading above each column and rows below.
type Sheet struct {
	Name     string
	Title    string   // above all, where there is one
	Headings []string // for people
	Machine  []string // the columns' own names, below the headings; nil: none
	Rows     [][]Cell
	Lookup   int // the first of the columns that are only for looking a cell up; 0: none
	Charts   []Chart
}

// HeadRows is how many rows stand above Rows.
func (s *Sheet) HeadRows() int {
	n := 1
	if s.Title != "" {
		n++
	}
	if s.Machine != nil {
		n++
	}
	return n
}

// A Chart draws one column of the rows from First to Last of its own sheet over
// what stands in their first column.
type Chart struct {
	Title       string
	Column      int
	First, Last int
	Decimals    int
}

// An Overview is the sheet that a person reads first: what the package comes to
// in some periods, side by side, then month by month, with a chart of some. Each
// row is a column of one table, each period one of its rows.
type Overview struct {
	Title   string
	Table   string
	Periods []Period // side by side
	Months  []Period // one below the other
	Rows    []OverviewRow
}

// A Period is a row of the overview's table.
type Period struct{ Name, Row string }

// An OverviewRow is a column of the table in words.
type OverviewRow struct {
	What, Unit string
	Column     string
	Decimals   int  // places by which the point moves, 2 for dollars from cents
	ByMonth    bool // month by month too
	Chart      bool // and drawn
}

// A Cell is a typed value. Text of a Figure and a Day is as it stands in the
// package's tables.
type Cell struct {
	Kind     CellKind
	Text     string
	Decimals int // of a Figure: digits after the point
}

// CellKind says what a spreadsheet takes the cell for.
type CellKind int

// The kinds. Words never become a number, a date or a formula.
const (
	Blank   CellKind = iota
	Words            // text, with the guard of its table's cell; true and false too, which one program shows as 0
	Figure           // plain decimal text
	Day              // 2026-10-31
	Moment           // by the clock of the month's zone, to the second
	Heading          // words above a group of rows
	Label            // words above a column, inside a sheet
)

const (
	overviewSheet = "Summary"
	frontSheet    = "Figures"
	// maxSpreadsheetDigits: a spreadsheet keeps 15 digits and rounds the rest
	// without a word, so a longer number is written as text.
	maxSpreadsheetDigits = 15
)

// maxSheetRows are what a sheet holds below its header, in rows.
var maxSheetRows = 1_048_575

func frontHeadings() []string { return []string{"what", "value", "unit", "file", "row", "column"} }

// A FrontRow of the front sheet says which cell of the package it repeats: of
// the row with this key, in this column, of a table of a file below data/; or a
// label of bag-info.txt. Without a file it is a heading.
type FrontRow struct {
	What     string `json:"what"`
	Unit     string `json:"unit,omitzero"`
	File     string `json:"file,omitzero"`
	Row      string `json:"row,omitzero"`
	Column   string `json:"column,omitzero"`
	Decimals int    `json:"decimals,omitzero"` // of a whole number: places by which the point moves, 2 for dollars from cents
	InReadme bool   `json:"-"`                 // README.txt shows it too
}

// sheetRows are the rows of a table that the workbook shows, as they stand in
// its file; of a table too long for a sheet, none.
type sheetRows struct {
	table  Table
	totals *totals
	rows   [][]string
	byKey  map[string][]string // by the first cell of the key
}

func (s *sheetRows) add(cells []string) {
	if len(s.rows) == maxSheetRows {
		s.rows, s.byKey = nil, nil
	}
	if s.byKey != nil {
		row := append([]string(nil), cells...)
		s.rows = append(s.rows, row)
		s.byKey[row[s.table.column(s.table.PrimaryKey[0])]] = row
	}
}

// sheet is the table as a sheet: of one that is too long, its totals only.
func (s *sheetRows) sheet() Sheet {
	out := Sheet{Name: strings.ToUpper(s.table.Name[:1]) + strings.ReplaceAll(s.table.Name[1:], "_", " "), Title: s.table.Title, Machine: s.table.header()}
	for i := range s.table.Columns {
		out.Headings = append(out.Headings, s.table.Columns[i].heading())
	}
	rows := s.rows
	if s.byKey == nil {
		row := make([]string, len(s.table.Columns))
		for i, c := range s.table.Columns {
			if c.numeric() {
				row[i] = s.totals.columns[i].sum.text(c.Decimals)
			}
		}
		rows = [][]string{row}
	}
	for _, row := range rows {
		cells := make([]Cell, len(row))
		for i, text := range row {
			cells[i] = s.table.Columns[i].shown(text)
		}
		out.Rows = append(out.Rows, cells)
	}
	if s.byKey == nil {
		out.Rows[0][s.table.column(s.table.PrimaryKey[0])] = words("total of " + itoa(s.totals.rows) + " rows")
	}
	return out
}

// heading is the column's name for a person: payable_cents is Payable, US cents.
func (c Column) heading() string {
	name := c.Name
	for _, end := range []string{"_cents", "_cfm25", "_cfm", "_pa", "_ft2", "_count", "_id", "_on", "_at"} {
		if short, cut := strings.CutSuffix(name, end); cut {
			name = short
			break
		}
	}
	name = strings.ToUpper(name[:1]) + strings.ReplaceAll(name[1:], "_", " ")
	if c.Unit != "" && !strings.EqualFold(name, c.Unit) {
		name += ", " + c.Unit
	}
	return name
}

func (c Column) shown(text string) Cell {
	switch {
	case text == "":
		return Cell{}
	case c.numeric():
		return figure(text, c.Decimals)
	case c.Type == Date:
		return Cell{Kind: Day, Text: text}
	}
	return Cell{Kind: Words, Text: text}
}

func figure(text string, decimals int) Cell {
	if len(text)-strings.Count(text, "-")-strings.Count(text, ".") > maxSpreadsheetDigits {
		return Cell{Kind: Words, Text: text}
	}
	return Cell{Kind: Figure, Text: text, Decimals: decimals}
}

func words(text string) Cell {
	if text == "" {
		return Cell{}
	}
	return Cell{Kind: Words, Text: Guard(text)}
}

// overview lays out the sheet that a person reads first.
func (w *Writer) overview(o *Overview) (Sheet, error) {
	out := Sheet{Name: overviewSheet, Title: o.Title, Headings: []string{""}}
	for _, p := range o.Periods {
		out.Headings = append(out.Headings, p.Name)
	}
	out.Lookup = len(out.Headings) + 1
	out.Headings = append(out.Headings, "unit", "file", "column")
	value := func(r *OverviewRow, p Period) (Cell, error) {
		if p.Row == "" {
			return Cell{}, nil
		}
		return w.value(&FrontRow{What: r.What, File: o.Table + ".csv", Row: p.Row, Column: r.Column, Decimals: r.Decimals})
	}
	monthly := []Cell{{Kind: Heading, Text: "Month by month"}}
	columns := []Cell{{}}
	for i := range o.Rows {
		r := &o.Rows[i]
		row := []Cell{words(r.What)}
		for _, p := range o.Periods {
			cell, err := value(r, p)
			if err != nil {
				return out, fmt.Errorf("%q, %s: %w", r.What, p.Name, err)
			}
			row = append(row, cell)
		}
		out.Rows = append(out.Rows, append(row, words(r.Unit), words(o.Table+".csv"), words(r.Column)))
		if !r.ByMonth {
			continue
		}
		columns = append(columns, Cell{Kind: Label, Text: Guard(r.What + unitOf(r.Unit))})
		if r.Chart {
			first := len(o.Rows) + 2
			out.Charts = append(out.Charts, Chart{Title: r.What + unitOf(r.Unit), Column: len(columns) - 1, First: first, Last: first + len(o.Months) - 1, Decimals: r.Decimals})
		}
	}
	out.Rows = append(out.Rows, monthly, columns)
	for _, p := range o.Months {
		row := []Cell{words(p.Name)}
		for i := range o.Rows {
			if !o.Rows[i].ByMonth {
				continue
			}
			cell, err := value(&o.Rows[i], p)
			if err != nil {
				return out, fmt.Errorf("%q, %s: %w", o.Rows[i].What, p.Name, err)
			}
			row = append(row, cell)
		}
		out.Rows = append(out.Rows, row)
	}
	return out, nil
}

func unitOf(unit string) string {
	if unit == "" {
		return ""
	}
	return ", " + unit
}

// workbook lays out the overview, the front sheet and those of the tables that
// were kept.
func (w *Writer) workbook(front []FrontRow) (*Workbook, error) {
	first := Sheet{Name: frontSheet, Headings: frontHeadings(), Lookup: 3}
	for i := range front {
		r := &front[i]
		row := []Cell{{Kind: Heading, Text: r.What}}
		if r.File != "" {
			value, err := w.value(r)
			if err != nil {
				return nil, fmt.Errorf("%q: %w", r.What, err)
			}
			row = []Cell{words(r.What), value, words(r.Unit), words(r.File), words(r.Row), words(r.Column)}
		}
		first.Rows = append(first.Rows, row)
	}
	out := &Workbook{Head: w.head}
	if w.opts.First != nil {
		sheet, err := w.overview(w.opts.First)
		if err != nil {
			return nil, fmt.Errorf("the overview: %w", err)
		}
		out.Sheets = append(out.Sheets, sheet)
	}
	out.Sheets = append(out.Sheets, first)
	for _, name := range w.opts.Sheets {
		out.Sheets = append(out.Sheets, w.sheets[name].sheet())
	}
	return out, nil
}

// value is the cell that a row of the front sheet repeats.
func (w *Writer) value(r *FrontRow) (Cell, error) {
	if r.File == bagInfoName {
		return w.head.value(r.Row)
	}
	s := w.sheets[strings.TrimSuffix(r.File, ".csv")]
	if s == nil {
		return Cell{}, fmt.Errorf("no sheet shows %s", r.File)
	}
	at, row := s.table.column(r.Column), s.byKey[r.Row]
	if at < 0 || row == nil {
		return Cell{}, fmt.Errorf("%s has no column %q or no row %q", r.File, r.Column, r.Row)
	}
	if row[at] == "" || r.Decimals == 0 {
		return s.table.Columns[at].shown(row[at]), nil
	}
	text, why := moved(row[at], r.Decimals)
	if why != "" {
		return Cell{}, fmt.Errorf("%s: row %s: %s %s", r.File, r.Row, r.Column, why)
	}
	return figure(text, r.Decimals), nil
}

// moved is a whole number with its point moved by so many places.
func moved(cell string, places int) (text, why string) {
	v, why := decimal(cell, 0)
	if why == "" && (places < 0 || places > maxDecimals) {
		why = fmt.Sprintf("cannot move its point by %d places", places)
	}
	if why != "" {
		return "", why
	}
	return Scaled(v, places), ""
}

// value reads a label of bag-info.txt that is known before the rows are.
func (h Head) value(label string) (Cell, error) {
	switch label {
	case "As-Of":
		return Cell{Kind: Moment, Text: h.asOf().Format(time.DateTime)}, nil
	case "Payload-Oxum", "Changed-Cells", "Signature":
		return Cell{}, fmt.Errorf("%s is known only when the package is whole", label)
	}
	text := labels(h.bagInfo(counts{}))[label]
	switch label {
	case "Bagging-Date":
		return Cell{Kind: Day, Text: text}, nil
	case "Revision", "Position", "Previous-Position":
		return figure(text, 0), nil
	}
	return words(text), nil
}

// readmeFigures are the figures of the front sheet that README.txt shows, each
// with the cell that it repeats.
func (w *Writer) readmeFigures(front []FrontRow) (string, error) {
	var out strings.Builder
	for i := range front {
		r := &front[i]
		switch {
		case !r.InReadme:
			continue
		case r.File == "":
			fmt.Fprintf(&out, "  %s\n", r.What)
			continue
		}
		cell, err := w.value(r)
		if err != nil {
			return "", err
		}
		value := strings.TrimSpace(Unguard(cell.Text) + " " + r.Unit)
		if cell.Kind == Blank {
			value = notKnown
		}
		fmt.Fprintf(&out, "    %s: %s (%s, %s, %s)\n", r.What, value, r.File, r.Row, r.Column)
	}
	return out.String(), nil
}

const notKnown = "not known"
