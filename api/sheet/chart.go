package sheet

import (
	"fmt"

	"github.com/xuri/excelize/v2"

	"ductledger/domain/pack"
)

// Size of a chart in pixels, and how many rows of the sheet it covers.
const (
	chartWidth  = 460
	chartHeight = 220
	chartRows   = 13
)

// charts draws the columns below the rows, two side by side; first is the sheet's
// row of the first of Rows.
func (w *writer) charts(p *pack.Sheet, first int) error {
	below := first + len(p.Rows) + 1
	for i, c := range p.Charts {
		at, err := excelize.CoordinatesToCellName(1+3*(i%2), below+chartRows*(i/2))
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
			Dimension: excelize.ChartDimension{Width: chartWidth, Height: chartHeight},
			YAxis:     excelize.ChartAxis{MajorGridLines: true, NumFmt: excelize.ChartNumFmt{CustomNumFmt: figureFormat(0)}},
			GapWidth:  new(uint(60)),
		})
		if err != nil {
			return fmt.Errorf("chart %q: %w", c.Title, err)
		}
	}
	return nil
}

// chartEnd is the last row that the charts cover; 0 without any.
func chartEnd(p *pack.Sheet) int {
	if len(p.Charts) == 0 {
		return 0
	}
	return p.HeadRows() + len(p.Rows) + 1 + chartRows*((len(p.Charts)+1)/2)
}
