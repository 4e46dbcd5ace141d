package bag

import (
	"errors"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Number formats of a workbook's own: no other may dress a figure up.
const (
	DayFormat    = "yyyy-mm-dd"
	MomentFormat = "yyyy-mm-dd hh:mm:ss"
)

// FigureFormat shows all digits of a figure, thousands apart.
func FigureFormat(decimals int) string {
	if decimals == 0 {
		return "#,##0"
	}
	return "#,##0." + strings.Repeat("0", decimals)
}

// checkBooks compares the workbooks that the descriptor names with what they
// repeat.
func (v *verifier) checkBooks(runs map[string]*tableRun) error {
	described := map[string]bool{}
	for i := range v.views {
		view := &v.views[i]
		described[view.Path] = true
		if err := v.checkBook(view, runs); err != nil {
			return err
		}
	}
	for _, path := range v.bag.paths {
		if strings.HasPrefix(path, "view/") && strings.HasSuffix(path, ".xlsx") && !described[path] {
			v.fault(CheckBook, path, 0, "", "is there and the descriptor does not say what it repeats")
		}
	}
	return nil
}

func (v *verifier) checkBook(view *viewJSON, runs map[string]*tableRun) error {
	v.checked(CheckBook, "every cell of %s is that of the tables", view.Path)
	if v.bag.files[view.Path] == nil {
		v.fault(CheckBook, view.Path, 0, "", "is described and missing")
		return nil
	}
	want, err := v.expected(view, runs)
	if err != nil {
		v.fault(CheckBook, descriptorName, 0, "", "%s: %v", view.Path, err)
		return nil
	}
	if v.bag.files[view.Path].UncompressedSize64 > maxBookBytes {
		v.fault(CheckBook, view.Path, 0, "", "is larger than %d bytes", maxBookBytes)
		return nil
	}
	file, err := v.bag.bytes(view.Path)
	if err != nil {
		return err
	}
	s, err := openSpreadsheet(file)
	if err == nil {
		err = v.comparePages(view.Path, s, want)
	}
	if err != nil {
		v.fault(CheckBook, view.Path, 0, "", "%v", err)
	}
	return nil
}

// expected are the pages as the tables of the file give them.
func (v *verifier) expected(view *viewJSON, runs map[string]*tableRun) (*Book, error) {
	var tables []*keptRows
	for _, name := range view.Resources {
		run := runs[name]
		if run == nil {
			return nil, errors.New("there is no table " + strconv.Quote(name))
		}
		k := &keptRows{table: run.Table}
		for _, file := range run.files {
			var long error
			err := v.eachRow(run, file, func(_ int64, cells [][]byte) {
				if long == nil {
					long = k.add(cells)
				}
			})
			if err = errors.Join(err, long); err != nil {
				return nil, err
			}
		}
		tables = append(tables, k)
	}
	return bookOf(v.head, view.Lines, tables)
}

func (v *verifier) comparePages(path string, s *spreadsheet, want *Book) error {
	names := make([]string, len(s.sheets))
	for i, sheet := range s.sheets {
		names[i] = sheet.name
	}
	wanted := make([]string, len(want.Pages))
	for i := range want.Pages {
		wanted[i] = want.Pages[i].Name
	}
	if !slices.Equal(names, wanted) {
		return badBook("its sheets are %.200q, not %q", names, wanted)
	}
	for _, format := range s.formats {
		known := format == DayFormat || format == MomentFormat
		for decimals := range maxDecimals + 1 {
			known = known || format == FigureFormat(decimals)
		}
		if !known {
			return badBook("its number format %.60q may show another figure than a cell holds", format)
		}
	}
	for i := range want.Pages {
		if err := v.comparePage(path, s, s.sheets[i].part, &want.Pages[i]); err != nil {
			return err
		}
	}
	return nil
}

// comparePage names each cell that differs by sheet, row and column.
func (v *verifier) comparePage(path string, s *spreadsheet, part string, want *Page) error {
	rows := make([][]PageCell, 0, len(want.Rows)+1)
	head := make([]PageCell, len(want.Headings))
	for i, h := range want.Headings {
		head[i] = PageCell{Kind: Words, Text: h}
	}
	rows = append(append(rows, head), want.Rows...)
	seen := make([][]bool, len(rows))
	fault := func(row, column int, format string, args ...any) {
		name := strconv.Itoa(column + 1)
		if column < len(want.Headings) {
			name = want.Headings[column]
		}
		v.sheetFault(path, want.Name, int64(row+1), name, format, args...)
	}
	err := s.eachCell(part, func(c sheetCell) error {
		row, column := c.row-1, c.column-1
		if row >= len(rows) || column >= len(rows[row]) {
			fault(row, column, "cell %s holds %.40q, nothing stands there in the tables", c.at, c.text)
			return nil
		}
		if seen[row] == nil {
			seen[row] = make([]bool, len(rows[row]))
		}
		if seen[row][column] {
			return badBook("cell %s stands twice", c.at)
		}
		seen[row][column] = true
		if !rows[row][column].shownAs(c) {
			fault(row, column, "cell %s holds %.40q, the tables give %.40q", c.at, c.text, rows[row][column].Text)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for row, cells := range rows {
		for column, cell := range cells {
			if cell.Kind != Blank && (seen[row] == nil || !seen[row][column]) {
				fault(row, column, "is empty, the tables give %.40q", cell.Text)
			}
		}
	}
	return nil
}

// SerialDay is how a spreadsheet counts the days: 1 is 1900-01-01, and a day
// too many since it holds 1900 for a leap year (right from 1900-03-01 on).
func SerialDay(t time.Time) int64 {
	return int64(t.Sub(time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)) / (24 * time.Hour))
}

const secondsPerDay = 24 * 60 * 60

// shownAs tells whether a cell of a workbook is this one: of its type and with
// exactly its value.
func (p PageCell) shownAs(c sheetCell) bool {
	switch p.Kind {
	case Words, Heading:
		return c.typ == "s" && c.text == p.Text
	case Blank:
		return false
	}
	held, ok := exact(c.text)
	if c.typ != "n" || !ok {
		return false
	}
	switch p.Kind {
	case Figure:
		want, ok := exact(p.Text)
		return ok && held.Cmp(want) == 0
	case Day:
		t, err := time.Parse(time.DateOnly, p.Text)
		return err == nil && held.Cmp(big.NewRat(SerialDay(t), 1)) == 0
	case Moment:
		t, err := time.Parse(time.DateTime, p.Text)
		if err != nil {
			return false
		}
		// A day has more seconds than a power of two can divide: to the nearest.
		seconds := SerialDay(t)*secondsPerDay + int64(t.Hour()*3600+t.Minute()*60+t.Second())
		off := held.Mul(held, big.NewRat(secondsPerDay, 1))
		off.Sub(off, big.NewRat(seconds, 1))
		return off.Abs(off).Cmp(big.NewRat(1, 2)) < 0
	}
	return false
}
