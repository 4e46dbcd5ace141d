// Package callbacks reads the complaints of a period's jobs.
package callbacks

import (
	"context"
	"iter"
	"time"

	"ductledger/domain"
	"ductledger/domain/callbacks"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"
)

// Answer is what stood at a position.
type Answer struct {
	Position int64
	AsOfAt   time.Time
	Figures  callbacks.Figures
}

type jobRow struct {
	ContractorID [16]byte
	CountedAt    time.Time
	Calls        *string
}

// The jobs first accepted in the period with their complaints, whoever was given the job
// later: who did the first work is called back.
const callBackJobsSQL = `
SELECT coalesce(r.worked_by[1], r.contractor_id) AS contractor_id, r.counted_at, c.calls
FROM job_result AS r
CROSS JOIN LATERAL (SELECT '[' || string_agg(x.body, ',' ORDER BY x.record_id) || ']' AS calls FROM entry AS x
    WHERE x.program_id = @program_id AND x.job_id = r.job_id AND x.kind = 'call_back' AND x.position <= @position
        AND (x.until_position IS NULL OR x.until_position > @position) AND x.voided_at IS NULL OFFSET 0) AS c
WHERE r.program_id = @program_id AND r.counted_at >= @from AND r.counted_at < @before AND r.accepted_position IS NOT NULL
    AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
ORDER BY r.counted_at, r.job_id`

// Read counts the call-backs of the jobs first accepted in a period of days.
func Read(ctx context.Context, db *storage.DB, program domain.UUID, from, before domain.Date, position int64) (out Answer, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		window, err := t.Window(from, before, position)
		if err != nil {
			return err
		}
		var sets []*domain.RuleSet
		t.QueueRuleSets(&sets, window.Position)
		names, err := t.ContractorNames(window.Position)
		if err != nil {
			return err
		}
		out.Position, out.AsOfAt = window.Position, window.AsOfAt
		on := domain.DateOf(window.AsOfAt, window.Zone)
		out.Figures, err = callbacks.Rates(jobs(t, window.Args(t.Program), window.Zone), on, domain.RuleSetOn(sets, on).WarrantyMonths(), names)
		return err
	})
	return out, err
}

func jobs(t *storage.Tx, args storage.Args, zone *time.Location) iter.Seq2[callbacks.Job, error] {
	return func(yield func(callbacks.Job, error) bool) {
		rows, err := t.Query(callBackJobsSQL, args)
		if err != nil {
			yield(callbacks.Job{}, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			var j callbacks.Job
			row, err := pgx.RowToStructByName[jobRow](rows)
			if err == nil {
				j, err = row.job(zone)
			}
			if !yield(j, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(callbacks.Job{}, err)
		}
	}
}

func (r *jobRow) job(zone *time.Location) (callbacks.Job, error) {
	j := callbacks.Job{ContractorID: r.ContractorID, AcceptedOn: domain.DateOf(r.CountedAt, zone)}
	if r.Calls == nil {
		return j, nil
	}
	var calls []domain.CallBack
	if err := json.Unmarshal([]byte(*r.Calls), &calls); err != nil {
		return j, err
	}
	for _, c := range calls {
		j.Calls = append(j.Calls, callbacks.Call{ReportedOn: c.ReportedOn, Closed: c.ClosedOn != "", Cause: c.CauseCode, AtFault: c.AtFault})
	}
	return j, nil
}
