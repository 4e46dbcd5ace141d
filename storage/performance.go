package storage

import (
	"context"
	"fmt"
	"iter"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
)

// Population is what a figure is made of: the jobs accepted in a period, as
// they stood at one position of the ledger.
type Population struct {
	Position int64
	AsOfAt   time.Time // when the position was recorded
	Names    map[domain.UUID]string
	Jobs     iter.Seq2[performance.Job, error] // by ascending id
}

type positionRow struct {
	Position   int64
	RecordedAt time.Time
}

// The position that is asked for, or the head.
const positionSQL = `
SELECT position, recorded_at FROM ledger
WHERE program_id = @program_id AND position = coalesce(@position::bigint, (SELECT position FROM program_head WHERE program_id = @program_id))`

type nameRow struct {
	RecordID [16]byte
	Body     string
}

// Contractors as they stood at the position, voided ones left out.
const contractorNamesSQL = `
SELECT record_id, body FROM (
    SELECT DISTINCT ON (l.record_id) l.record_id, l.body, l.voided_at
    FROM ledger AS l
    WHERE l.program_id = @program_id AND l.kind = 'contractor' AND l.position <= @position
    ORDER BY l.record_id, l.version DESC) AS newest
WHERE voided_at IS NULL OR record_id IN (SELECT contractor_id FROM job_result WHERE program_id = @program_id AND accepted_position <= @position)`

type performanceRow struct {
	JobID        [16]byte
	HomeID       [16]byte
	ContractorID [16]byte
	CrewLeadID   *[16]byte
	Class        string
	PayBasis     string
	BeforeTenths *int64
	AfterTenths  *int64
	FloorAreaFt2 *float64
	Extrapolated bool
	BelowRange   bool
	AcceptedAt   time.Time
	Excluded     bool
}

// The frozen results that stood at the position, by the index job_result_accepted.
const performanceJobsSQL = `
SELECT job_id, home_id, contractor_id, crew_lead_id, class, pay_basis, before_tenths, after_tenths, floor_area_ft2::float8 AS floor_area_ft2,
    extrapolated, below_range, accepted_at, excluded
FROM job_result
WHERE program_id = @program_id AND accepted_at >= @from AND accepted_at < @before
    AND accepted_position <= @position AND (until_position IS NULL OR until_position > @position)
ORDER BY job_id`

// Population lets use read the jobs accepted in a period of days, in one
// snapshot, as they stood at position (the head when 0). They are streamed:
// memory does not grow with their number.
func (db *DB) Population(ctx context.Context, program domain.UUID, from, before domain.Date, position int64, use func(performance.Period, Population) error) error {
	return db.in(ctx, program, snapshot, func(t *tx) error {
		var at []positionRow
		args := named{"program_id": program, "position": numberArg(position)}
		all(t, &at, positionSQL, args.pgx())
		settings, err := t.programRow()
		if err != nil {
			return err
		}
		if len(at) == 0 {
			return domain.Errorf(domain.BadQuery, "position: the ledger has no position %d", position)
		}
		period, err := periodOf(settings, from, before)
		if err != nil {
			return err
		}
		args["position"], args["from"], args["before"] = at[0].Position, period.From, period.Before
		var names []nameRow
		all(t, &names, contractorNamesSQL, args.pgx())
		if err := t.flush(); err != nil {
			return err
		}
		p := Population{Position: at[0].Position, AsOfAt: at[0].RecordedAt, Names: make(map[domain.UUID]string, len(names))}
		for _, n := range names {
			var contractor domain.Contractor
			if err := json.Unmarshal([]byte(n.Body), &contractor); err != nil {
				return fmt.Errorf("contractor %s: %w", domain.UUID(n.RecordID), err)
			}
			p.Names[n.RecordID] = contractor.Name
		}
		p.Jobs = func(yield func(performance.Job, error) bool) {
			rows, err := t.conn.Query(t.ctx, performanceJobsSQL, args.pgx())
			if err != nil {
				yield(performance.Job{}, err)
				return
			}
			defer rows.Close()
			for rows.Next() {
				row, err := pgx.RowToStructByName[performanceRow](rows)
				if !yield(row.job(), err) || err != nil {
					return
				}
			}
			if err := rows.Err(); err != nil {
				yield(performance.Job{}, err)
			}
		}
		return use(period, p)
	})
}

func (r *performanceRow) job() performance.Job {
	return performance.Job{
		ID: r.JobID, HomeID: r.HomeID, ContractorID: r.ContractorID, CrewLeadID: idOf(r.CrewLeadID), Class: r.Class, PayBasis: r.PayBasis,
		BeforeTenths: r.BeforeTenths, AfterTenths: r.AfterTenths, AfterBelowRange: r.BelowRange, AreaFt2: r.FloorAreaFt2,
		Extrapolated: r.Extrapolated, AcceptedAt: r.AcceptedAt, Excluded: r.Excluded,
	}
}

// periodOf is a range of days where the programme works.
func periodOf(p Program, from, before domain.Date) (period performance.Period, err error) {
	zone, err := p.Zone()
	if err != nil {
		return period, err
	}
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
