package performance

import (
	"cmp"
	"maps"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
)

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
	m.cell(id, monthKey{m.name(j.AcceptedAt), j.Class}).add(j, x, y, z)
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
