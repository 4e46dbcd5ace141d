package sheet

import (
	"cmp"
	"fmt"
	"io"
	"sort"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"ductledger/domain/pack"
)

// Write writes the pages as a workbook.
func Write(out io.Writer, book *pack.Workbook) (err error) {
	f := excelize.NewFile()
	defer func() {
		if closing := f.Close(); err == nil {
			err = closing
		}
	}()
	w := &writer{file: f, book: book, styles: map[style]int{}}
	if err := w.properties(); err != nil {
		return err
	}
	for i := range book.Sheets {
		if err := w.page(i, &book.Sheets[i]); err != nil {
			return fmt.Errorf("sheet %s: %w", book.Sheets[i].Name, err)
		}
	}
	// With the first drawing the library adds types of pictures in the order of a
	// map: the same pages must be the same bytes.
	types := f.ContentTypes.Defaults
	sort.Slice(types, func(i, j int) bool { return types[i].Extension < types[j].Extension })
	return f.Write(out)
}

type writer struct {
	file   *excelize.File
	book   *pack.Workbook
	styles map[style]int
}

// properties are those of the package, never of the machine that builds it.
func (w *writer) properties() error {
	at := w.book.Head.AsOf.UTC().Format(time.RFC3339)
	err := w.file.SetDocProps(&excelize.DocProperties{
		Title: escapeText(cmp.Or(w.book.Name, w.book.Head.Name())), Creator: escapeText(w.book.Head.Organization), LastModifiedBy: escapeText(w.book.Head.Organization),
		Created: at, Modified: at,
	})
	if err != nil {
		return err
	}
	return w.file.SetAppProps(&excelize.AppProperties{Application: "ductledger"})
}

// page writes one sheet: its title, the headings, then the rows.
func (w *writer) page(n int, p *pack.Sheet) error {
	if n == 0 {
		if err := w.file.SetSheetName(w.file.GetSheetName(0), p.Name); err != nil {
			return err
		}
	} else if _, err := w.file.NewSheet(p.Name); err != nil {
		return err
	}
	at := 1
	if p.Title != "" {
		if err := w.cell(p.Name, 1, at, pack.Cell{Kind: pack.Words, Text: p.Title}, style{title: true}); err != nil {
			return err
		}
		if err := w.file.SetRowHeight(p.Name, at, titleHeight); err != nil {
			return err
		}
		at++
	}
	for _, line := range []struct {
		names []string
		look  style
	}{{p.Headings, style{heading: true}}, {p.Machine, style{faint: true, small: true}}} {
		if line.names == nil {
			continue
		}
		for i, name := range line.names {
			look := line.look
			look.right = rightOf(p, i)
			if err := w.cell(p.Name, i+1, at, pack.Cell{Kind: pack.Words, Text: name}, look); err != nil {
				return err
			}
		}
		if err := w.file.SetRowHeight(p.Name, at, headHeight); err != nil {
			return err
		}
		at++
	}
	for r, row := range p.Rows {
		for c, cell := range row {
			look := styleOf(cell)
			if p.Lookup > 0 && cell.Kind != pack.Heading && cell.Kind != pack.Label { // what and how much are read, the rest is for looking it up
				look.right, look.faint = c > 0 && c < p.Lookup-1, c >= p.Lookup && cell.Kind == pack.Words
			}
			if err := w.cell(p.Name, c+1, at+r, cell, look); err != nil {
				return err
			}
		}
		if height := heightOf(p, row); height > 0 {
			if err := w.file.SetRowHeight(p.Name, at+r, height); err != nil {
				return err
			}
		}
	}
	if err := w.layout(p); err != nil {
		return err
	}
	return w.charts(p, at) // they stand over columns whose width is known
}

// Heights of rows in points.
const (
	titleHeight = 26
	groupHeight = 24
	headHeight  = 20
	lineHeight  = 14
)

// heightOf is the height of a row whose words need several lines, or that heads a
// group; 0 leaves it to the reader's program.
func heightOf(p *pack.Sheet, row []pack.Cell) float64 {
	if len(row) == 1 && row[0].Kind == pack.Heading {
		return groupHeight
	}
	lines := 1
	for c, cell := range row {
		if cell.Kind == pack.Words || cell.Kind == pack.Label {
			lines = max(lines, linesOf(cell.Text, width(p, c)))
		}
	}
	if lines == 1 {
		return 0
	}
	return float64(lineHeight * lines)
}

// linesOf is how many lines words take that are broken at their spaces; letters are
// a little narrower than digits.
func linesOf(text string, width float64) int {
	most, lines, used := int(1.1*width), 1, 0
	for word := range strings.FieldsSeq(text) {
		n := utf8.RuneCountInString(word)
		if used > 0 && used+1+n > most {
			lines, used = lines+1, 0
		}
		used += n + 1
	}
	return lines
}

// rightOf tells whether what stands below a heading is to the right.
func rightOf(p *pack.Sheet, column int) bool {
	if p.Lookup > 0 {
		return column > 0 && column < p.Lookup-1
	}
	for _, row := range p.Rows {
		if row[column].Kind != pack.Blank {
			return styleOf(row[column]).right
		}
	}
	return false
}

func (w *writer) cell(sheet string, column, row int, cell pack.Cell, look style) error {
	if cell.Kind == pack.Blank {
		return nil
	}
	at, err := excelize.CoordinatesToCellName(column, row)
	if err != nil {
		return err
	}
	if err := w.value(sheet, at, cell); err != nil {
		return fmt.Errorf("cell %s: %w", at, err)
	}
	id, err := w.style(look)
	if err != nil {
		return err
	}
	return w.file.SetCellStyle(sheet, at, at, id)
}

// value writes the typed value, no digit of which is lost.
func (w *writer) value(sheet, at string, cell pack.Cell) error {
	switch cell.Kind {
	case pack.Figure:
		if cell.Decimals == 0 {
			v, err := strconv.ParseInt(cell.Text, 10, 64)
			if err != nil {
				return err
			}
			return w.file.SetCellInt(sheet, at, v)
		}
		v, err := strconv.ParseFloat(cell.Text, 64) // at most 15 digits: it comes back as it was
		if err != nil {
			return err
		}
		return w.file.SetCellFloat(sheet, at, v, cell.Decimals, 64)
	case pack.Day:
		day, err := time.Parse(time.DateOnly, cell.Text)
		if err != nil {
			return err
		}
		return w.file.SetCellInt(sheet, at, serialDay(day))
	case pack.Moment:
		moment, err := time.Parse(time.DateTime, cell.Text)
		if err != nil {
			return err
		}
		seconds := moment.Hour()*3600 + moment.Minute()*60 + moment.Second()
		return w.file.SetCellFloat(sheet, at, float64(serialDay(moment))+float64(seconds)/(24*3600), 9, 64)
	}
	return w.file.SetCellStr(sheet, at, escapeText(cell.Text))
}
