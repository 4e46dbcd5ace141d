package bag

import (
	"fmt"
	"strings"
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

// Names of the front page and of what it takes from the head.
const (
	frontPage = "Month"
	asOfLabel = "As-Of"
	dayLabel  = "Bagging-Date"
	// maxPageCells bounds what a page holds in memory: the tables are short.
	maxPageCells = 2 << 20
	maxLines     = 5000
	maxBooks     = 10
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
	byKey map[string]int // made when it is asked for
}

// row finds a row by the first cell of its key; -1 where there is none.
func (k *keptRows) row(key string) int {
	if k.byKey == nil {
		k.byKey = make(map[string]int, len(k.rows))
		at := k.table.column(k.table.PrimaryKey[0])
		for i, row := range k.rows {
			k.byKey[row[at]] = i
		}
	}
	if i, ok := k.byKey[key]; ok {
		return i
	}
	return -1
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
	if len(lines) > maxLines || len(tables) > maxTables {
		return nil, fmt.Errorf("%d lines and %d pages, at most %d and %d are possible", len(lines), len(tables), maxLines, maxTables)
	}
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
