package bag

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Book is the package's view for reading: a front page of chosen figures and
// one page for each of some short tables. Every cell of it repeats a cell of
// data/ or of bag-info.txt, and the descriptor says which; so Verify can build
// the same pages from the file and compare them cell by cell.
type Book struct {
	Head  Head
	Pages []Page
}

// A Page is a sheet: a heading above each column, rows below.
type Page struct {
	Name     string
	Headings []string
	Rows     [][]PageCell
}

// A PageCell is a typed value. Text of a Figure and a Day is as it stands in
// the package's tables.
type PageCell struct {
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
	Moment           // UTC, to the second
	Heading          // words above a group of lines
)

// A Line of the front page says which cell of the package it repeats: of the
// row with this key, in this column, of a table of a file below data/; or a
// label of bag-info.txt. Without a file it is a heading.
type Line struct {
	What     string `json:"what"`
	Unit     string `json:"unit,omitzero"`
	File     string `json:"file,omitzero"`
	Row      string `json:"row,omitzero"`
	Column   string `json:"column,omitzero"`
	Decimals int    `json:"decimals,omitzero"` // of a whole number: places by which the point moves, 2 for dollars from cents
}

// Names of the front page and of what it takes from the head.
const (
	frontPage = "Month"
	asOfLabel = "As-Of"
	dayLabel  = "Bagging-Date"
	// maxPageCells bounds what a page holds in memory: the tables are short.
	maxPageCells = 2 << 20
	// maxSpreadsheetDigits: a spreadsheet keeps 15 digits and rounds the rest
	// without a word, so a longer number is written as text.
	maxSpreadsheetDigits = 15
)

func frontHeadings() []string { return []string{"what", "value", "unit", "file", "row", "column"} }

// pageName is the sheet of a table: its name with a capital.
func pageName(table string) string { return strings.ToUpper(table[:1]) + table[1:] }

// keptRows are the rows of a short table, as they stand in its file.
type keptRows struct {
	table Table
	rows  [][]string
	cells int
}

func (k *keptRows) add(cells [][]byte) error {
	if k.cells += len(cells); k.cells > maxPageCells {
		return fmt.Errorf("table %q has more than %d cells, too many for a page", k.table.Name, maxPageCells)
	}
	row := make([]string, len(cells))
	for i, cell := range cells {
		row[i] = string(cell)
	}
	k.rows = append(k.rows, row)
	return nil
}

// page is the table as a sheet.
func (k *keptRows) page() Page {
	p := Page{Name: pageName(k.table.Name)}
	for _, c := range k.table.Columns {
		p.Headings = append(p.Headings, c.Name)
	}
	for _, row := range k.rows {
		cells := make([]PageCell, len(row))
		for i, text := range row {
			cells[i] = k.table.Columns[i].pageCell(text)
		}
		p.Rows = append(p.Rows, cells)
	}
	return p
}

func (c Column) pageCell(text string) PageCell {
	switch {
	case text == "":
		return PageCell{}
	case c.numeric():
		return figure(text, c.Decimals)
	case c.Type == Date:
		return PageCell{Kind: Day, Text: text}
	}
	return PageCell{Kind: Words, Text: text}
}

func figure(text string, decimals int) PageCell {
	if strings.Count(text, "")-1-strings.Count(text, "-")-strings.Count(text, ".") > maxSpreadsheetDigits {
		return PageCell{Kind: Words, Text: text}
	}
	return PageCell{Kind: Figure, Text: text, Decimals: decimals}
}

// bookOf makes the pages of a view; both who writes it and who verifies it.
func bookOf(h Head, lines []Line, tables []*keptRows) (*Book, error) {
	b := &Book{Head: h}
	front := Page{Name: frontPage, Headings: frontHeadings()}
	for _, line := range lines {
		row := []PageCell{{Kind: Heading, Text: line.What}}
		if line.File != "" {
			value, err := line.value(h, tables)
			if err != nil {
				return nil, fmt.Errorf("line %q: %w", line.What, err)
			}
			row = []PageCell{{Kind: Words, Text: Guard(line.What)}, value, words(line.Unit), words(line.File), words(line.Row), words(line.Column)}
		}
		front.Rows = append(front.Rows, row)
	}
	b.Pages = append(b.Pages, front)
	for _, t := range tables {
		b.Pages = append(b.Pages, t.page())
	}
	return b, nil
}

func words(text string) PageCell {
	if text == "" {
		return PageCell{}
	}
	return PageCell{Kind: Words, Text: Guard(text)}
}

// value is the cell that a line repeats.
func (l *Line) value(h Head, tables []*keptRows) (PageCell, error) {
	if l.File == bagInfoName {
		return l.headValue(h)
	}
	for _, k := range tables {
		if l.File != k.table.Name+".csv" {
			continue
		}
		at, key := k.table.column(l.Column), k.table.column(k.table.PrimaryKey[0])
		if at < 0 {
			return PageCell{}, fmt.Errorf("%s has no column %q", l.File, l.Column)
		}
		i := slices.IndexFunc(k.rows, func(row []string) bool { return row[key] == l.Row })
		if i < 0 {
			return PageCell{}, fmt.Errorf("%s has no row %q", l.File, l.Row)
		}
		cell := k.table.Columns[at].pageCell(k.rows[i][at])
		if cell.Kind != Figure || l.Decimals == 0 {
			return cell, nil
		}
		v, why := decimal([]byte(cell.Text), 0)
		if why != "" || l.Decimals < 0 || l.Decimals > maxDecimals {
			return PageCell{}, fmt.Errorf("the point of %q cannot move by %d places", cell.Text, l.Decimals)
		}
		return figure(Scaled(v, l.Decimals), l.Decimals), nil
	}
	return PageCell{}, fmt.Errorf("no page shows %s", l.File)
}

// headValue reads a label of bag-info.txt that is known before the rows are.
func (l *Line) headValue(h Head) (PageCell, error) {
	switch l.Row {
	case asOfLabel:
		return PageCell{Kind: Moment, Text: h.AsOf.UTC().Format(time.DateTime)}, nil
	case "Payload-Oxum", "Changed-Cells", "Signature":
		return PageCell{}, fmt.Errorf("%s is known only when the package is whole", l.Row)
	}
	for line := range strings.Lines(string(h.bagInfo(counts{}))) {
		label, value, _ := strings.Cut(strings.TrimSuffix(line, "\n"), ": ")
		if label != l.Row {
			continue
		}
		switch label {
		case dayLabel:
			return PageCell{Kind: Day, Text: value}, nil
		case "Revision", "Position", "Previous-Position":
			return figure(value, 0), nil
		}
		return words(value), nil
	}
	return PageCell{}, nil
}

// figures is the front page for README.txt, without what its head says anyway.
func (b *Book) figures() string {
	var out strings.Builder
	heading := ""
	for _, row := range b.Pages[0].Rows {
		if row[0].Kind == Heading {
			heading = row[0].Text
			continue
		}
		if row[3].Text == bagInfoName {
			continue
		}
		if heading != "" {
			fmt.Fprintf(&out, "  %s\n", heading)
			heading = ""
		}
		value, unit := Unguard(row[1].Text), Unguard(row[2].Text)
		switch {
		case value == "":
			value = "not known"
		case unit != "":
			value += " " + unit
		}
		fmt.Fprintf(&out, "    %s: %s\n", Unguard(row[0].Text), value)
	}
	return out.String()
}
