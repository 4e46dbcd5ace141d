package sheet

import (
	"github.com/xuri/excelize/v2"

	"ductledger/domain/pack"
)

// A style is how a cell looks; equal ones are one entry of the workbook.
type style struct {
	heading bool // of a column
	group   bool // of lines
	right   bool
	faint   bool
	small   bool
	title   bool // of the sheet
	format  string
}

func styleOf(cell pack.Cell) style {
	switch cell.Kind {
	case pack.Heading:
		return style{group: true}
	case pack.Label:
		return style{heading: true, right: true}
	case pack.Figure:
		return style{format: figureFormat(cell.Decimals), right: true}
	case pack.Day:
		return style{format: dayFormat, right: true}
	case pack.Moment:
		return style{format: momentFormat, right: true}
	}
	return style{}
}

// Colors of the pages, as red, green and blue.
const (
	ink      = "1F2933"
	headFill = "DCE6EC"
	rule     = "9AA5B1"
	faint    = "5F6B7A"
	bars     = "2F6F8F"
)

func (w *writer) style(s style) (int, error) {
	if id, ok := w.styles[s]; ok {
		return id, nil
	}
	look := &excelize.Style{Font: &excelize.Font{Color: ink, Size: 10, Family: "Calibri"}, Alignment: &excelize.Alignment{Vertical: "top", WrapText: true}}
	switch {
	case s.heading:
		look.Font.Bold, look.Font.Size = true, 9
		look.Alignment.Vertical = "center"
		look.Fill = excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{headFill}}
		look.Border = []excelize.Border{{Type: "bottom", Style: 1, Color: rule}}
	case s.group:
		look.Font.Bold, look.Font.Size = true, 12
		look.Alignment.WrapText, look.Alignment.Vertical = false, "bottom"
	case s.title:
		look.Font.Bold, look.Font.Size = true, 15
		look.Alignment.WrapText, look.Alignment.Vertical = false, "center"
	case s.faint:
		look.Font.Color = faint
	}
	if s.small {
		look.Font.Size = 8
	}
	if s.format != "" {
		look.CustomNumFmt = &s.format
	}
	if s.right {
		look.Alignment.Horizontal, look.Alignment.Indent = "right", 1
		look.Alignment.WrapText = s.heading
	}
	id, err := w.file.NewStyle(look)
	w.styles[s] = id
	return id, err
}
