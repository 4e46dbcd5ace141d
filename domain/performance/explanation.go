package performance

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// A Home is what the model needs of one job to say what was expected.
type Home struct {
	BeforeCFM25 float64
	AfterCFM25  float64
	Class       string
	AreaFt2     *float64
}

// Expected is the leakage that the program's average contractor would have
// left in this home, in cfm25, from the published numbers:
//
//	200·exp(constant + before_slope·ln(before/200) + class term + area_slope·ln(area/1000))
//
// Readings in cfm25, the area in ft². Refused: a model without numbers (/model),
// a class that it has no term for (/home_class), a reading or an area not above
// 0 (/before_cfm25, /floor_area_ft2), an area that it needs and the home lacks.
// Source: the published model [calc].
func (m *Model) Expected(h Home) (float64, error) {
	e, err := m.expectedLog(h)
	if err != nil {
		return 0, err
	}
	return m.BeforeCenter * math.Exp(e), nil
}

func (m *Model) expectedLog(h Home) (float64, error) {
	if m.Constant == nil || m.BeforeSlope == nil {
		return 0, stat.Refuse(stat.TooFew, "/model", "", "there is no model to expect anything from: %s", m.Reason)
	}
	if err := stat.Positive("/before_cfm25", h.BeforeCFM25, "cfm25"); err != nil {
		return 0, err
	}
	term, err := m.term(h.Class)
	if err != nil {
		return 0, err
	}
	e := *m.Constant + float64(*m.BeforeSlope*math.Log(h.BeforeCFM25/m.BeforeCenter)) + term
	if m.AreaSlope != nil {
		if h.AreaFt2 == nil {
			return 0, stat.Refuse(stat.NotComplete, "/floor_area_ft2", "", "the model needs the floor area in ft2")
		}
		if err := stat.Positive("/floor_area_ft2", *h.AreaFt2, "ft2"); err != nil {
			return 0, err
		}
		e += float64(*m.AreaSlope * math.Log(*h.AreaFt2/m.AreaCenter))
	}
	return e, nil
}

// term is what homes of a class add. Refused: a class that the model has no term for.
func (m *Model) term(class string) (float64, error) {
	for _, c := range m.Classes {
		if slices.Contains(c.Classes, class) {
			return c.Term, nil
		}
	}
	return 0, stat.Refuse(stat.OutOfRange, "/home_class", "", "the model has no term for class %q", class)
}

// residuals adds up the residuals of homes of one class from their sums, which
// are of those homes that the model takes.
func (m *Model) residuals(class string, s *moments) (float64, error) {
	term, err := m.term(class)
	if err != nil {
		return 0, err
	}
	sum := s.y.logs() - float64(float64(s.n)*(*m.Constant+term)) - float64(*m.BeforeSlope*s.x.logs())
	if m.AreaSlope != nil {
		sum -= float64(*m.AreaSlope * s.z.logs())
	}
	return sum, nil
}

// Residual is ln(after/expected) of one home, no unit: what its contractor and
// chance made of it. Refused: as by Expected, and a reading after not above 0
// (/after_cfm25). Source: the published model [calc].
func (m *Model) Residual(h Home) (float64, error) {
	e, err := m.expectedLog(h)
	if err != nil {
		return 0, err
	}
	if err := stat.Positive("/after_cfm25", h.AfterCFM25, "cfm25"); err != nil {
		return 0, err
	}
	return math.Log(h.AfterCFM25/m.BeforeCenter) - e, nil
}

// Index recomputes a contractor's index from his own homes and the published
// numbers alone, as a spreadsheet does: exp of the mean residual, no unit.
//
// Refused: no homes (too_few, /homes), and as Residual with the home's place
// (/homes/i/…). Source: the published model [calc].
func (m *Model) Index(homes []Home) (float64, error) {
	if len(homes) == 0 {
		return 0, stat.Refuse(stat.TooFew, "/homes", "", "an index needs at least 1 home")
	}
	residuals := make([]float64, len(homes))
	for i, h := range homes {
		r, err := m.Residual(h)
		if err != nil {
			return 0, stat.Under(place("/homes", i), err)
		}
		residuals[i] = r
	}
	return math.Exp(stat.SumCompensated(residuals) / float64(len(homes))), nil
}

// An ExplainedJob is one line behind a contractor's index.
type ExplainedJob struct {
	JobID domain.UUID `json:"job_id"`
	// What people call the job; absent where nobody gave it a number.
	JobNumber   int64       `json:"job_number,omitempty"`
	HomeID      domain.UUID `json:"home_id"`
	HomeClass   string      `json:"home_class,omitempty"`
	AreaFt2     *float64    `json:"floor_area_ft2,omitempty"`
	BeforeCFM25 *float64    `json:"before_cfm25,omitempty"`
	AfterCFM25  *float64    `json:"after_cfm25,omitempty"`
	// Why it is not in the index; absent when it is.
	Reason        string   `json:"reason,omitempty"`
	Questioned    bool     `json:"questioned,omitempty"`
	Extrapolated  bool     `json:"extrapolated,omitempty"`
	ExpectedCFM25 *float64 `json:"expected_after_cfm25,omitempty"`
	// ln(after/expected).
	Residual *float64 `json:"residual,omitempty"`
	// The index by the same published numbers with this job left out.
	IndexWithout *float64 `json:"index_without_job_ratio,omitempty"`
	// The index were its reading after 10 % lower.
	IndexAtTenth *float64 `json:"index_at_tenth_less_ratio,omitempty"`
}

// An Explanation lets a contractor check, and dispute, his index.
type Explanation struct {
	Period
	ContractorID  domain.UUID    `json:"contractor_id"`
	Name          string         `json:"name"`
	MethodVersion string         `json:"method_version"`
	Position      int64          `json:"position,omitzero"`
	Model         Model          `json:"model"`
	Adjusted      Adjusted       `json:"adjusted"`
	JobsIn        []ExplainedJob `json:"jobs_in"`
	JobsOut       []ExplainedJob `json:"jobs_out"`
	ChanceLow     *float64       `json:"chance_ratio_low,omitempty"` // 95 of 100 average contractors with these homes lie between
	ChanceHigh    *float64       `json:"chance_ratio_high,omitempty"`
	Recomputed    *float64       `json:"recomputed_index_ratio,omitempty"`
}

// Explain lists the jobs in and out of one contractor's index and what was
// expected of each home, in the order in which they come. They are those that made
// c; others among them are passed over. The answer is a list of jobs and grows with it; nothing
// else is kept of them. Readings in cfm25; an index has no unit.
//
//	index e^ē    without job i: e^((n·ē − e_i)/(n − 1))
//
// Refused: a contractor who is not in the comparison (/contractor_id).
// Source: the published model [calc].
func Explain(jobs []Job, c *Comparison, contractor domain.UUID) (Explanation, error) {
	at := slices.IndexFunc(c.Contractors, func(x Contractor) bool { return x.ContractorID == contractor })
	if at < 0 {
		return Explanation{}, stat.Refuse(stat.OutOfRange, "/contractor_id", "", "contractor %s is not in the comparison", contractor)
	}
	x := Explanation{
		Period: c.Period, ContractorID: contractor, Name: c.Contractors[at].Name,
		MethodVersion: c.MethodVersion, Position: c.Position, Model: c.Model, Adjusted: c.Contractors[at].Adjusted,
		JobsIn: []ExplainedJob{}, JobsOut: []ExplainedJob{},
	}
	for i := range jobs {
		j := &jobs[i]
		if j.ContractorID != contractor || !c.Period.contains(j.AcceptedAt) {
			continue
		}
		line := lineOf(j, c.Quantity)
		if line.Reason == "" {
			line.Reason = c.Model.without(j)
		}
		if line.Reason != "" {
			x.JobsOut = append(x.JobsOut, line)
			continue
		}
		if err := line.expect(&c.Model); err != nil {
			return Explanation{}, stat.Under("/jobs/"+j.ID.String(), err)
		}
		x.JobsIn = append(x.JobsIn, line)
	}
	x.recompute()
	return x, nil
}

// without says why the model does not take a job that the reductions use.
func (m *Model) without(j *Job) string {
	switch {
	case m.Reason != "":
		return m.Reason
	case j.Class == "":
		return MissingClass
	case m.AreaSlope != nil && j.AreaFt2 == nil:
		return MissingArea
	}
	return ""
}

// expect fills in what the model expected of the home, and its residual.
func (j *ExplainedJob) expect(m *Model) error {
	h := Home{*j.BeforeCFM25, *j.AfterCFM25, j.HomeClass, j.AreaFt2}
	residual, err := m.Residual(h)
	if err != nil {
		return err
	}
	expected, err := m.Expected(h)
	j.Residual, j.ExpectedCFM25 = &residual, &expected
	return err
}

// recompute fills what each home adds to the index exp(ē): without the home it
// is exp((n·ē − e_i)/(n−1)).
func (x *Explanation) recompute() {
	if len(x.JobsIn) == 0 {
		return
	}
	n := float64(len(x.JobsIn))
	residuals := make([]float64, len(x.JobsIn))
	for i, j := range x.JobsIn {
		residuals[i] = *j.Residual
	}
	sum := stat.SumCompensated(residuals)
	x.Recomputed = ptr(math.Exp(sum / n))
	for i, r := range residuals {
		if n > 1 {
			x.JobsIn[i].IndexWithout = ptr(math.Exp((sum - r) / (n - 1)))
		}
		x.JobsIn[i].IndexAtTenth = ptr(math.Exp((sum + math.Log(0.9)) / n))
	}
	if s := x.Adjusted.Standing; s != nil {
		x.ChanceLow, x.ChanceHigh = &s.WatchLow, &s.WatchHigh
	}
}

func lineOf(j *Job, of domain.Quantity) ExplainedJob {
	line := ExplainedJob{
		JobID: j.ID, HomeID: j.HomeID, HomeClass: j.Class, AreaFt2: j.AreaFt2,
		Questioned: j.Questioned, Extrapolated: j.Extrapolated,
	}
	if j.BeforeTenths != nil {
		line.BeforeCFM25 = ptr(cfm25(*j.BeforeTenths))
	}
	if j.AfterTenths != nil {
		line.AfterCFM25 = ptr(cfm25(*j.AfterTenths))
	}
	line.Reason = j.LeftOutReason(of)
	return line
}

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
