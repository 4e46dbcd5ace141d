package performance

import (
	"fmt"

	"ductledger/domain"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// Repeats are tests of unchanged ducts that were done twice, in cfm25, by whose
// they are.
type Repeats struct {
	OneInstrument  [][2]float64 // by one crew on one day
	TwoInstruments [][2]float64 // the same, by two instruments: their calibration is in it
	Inspector      [][2]float64 // by the crew and, another day, by an inspector
}

type repeatsRow struct {
	JobID  [16]byte
	Method *string
	Steps  string
}

// The text is looked at before it is read: few jobs have a pair.
const repeatsSQL = `
SELECT job_id, method, steps
FROM job_result
WHERE program_id = @program_id AND counted_at >= @from AND counted_at < @before AND accepted_position IS NOT NULL
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position)
    AND strpos(steps, '"repeats"') > 0
ORDER BY job_id`

// Repeats reads the pairs of one quantity of jobs accepted in the period, and the inspectors' of
// jobs assigned in it.
func (p *Population) Repeats() (r Repeats, err error) {
	var rows []repeatsRow
	storage.All(p.t, &rows, repeatsSQL, p.args)
	if err := p.t.Flush(); err != nil {
		return r, err
	}
	for _, row := range rows {
		if row.Method == nil || domain.Method(*row.Method).Quantity() != p.Period.Quantity {
			continue
		}
		var frozen storage.FrozenSteps
		if err := json.Unmarshal([]byte(row.Steps), &frozen); err != nil {
			return r, fmt.Errorf("steps of job %s: %w", domain.UUID(row.JobID), err)
		}
		for _, pair := range frozen.Repeats {
			cfm25 := [2]float64{float64(pair.FirstTenths) / 10, float64(pair.AgainTenths) / 10}
			if pair.SameInstrument {
				r.OneInstrument = append(r.OneInstrument, cfm25)
			} else {
				r.TwoInstruments = append(r.TwoInstruments, cfm25)
			}
		}
	}
	work, err := p.Work()
	if err != nil {
		return r, err
	}
	for w, err := range work {
		if err != nil {
			return r, err
		}
		if w.CrewAfter != nil && w.InspectorAfter != nil {
			r.Inspector = append(r.Inspector, [2]float64{float64(*w.CrewAfter) / 10, float64(*w.InspectorAfter) / 10})
		}
	}
	return r, nil
}
