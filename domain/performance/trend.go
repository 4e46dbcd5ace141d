package performance

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// minTrendJobs is the number of jobs up to a month below which the line is
// drawn but rings no bell.
const minTrendJobs = 10

// A TrendPoint is one month of a contractor's line.
type TrendPoint struct {
	// As the caller's calendar names it.
	Month string `json:"month"`
	N     int    `json:"n"`
	// On the log scale, against the own level.
	Residual float64 `json:"mean_residual"`
	// In standard deviations of a month's point.
	Value  float64 `json:"ewma"`
	Low    float64 `json:"ewma_low"`
	High   float64 `json:"ewma_high"`
	Signal bool    `json:"signal"`
	// What stood here when the month was published.
	Published *float64 `json:"published_ewma,omitempty"`
}

// Trend draws the months of one contractor against his own level, so that it
// shows change, where the index shows level:
//
//	e_i = ln(after/expected) − r,  x_t = √n_t·ē_t/σ,  EWMA of x_t from 0
//
// with r the log of his index and σ the model's residual SD: a month's point
// has the standard deviation 1 whatever its number of jobs, as long as nothing
// changes. Σe of a month comes from its sums. Months without a job have no point
// and move nothing. published holds the values of earlier publications: they are
// kept beside the line, which a new model restates.
//
// Jobs that are not in the model are passed over. Refused: no model, no index
// (/model), a class that the model has no term for. Source: NIST/SEMATECH
// e-Handbook 6.3.2.4 for the line [pub].
func (t *Tally) Trend(contractor domain.UUID, m *Model, a *Adjusted, published map[string]float64) ([]TrendPoint, error) {
	if m.ResidualSD == nil || a.Index == nil {
		return nil, stat.Refuse(stat.TooFew, "/model", "", "there is no index to follow over time: %s", cmp.Or(m.Reason, a.Reason))
	}
	points := []TrendPoint{}
	r := math.Log(*a.Index)
	for _, k := range t.months.of(contractor) {
		s := t.months.cells[contractor][k].take(m.AreaSlope != nil)
		if s.n == 0 || k.class == "" {
			continue
		}
		sum, err := m.residuals(k.class, &s)
		if err != nil {
			return nil, err
		}
		if len(points) == 0 || points[len(points)-1].Month != k.month {
			points = append(points, TrendPoint{Month: k.month})
		}
		p := &points[len(points)-1]
		p.N += int(s.n)
		p.Residual += sum - float64(float64(s.n)*r) // divided below
	}
	standard := make([]float64, len(points))
	for i := range points {
		p, n := &points[i], float64(points[i].N)
		standard[i] = p.Residual / math.Sqrt(n) / *m.ResidualSD
		p.Residual /= n
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

// months are the cells of contractors by month: what their lines are drawn from.
type months struct {
	name  func(time.Time) string
	whose domain.UUID // zero: everybody's
	cells map[domain.UUID]map[monthKey]*cell
}

type monthKey struct{ month, class string }

// Follow keeps the months of one contractor, or of all where the id is zero, so
// that Trend can draw them. month names the month of a moment in the program's
// zone and must sort as time does, such as 2026-10. Before the first job.
func (t *Tally) Follow(contractor domain.UUID, month func(time.Time) string) {
	t.months = months{name: month, whose: contractor, cells: map[domain.UUID]map[monthKey]*cell{}}
}

func (m *months) add(id domain.UUID, j *Job, x, y, z int64) {
	if m.name == nil || !m.whose.IsZero() && m.whose != id {
		return
	}
	m.cell(id, monthKey{m.name(j.AcceptedAt), j.Class}).add(j, x, y, z, false)
}

func (m *months) merge(o *months) {
	for id, cells := range o.cells {
		for k, c := range cells {
			m.cell(id, k).merge(c)
		}
	}
}

func (m *months) cell(id domain.UUID, k monthKey) *cell {
	cells := m.cells[id]
	if cells == nil {
		cells = map[monthKey]*cell{}
		m.cells[id] = cells
	}
	if cells[k] == nil {
		cells[k] = &cell{}
	}
	return cells[k]
}

// of are the keys of one contractor, by month, then by class.
func (m *months) of(contractor domain.UUID) []monthKey {
	return slices.SortedFunc(maps.Keys(m.cells[contractor]), func(a, b monthKey) int {
		return cmp.Or(strings.Compare(a.month, b.month), strings.Compare(a.class, b.class))
	})
}
