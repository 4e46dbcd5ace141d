package sheet

import (
	"fmt"

	"github.com/xuri/excelize/v2"

	"ductledger/domain/pack"
)

// Height of a chart and the gap beside it in pixels, and how many rows of the sheet
// a chart covers.
const (
	chartHeight = 220
	chartGap    = 12
	chartRows   = 13
)

// charts draws the columns below the rows, two side by side over the width of the
// rows, so that they are printed whole; first is the sheet's row of the first of Rows.
func (w *writer) charts(p *pack.Sheet, first int) error {
	below := first + len(p.Rows) + 1
	var widths [2]int // left and right of the column that is nearest to the middle
	split, whole := 0, 0
	for i := range p.Headings {
		whole += pixels(width(p, i))
	}
	for ; split < len(p.Headings) && widths[0]+pixels(width(p, split))/2 < whole/2; split++ {
		widths[0] += pixels(width(p, split))
	}
	widths[1] = whole - widths[0]
	for i, c := range p.Charts {
		at, err := excelize.CoordinatesToCellName(1+split*(i%2), below+chartRows*(i/2))
		if err != nil {
			return err
		}
		column, err := excelize.ColumnNumberToName(c.Column + 1)
		if err != nil {
			return err
		}
		cells := func(column string) string {
			return fmt.Sprintf("'%s'!$%s$%d:$%s$%d", p.Name, column, first+c.First, column, first+c.Last)
		}
		err = w.file.AddChart(p.Name, at, &excelize.Chart{
			Type:      excelize.Col,
			Series:    []excelize.ChartSeries{{Categories: cells("A"), Values: cells(column), Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{bars}}}},
			Title:     excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: c.Title, Font: &excelize.Font{Color: ink, Size: 11, Bold: true}}}},
			Legend:    excelize.ChartLegend{Position: "none"},
			Dimension: excelize.ChartDimension{Width: uint(widths[i%2] - chartGap), Height: chartHeight},
			YAxis:     excelize.ChartAxis{MajorGridLines: true, NumFmt: excelize.ChartNumFmt{CustomNumFmt: figureFormat(0)}},
			GapWidth:  new(uint(60)),
		})
		if err != nil {
			return fmt.Errorf("chart %q: %w", c.Title, err)
		}
	}
	return nil
}

// pixels is how wide a column of so many characters is: seven a digit of the
// standard font and five beside them (ECMA-376, part 1, 18.3.1.13 [mem]).
func pixels(width float64) int { return int(7*width) + 5 }

// chartEnd is the last row that the charts cover; 0 without any.
func chartEnd(p *pack.Sheet) int {
	if len(p.Charts) == 0 {
		return 0
	}
	return p.HeadRows() + len(p.Rows) + 1 + chartRows*((len(p.Charts)+1)/2)
}
