package performance

import (
	"cmp"
	"fmt"
	"iter"

	"ductledger/domain"
	"ductledger/domain/performance"

	"github.com/jackc/pgx/v5"
)

// notStated stands for the reason of a deferral that names none.
const notStated = "not_stated"

// The jobs assigned in the period as they stood at the position. Most were sent in once
// and accepted as they were: of these the first result says all, and is read from the
// index job_result_assigned alone. Of the others, how often a job was sent in and where it
// stands is in its versions. The first result of a job keeps when it was assigned and what
// was found at its first sending in. A job is deferred by a review, or sent in so by its
// crew.
const workSQL = `
WITH begun AS MATERIALIZED (
    SELECT job_id, assigned_at, worked_by[1] AS contractor_id, first_must_fix_count AS must_fix_count, first_not_recorded_count AS not_recorded_count,
        counted_at, measurable, after_tenths, stray_cut_count, method, quality, together,
        coalesce(accepted_position <= @position AND (until_position IS NULL OR until_position > @position)
            AND returned_count = 0 AND outcome <> 'deferred' AND worked_by[1] IS NOT NULL AND first_must_fix_count IS NOT NULL, false) AS straight
    FROM job_result
    WHERE program_id = @program_id AND serial = 1 AND assigned_at >= @from AND assigned_at < @before
), called AS MATERIALIZED (
    SELECT DISTINCT b.job_id FROM begun AS b
    JOIN entry AS e ON e.program_id = @program_id AND e.job_id = b.job_id AND e.kind = 'call_back' AND e.position <= @position
        AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
), versions AS MATERIALIZED (
    SELECT e.record_id AS job_id, e.position, e.version, e.voided_at, f.state, f.contractor_id, f.outcome, f.defer_codes,
        lag(f.state) OVER (PARTITION BY e.record_id ORDER BY e.version) AS before_state,
        e.until_position IS NULL OR e.until_position > @position AS newest
    FROM begun AS b
    CROSS JOIN LATERAL (SELECT e.record_id, e.position, e.version, e.voided_at, e.until_position, e.body FROM entry AS e
        WHERE e.program_id = @program_id AND e.kind = 'job' AND e.record_id = b.job_id AND e.position <= @position OFFSET 0) AS e,
        jsonb_to_record(e.body::jsonb) AS f(state text, contractor_id uuid, outcome text, defer_codes text[])
    WHERE NOT b.straight
), moves AS (
    SELECT job_id, count(*) FILTER (WHERE state = 'sent_in' AND before_state IS DISTINCT FROM 'sent_in') AS sent_in_count
    FROM versions GROUP BY job_id
), every AS (
    SELECT b.job_id, b.contractor_id, NULL AS deferred, false AS is_deferred, b.assigned_at, b.counted_at AS accepted_at, 1 AS sent_in_count,
        b.must_fix_count AS first_must_fix_count, b.not_recorded_count AS first_not_recorded_count,
        b.measurable, b.after_tenths, b.stray_cut_count, b.method, coalesce(b.quality = 'undecided', false) AS undecided, b.together
    FROM begun AS b
    WHERE b.straight
    UNION ALL
    SELECT b.job_id, coalesce(r.worked_by[1], v.contractor_id),
        coalesce(CASE WHEN v.state = 'deferred' THEN (
            SELECT e.body::jsonb #>> '{reason_codes,0}' FROM entry AS e
            WHERE e.program_id = @program_id AND e.job_id = b.job_id AND e.kind = 'review'
                AND e.position <= @position AND e.body::jsonb ->> 'decision' = 'defer'
            ORDER BY e.position DESC LIMIT 1) END, v.defer_codes[1]),
        v.state = 'deferred' OR v.state IN ('sent_in', 'accepted') AND v.outcome = 'deferred',
        b.assigned_at, r.counted_at, m.sent_in_count::integer,
        CASE WHEN m.sent_in_count > 0 THEN coalesce(b.must_fix_count, f.must_fix_count) ELSE 0 END,
        CASE WHEN m.sent_in_count > 0 THEN coalesce(b.not_recorded_count, f.not_recorded_count) ELSE 0 END,
        r.measurable, r.after_tenths, r.stray_cut_count, r.method, coalesce(r.quality = 'undecided', false), r.together
    FROM begun AS b
    JOIN moves AS m ON m.job_id = b.job_id
    JOIN versions AS v ON v.job_id = b.job_id AND v.newest
    JOIN job_result AS f ON f.program_id = @program_id AND f.job_id = b.job_id AND f.serial = 1
    LEFT JOIN job_result AS r ON r.program_id = @program_id AND r.job_id = b.job_id AND r.accepted_position <= @position
        AND (r.until_position IS NULL OR r.until_position > @position)
    WHERE v.voided_at IS NULL
)
SELECT w.job_id, w.contractor_id, w.deferred, w.is_deferred, w.assigned_at, w.accepted_at, w.sent_in_count, w.first_must_fix_count, w.first_not_recorded_count,
    c.job_id IS NOT NULL AS called_back, w.measurable, w.after_tenths, w.stray_cut_count, w.method, w.undecided, w.together
FROM every AS w LEFT JOIN called AS c ON c.job_id = w.job_id
ORDER BY w.job_id`

// Work are the jobs assigned in the period, by ascending id, with the
// inspectors' readings beside the crews'.
func (p *Population) Work() (iter.Seq2[performance.Work, error], error) {
	inspected, err := p.inspected()
	if err != nil {
		return nil, err
	}
	return func(yield func(performance.Work, error) bool) {
		rows, err := p.t.Query(workSQL, p.args)
		if err != nil {
			yield(performance.Work{}, err)
			return
		}
		defer rows.Close()
		if err := binaryColumns(rows); err != nil {
			yield(performance.Work{}, err)
			return
		}
		var cuts rooms[int]
		for rows.Next() {
			work, err := workOfRow(rows, inspected, p.Period.Quantity, cuts.next())
			if !yield(work, err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(performance.Work{}, err)
		}
	}, nil
}

// workOfRow reads a row of workSQL; cuts is the place for one of its counts.
func workOfRow(rows pgx.Rows, inspected map[domain.UUID]int64, of domain.Quantity, cuts *int) (performance.Work, error) {
	c := cells{values: rows.RawValues()}
	w := performance.Work{JobID: c.id(), ContractorID: c.id()}
	reason := string(c.cell(0))
	if c.truth() {
		w.Deferred = cmp.Or(reason, notStated)
	}
	w.AssignedAt, w.AcceptedAt = c.moment(), c.moment()
	w.SentIn, _ = c.count()
	w.FirstMustFix, _ = c.count()
	w.FirstNotRecorded, _ = c.count()
	w.CalledBack = c.truth()
	measurable := c.cell(1)
	after, read := c.number()
	var known bool
	if *cuts, known = c.count(); known {
		w.StrayCuts = cuts
	}
	method := domain.Method(word(c.cell(0)))
	counts := !c.truth() && method.Quantity() == of
	if counts && measurable != nil {
		w.Judged, w.Measurable = true, measurable[0] != 0
	}
	if together, known := c.number(); known {
		w.Together = uint64(together)
	}
	if tenths, ok := inspected[w.JobID]; ok && counts && read && after > 0 && tenths > 0 {
		w.CrewAfter, w.InspectorAfter = &after, &tenths
	}
	if c.bad {
		return w, fmt.Errorf("job %s: a column has not the length of its type", w.JobID)
	}
	return w, nil
}

// Rules counts the rules judged and broken in the jobs accepted in the period.
func (p *Population) Rules() ([]performance.RuleCount, error) {
	tallies, err := p.t.RuleTallies(p.args)
	if err != nil {
		return nil, err
	}
	counts := make([]performance.RuleCount, 0, len(tallies))
	for _, c := range tallies {
		counts = append(counts, performance.RuleCount{ContractorID: c.ContractorID, Rule: c.Rule, Judged: c.Judged, Broken: c.Broken})
	}
	return counts, nil
}
