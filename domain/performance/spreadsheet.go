package performance

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
)

// Names of the columns of a spreadsheet of the jobs in the index, A to H.
var sheetColumns = []string{"job_id", "home_class", "before_cfm25", "after_cfm25", "floor_area_ft2", "class_term", "expected_after_cfm25", "residual"}

// Rows of the spreadsheet that hold a published number, in column B.
const (
	rowConstant = iota + 1
	rowBeforeSlope
	rowAreaSlope
	rowBeforeCenter
	rowAreaCenter
	rowIndexPublished
	rowIndexHere
	rowVariance
	rowPooledPublished
	rowPooledHere
	rowBelief
)

// WriteCSV writes a table that recomputes the index when a spreadsheet opens
// it: the published numbers on top, one line a job, and formulas for what was
// expected, the residual, the index and the pooled index, of which the belief
// (tau2, weight, mean_effect, shift) stands in lines of its own. Only these cells begin with "=".
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
	var belief []BeliefNode
	if x.Model.Pool != nil && x.Adjusted.Shrunk != nil {
		belief = x.Model.Pool.Belief
	}
	firstJob := rowIndexHere + 2
	if belief != nil {
		firstJob = rowBelief + len(belief) + 1
	}
	here := ""
	if len(x.JobsIn) > 0 {
		here = fmt.Sprintf("=EXP(AVERAGE(H%d:H%d))", firstJob, firstJob+len(x.JobsIn)-1)
	}
	lines := [][]string{
		{"program_constant", number(x.Model.Constant, "")},
		{"before_slope", number(x.Model.BeforeSlope, "")},
		{"area_slope", number(x.Model.AreaSlope, "0")},
		{"before_center_cfm25", number(&x.Model.BeforeCenter, "")},
		{"area_center_ft2", number(&x.Model.AreaCenter, "")},
		{"index_ratio", number(x.Adjusted.Index, "")},
		{"index_ratio_recomputed_here", here},
	}
	if belief != nil {
		column := func(c string) string { return fmt.Sprintf("%s$%d:%s$%d", c, rowBelief, c, rowBelief+len(belief)-1) }
		lines = append(lines, []string{"effect_variance", number(x.Adjusted.Variance, "")},
			[]string{"pooled_index_ratio", number(&x.Adjusted.Shrunk.Index, "")},
			[]string{"pooled_index_ratio_recomputed_here", fmt.Sprintf("=EXP(SUMPRODUCT(%s,%s+%s/(%s+B$%d)*(LN(B$%d)-%s)-%s))",
				column("C"), column("D"), column("B"), column("B"), rowVariance, rowIndexPublished, column("D"), column("E"))})
		for _, n := range belief {
			lines = append(lines, []string{"belief", number(&n.Tau2, ""), number(&n.Weight, ""), number(&n.Mean, ""), number(&n.Shift, "")})
		}
	}
	lines = append(lines, sheetColumns)
	for i, j := range x.JobsIn {
		row := firstJob + i
		term, err := x.Model.term(j.HomeClass)
		if err != nil {
			return err
		}
		area := number(j.AreaFt2, number(&x.Model.AreaCenter, "")) // without an area slope any area adds nothing
		lines = append(lines, []string{
			j.JobID.String(), j.HomeClass, number(j.BeforeCFM25, ""), number(j.AfterCFM25, ""), area, number(&term, ""),
			fmt.Sprintf("=B$%d*EXP(B$%d+B$%d*LN(C%d/B$%d)+F%d+B$%d*LN(E%d/B$%d))",
				rowBeforeCenter, rowConstant, rowBeforeSlope, row, rowBeforeCenter, row, rowAreaSlope, row, rowAreaCenter),
			fmt.Sprintf("=LN(D%d/G%d)", row, row),
		})
	}
	if err := out.WriteAll(lines); err != nil {
		return err
	}
	return out.Error()
}

// place is the JSON Pointer of one element of a list.
func place(list string, i int) string { return list + "/" + strconv.Itoa(i) }
