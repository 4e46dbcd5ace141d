package storage

import (
	"context"
	"fmt"
	"iter"
	"maps"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"

	"github.com/go-json-experiment/json"
)

// Population is what the figures of a period are made of, as it stood at one
// position of the ledger. Its rows are read while it is in use, in one
// snapshot, and streamed: memory does not grow with their number.
type Population struct {
	Position int64
	AsOfAt   time.Time // when the position was recorded
	Period   performance.Period
	Zone     *time.Location
	Names    map[domain.UUID]string // of contractors

	t    *Tx
	args Args
}

type positionRow struct {
	Position   int64
	RecordedAt time.Time
}

// The position that is asked for, or the head.
const positionSQL = `
SELECT position, recorded_at FROM entry
WHERE program_id = @program_id AND position = coalesce(@position::bigint, (SELECT position FROM program_head WHERE program_id = @program_id))`

type nameRow struct {
	RecordID [16]byte
	Body     string
}

// Contractors as they stood at the position; a voided one is left out unless
// it has accepted jobs.
const contractorNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'contractor' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND (e.voided_at IS NULL OR e.record_id IN (SELECT contractor_id FROM job_result WHERE program_id = @program_id AND accepted_position <= @position))`

// Crew members as they stood at the position.
const crewNamesSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'crew_member' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// Population lets use read what was accepted in a period of days, as it stood
// at position (the head when 0).
func (db *DB) Population(ctx context.Context, program domain.UUID, from, before domain.Date, position int64, use func(*Population) error) error {
	return db.In(ctx, program, Survey, func(t *Tx) error {
		p, err := t.population(from, before, position)
		if err != nil {
			return err
		}
		return use(p)
	})
}

func (t *Tx) population(from, before domain.Date, position int64) (*Population, error) {
	var at []positionRow
	args := Args{"program_id": t.Program, "position": numberArg(position)}
	All(t, &at, positionSQL, args)
	settings, err := t.programRow()
	if err != nil {
		return nil, err
	}
	if len(at) == 0 {
		return nil, domain.Errorf(domain.BadQuery, "position: the ledger has no position %d", position)
	}
	p := &Population{Position: at[0].Position, AsOfAt: at[0].RecordedAt, t: t, args: args}
	if p.Zone, err = settings.Zone(); err != nil {
		return nil, err
	}
	if p.Period, err = periodOf(p.Zone, from, before); err != nil {
		return nil, err
	}
	if p.Period.Quantity, err = p.quantityAsked(before); err != nil {
		return nil, err
	}
	args["position"], args["from"], args["before"] = p.Position, p.Period.From, p.Period.Before
	p.Names, err = names[domain.Contractor](p, contractorNamesSQL, func(c *domain.Contractor) string { return c.Name })
	return p, err
}

// Rule sets as they stood at the position.
const ruleSetsAtSQL = `
SELECT e.record_id, e.body
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND e.voided_at IS NULL`

// quantityAsked is what the rule set in force on the last day before asks to be
// read; total leakage where it names no method.
func (p *Population) quantityAsked(before domain.Date) (domain.Quantity, error) {
	var rows []nameRow
	p.args["position"] = p.Position
	All(p.t, &rows, ruleSetsAtSQL, p.args)
	if err := p.t.Flush(); err != nil {
		return "", err
	}
	var inForce domain.RuleSet
	for _, row := range rows {
		var set domain.RuleSet
		if err := json.Unmarshal([]byte(row.Body), &set); err != nil {
			return "", fmt.Errorf("rule set %s: %w", domain.UUID(row.RecordID), err)
		}
		if set.FromOn < before && set.FromOn >= inForce.FromOn {
			inForce = set
		}
	}
	return inForce.Quantity(), nil
}

// CrewNames are the names of all crew members.
func (p *Population) CrewNames() (map[domain.UUID]string, error) {
	return names[domain.CrewMember](p, crewNamesSQL, func(m *domain.CrewMember) string { return m.Name })
}

func names[R any](p *Population, sql string, name func(*R) string) (map[domain.UUID]string, error) {
	var rows []nameRow
	All(p.t, &rows, sql, p.args)
	if err := p.t.Flush(); err != nil {
		return nil, err
	}
	list := make(map[domain.UUID]string, len(rows))
	for _, row := range rows {
		var record R
		if err := json.Unmarshal([]byte(row.Body), &record); err != nil {
			return nil, fmt.Errorf("name of %s: %w", domain.UUID(row.RecordID), err)
		}
		list[row.RecordID] = name(&record)
	}
	return list, nil
}

// The frozen results that stood at the position, from the index
// job_result_counted alone. Their order changes no figure, so none is asked
// for: sorting would cost as much as reading.
const performanceJobsSQL = `
SELECT job_id, home_id, contractor_id, worked_by, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2,
    extrapolated, below_range, counted_at, excluded, questions, method, quality, together
FROM job_result
WHERE program_id = @program_id AND counted_at >= @from AND counted_at < @before AND accepted_position IS NOT NULL
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position)`

// The same of one contractor, by id.
const performanceJobsOfContractorSQL = performanceJobsSQL + `
    AND coalesce(worked_by[1], contractor_id) = @contractor_id
ORDER BY job_id`

// Jobs are those first accepted in a period, each once, in no order.
func (p *Population) Jobs(period performance.Period) iter.Seq2[performance.Job, error] {
	args := maps.Clone(p.args)
	args["from"], args["before"] = period.From, period.Before
	return p.jobs(performanceJobsSQL, args)
}

// JobsOf are one contractor's jobs of the period, by id.
func (p *Population) JobsOf(contractor domain.UUID) iter.Seq2[performance.Job, error] {
	args := maps.Clone(p.args)
	args["contractor_id"] = contractor
	return p.jobs(performanceJobsOfContractorSQL, args)
}

func (p *Population) jobs(sql string, args Args) iter.Seq2[performance.Job, error] {
	return func(yield func(performance.Job, error) bool) {
		rows, err := p.t.conn.Query(p.t.Ctx, sql, args)
		if err != nil {
			yield(performance.Job{}, err)
			return
		}
		defer rows.Close()
		if err := binaryColumns(rows); err != nil {
			yield(performance.Job{}, err)
			return
		}
		for rows.Next() {
			job, err := jobOfRow(rows)
			if !yield(job, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(performance.Job{}, err)
		}
	}
}

// periodOf is a range of days where the program works.
func periodOf(zone *time.Location, from, before domain.Date) (period performance.Period, err error) {
	if period.From, err = time.ParseInLocation(time.DateOnly, string(from), zone); err == nil {
		period.Before, err = time.ParseInLocation(time.DateOnly, string(before), zone)
	}
	if err != nil {
		return period, domain.Errorf(domain.BadQuery, "from and before are days such as 2026-10-01")
	}
	if !period.From.Before(period.Before) {
		return period, domain.Errorf(domain.BadQuery, "before: the period has to end after its first day")
	}
	return period, nil
}

// numberArg is a number as an argument; 0 is NULL.
func numberArg(n int64) *int64 {
	if n == 0 {
		return nil
	}
	return &n
}
