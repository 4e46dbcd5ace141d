package performance

import (
	"context"
	"iter"
	"maps"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"
	"ductledger/storage"
)

// Population is what the figures of a period are made of, as it stood at one
// position of the ledger. Its rows are read while it is in use, in one
// snapshot, and streamed: memory does not grow with their number.
type Population struct {
	storage.Window
	Names   map[domain.UUID]string // of contractors
	InForce domain.RuleSet         // on the last day; the zero one where there is none. Its quantity is what the figures are of

	t    *storage.Tx
	args storage.Args
}

// Read lets use read what was accepted in a period of days, as it stood at
// position (the head when 0).
func Read(ctx context.Context, db *storage.DB, program domain.UUID, from, before domain.Date, position int64, use func(*Population) error) error {
	return db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		p, err := populationAt(t, from, before, position)
		if err != nil {
			return err
		}
		return use(p)
	})
}

func populationAt(t *storage.Tx, from, before domain.Date, position int64) (*Population, error) {
	window, err := t.Window(from, before, position)
	if err != nil {
		return nil, err
	}
	p := &Population{Window: window, t: t, args: window.Args(t.Program)}
	var sets []*domain.RuleSet
	t.QueueRuleSets(&sets, p.Position)
	if p.Names, err = t.ContractorNames(p.Position); err != nil {
		return nil, err
	}
	if inForce := domain.RuleSetOn(sets, domain.DateOf(p.Period.Before.Add(-time.Second), p.Zone)); inForce != nil {
		p.InForce = *inForce
	}
	p.Period.Quantity = p.InForce.Quantity()
	return p, nil
}

// CrewNames are the names of all crew members.
func (p *Population) CrewNames() (map[domain.UUID]string, error) { return p.t.CrewNames(p.Position) }

// The frozen results that stood at the position, from the index
// job_result_counted alone. Their order changes no figure, so none is asked
// for: sorting would cost as much as reading.
const performanceJobsSQL = `
SELECT job_id, home_id, coalesce(worked_by[1], contractor_id), cardinality(worked_by) > 1, crew_lead_id, class, pay_basis, before_tenths, after_tenths,
    floor_area_ft2, extrapolated, below_range, counted_at, excluded, cardinality(questions) > 0, method, quality, together
FROM job_result
WHERE program_id = @program_id AND counted_at >= @from AND counted_at < @before AND accepted_position IS NOT NULL
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position)`

// Jobs are those first accepted in a period, each once, in no order.
func (p *Population) Jobs(period performance.Period) iter.Seq2[performance.Job, error] {
	args := maps.Clone(p.args)
	args["from"], args["before"] = period.From, period.Before
	return func(yield func(performance.Job, error) bool) {
		rows, err := p.t.Query(performanceJobsSQL, args)
		if err != nil {
			yield(performance.Job{}, err)
			return
		}
		defer rows.Close()
		if err := binaryColumns(rows); err != nil {
			yield(performance.Job{}, err)
			return
		}
		var kept rooms[optional]
		for rows.Next() {
			job, err := jobOfRow(rows, kept.next())
			if !yield(job, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(performance.Job{}, err)
		}
	}
}

// Numbers are the numbers of jobs, as people call them.
func (p *Population) Numbers(jobs []domain.UUID) (map[domain.UUID]int64, error) {
	return p.t.JobNumbers(jobs)
}
