package sheet

import (
	"cmp"
	"strconv"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"ductledger/domain/pack"
)

// layout is what the eye and the printer need.
func (w *writer) layout(p *pack.Sheet) error {
	f := w.file
	for i := range p.Headings {
		name, err := excelize.ColumnNumberToName(i + 1)
		if err != nil {
			return err
		}
		if err := f.SetColWidth(p.Name, name, name, width(p, i)); err != nil {
			return err
		}
	}
	if err := f.SetPanes(p.Name, &excelize.Panes{Freeze: true, YSplit: p.HeadRows(), TopLeftCell: "A" + strconv.Itoa(p.HeadRows()+1), ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	pages := 0 // as many as the rows need
	if len(p.Charts) > 0 {
		pages = 1 // what belongs together is seen together
	}
	if err := f.SetPageLayout(p.Name, &excelize.PageLayoutOptions{Size: new(usLetter), Orientation: new("landscape"), FitToWidth: new(1), FitToHeight: new(pages)}); err != nil {
		return err
	}
	last, err := excelize.CoordinatesToCellName(len(p.Headings), max(p.HeadRows()+len(p.Rows), chartEnd(p)), true)
	if err != nil {
		return err
	}
	if err := f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: "'" + p.Name + "'!$A$1:" + last, Scope: p.Name}); err != nil {
		return err
	}
	if err := f.SetSheetProps(p.Name, &excelize.SheetPropsOptions{FitToPage: new(true)}); err != nil {
		return err
	}
	if err := f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: "'" + p.Name + "'!$1:$" + strconv.Itoa(p.HeadRows()), Scope: p.Name}); err != nil {
		return err
	}
	footer := "&L" + cmp.Or(w.book.Name, w.book.Head.FileName()) + "&C&A&RPage &P of &N"
	return f.SetHeaderFooter(p.Name, &excelize.HeaderFooterOptions{OddFooter: footer, OddHeader: w.header()})
}

func (w *writer) header() string {
	if w.book.Head.Demo {
		return "&CINVENTED DATA"
	}
	return ""
}

const usLetter = 1 // ST_PaperSize, as excelize lists it

// Widths of a column, in characters of the standard font.
const (
	narrowest = 9
	widest    = 46
)

func width(p *pack.Sheet, column int) float64 {
	longest := len(p.Headings[column])
	for _, row := range p.Rows {
		if column >= len(row) || row[column].Kind == pack.Heading || row[column].Kind == pack.Label {
			continue
		}
		n := utf8.RuneCountInString(row[column].Text)
		if row[column].Kind == pack.Figure {
			n += n/3 + 1 // what parts the thousands, and the indent
		}
		longest = max(longest, n)
	}
	return float64(min(max(longest+1, narrowest), widest))
}
