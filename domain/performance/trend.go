package performance

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"ductledger/domain/stat"
)

// minTrendJobs is the number of jobs up to a month below which the line is
// drawn but rings no bell.
const minTrendJobs = 10

// A TrendPoint is one month of a contractor's line.
type TrendPoint struct {
	Month     string   `json:"month"` // as the caller's calendar names it
	N         int      `json:"n"`
	Residual  float64  `json:"mean_residual"` // log scale, against his own level
	Value     float64  `json:"ewma"`          // in standard deviations of a month's point
	Low       float64  `json:"ewma_low"`
	High      float64  `json:"ewma_high"`
	Signal    bool     `json:"signal"`
	Published *float64 `json:"published_ewma,omitempty"` // what stood here when the month was published
}

// Trend draws the months of one contractor's jobs against his own level, so
// that it shows change, where the index shows level:
//
//	e_i = ln(after/expected) − r,  x_t = √n_t·ē_t/σ,  EWMA of x_t from 0
//
// with r the log of his index and σ the model's residual SD: a month's point
// has the standard deviation 1 whatever its number of jobs, as long as nothing
// changes. Months without a job have no point and move nothing. month names
// the month of a moment in the programme's zone and must sort as time does,
// such as 2026-10. published holds the values of earlier publications: they
// are kept beside the line, which a new model restates.
//
// Jobs that are not in the model are passed over. Refused: no model, no index
// (/model). Source: NIST/SEMATECH e-Handbook 6.3.2.4 for the line [pub].
func Trend(jobs []Job, m *Model, a *Adjusted, month func(time.Time) string, published map[string]float64) ([]TrendPoint, error) {
	if m.ResidualSD == nil || a.Index == nil {
		return nil, stat.Refuse(stat.TooFew, "/model", "", "there is no index to follow over time: %s", cmp.Or(m.Reason, a.Reason))
	}
	type dated struct {
		month    string
		residual float64
	}
	r := math.Log(*a.Index)
	var all []dated
	for j, err := range inOrder(jobs) {
		if err != nil {
			return nil, err
		}
		if j.reasonOf() != used || m.without(&j) != "" {
			continue
		}
		e, err := m.Residual(Home{cfm25(*j.BeforeTenths), cfm25(*j.AfterTenths), j.Class, j.AreaFt2})
		if err != nil {
			return nil, stat.Under("/jobs/"+j.ID.String(), err)
		}
		all = append(all, dated{month(j.AcceptedAt), e - r})
	}
	slices.SortStableFunc(all, func(a, b dated) int { return strings.Compare(a.month, b.month) })

	var points []TrendPoint
	var standard []float64
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n].month == all[0].month {
			n++
		}
		sum := 0.0
		for _, d := range all[:n] {
			sum += d.residual
		}
		points = append(points, TrendPoint{Month: all[0].month, N: n, Residual: sum / float64(n)})
		standard = append(standard, sum/math.Sqrt(float64(n)) / *m.ResidualSD)
		all = all[n:]
	}
	line, err := stat.EWMA(standard, 0, 1, stat.EWMALambda, stat.EWMAWidth)
	if err != nil {
		return nil, err
	}
	total := 0
	for i := range points {
		p := &points[i]
		total += p.N
		p.Value, p.Low, p.High = line[i].Value, line[i].Low, line[i].High
		p.Signal = line[i].Signal && total >= minTrendJobs
		if was, ok := published[p.Month]; ok {
			p.Published = &was
		}
	}
	return points, nil
}
