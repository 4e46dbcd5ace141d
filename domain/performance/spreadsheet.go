package performance

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
)

// Names of the columns of a spreadsheet of the jobs in the index, A to H.
var sheetColumns = []string{"job_id", "home_class", "before_cfm25", "after_cfm25", "floor_area_ft2", "class_term", "expected_after_cfm25", "residual"}

// beliefColumn is how many columns stand before the belief's.
const beliefColumn = 9

// Rows of the spreadsheet that hold a published number, in column B.
const (
	rowConstant = iota + 1
	rowBeforeSlope
	rowAreaSlope
	rowBeforeCentre
	rowAreaCentre
	rowIndexPublished
	rowIndexHere
	rowVariance
	rowPooledPublished
	rowPooledHere
	rowHeader
	rowFirstJob
)

// WriteCSV writes a table that recomputes the index when a spreadsheet opens
// it: the published numbers on top, one line a job, and formulas for what was
// expected, the residual, the index and the pooled index, of which the belief
// stands in columns J to M. Only these cells begin with "=".
// Units stand in the names of the columns. Refused: nothing; the error is the
// writer's. Source: the published model [calc].
func (x *Explanation) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	number := func(v *float64, absent string) string {
		if v == nil {
			return absent
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	lastRow := rowFirstJob + len(x.JobsIn) - 1
	here := ""
	if len(x.JobsIn) > 0 {
		here = fmt.Sprintf("=EXP(AVERAGE(H%d:H%d))", rowFirstJob, lastRow)
	}
	lines := [][]string{
		{"program_constant", number(x.Model.Constant, "")},
		{"before_slope", number(x.Model.BeforeSlope, "")},
		{"area_slope", number(x.Model.AreaSlope, "0")},
		{"before_centre_cfm25", number(&x.Model.BeforeCentre, "")},
		{"area_centre_ft2", number(&x.Model.AreaCentre, "")},
		{"index_ratio", number(x.Adjusted.Index, "")},
		{"index_ratio_recomputed_here", here},
		{"effect_variance", number(x.Adjusted.Variance, "")},
		{"pooled_index_ratio", ""},
		{"pooled_index_ratio_recomputed_here", ""},
		sheetColumns,
	}
	for i, j := range x.JobsIn {
		row := rowFirstJob + i
		term, err := x.Model.term(j.HomeClass)
		if err != nil {
			return err
		}
		area := number(j.AreaFt2, number(&x.Model.AreaCentre, "")) // without an area slope any area adds nothing
		lines = append(lines, []string{
			j.JobID.String(), j.HomeClass, number(j.BeforeCFM25, ""), number(j.AfterCFM25, ""), area, number(&term, ""),
			fmt.Sprintf("=B$%d*EXP(B$%d+B$%d*LN(C%d/B$%d)+F%d+B$%d*LN(E%d/B$%d))",
				rowBeforeCentre, rowConstant, rowBeforeSlope, row, rowBeforeCentre, row, rowAreaSlope, row, rowAreaCentre),
			fmt.Sprintf("=LN(D%d/G%d)", row, row),
		})
	}
	if pool := x.Model.Pool; pool != nil && x.Adjusted.Shrunk != nil {
		lines[rowPooledPublished-1][1] = number(&x.Adjusted.Shrunk.Index, "")
		last := len(pool.Belief) + 1
		column := func(c string) string { return fmt.Sprintf("%s$2:%s$%d", c, c, last) }
		lines[rowPooledHere-1][1] = fmt.Sprintf("=EXP(SUMPRODUCT(%s,%s+%s/(%s+B$%d)*(LN(B$%d)-%s)-%s))", column("K"), column("L"), column("J"), column("J"),
			rowVariance, rowIndexPublished, column("L"), column("M"))
		beside := [][]string{{"tau2", "weight", "mean_effect", "shift"}}
		for _, n := range pool.Belief {
			beside = append(beside, []string{number(&n.Tau2, ""), number(&n.Weight, ""), number(&n.Mean, ""), number(&n.Shift, "")})
		}
		for i, cells := range beside {
			if i == len(lines) {
				lines = append(lines, nil)
			}
			lines[i] = append(append(lines[i], make([]string, beliefColumn-len(lines[i]))...), cells...)
		}
	}
	if err := out.WriteAll(lines); err != nil {
		return err
	}
	return out.Error()
}

// place is the JSON Pointer of one element of a list.
func place(list string, i int) string { return list + "/" + strconv.Itoa(i) }
