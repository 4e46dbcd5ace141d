package bag

import (
	"errors"
	"slices"
	"strconv"
	"strings"
)

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
	cells := 0 // of all pages together: a descriptor may name a table again and again
	for _, name := range view.Resources {
		run := runs[name]
		if run == nil {
			return nil, errors.New("there is no table " + strconv.Quote(name))
		}
		k := &keptRows{table: run.Table, cells: cells}
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
		cells = k.cells
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
