package storage

import (
	"iter"
	"maps"
	"time"

	"ductledger/domain"
	"ductledger/domain/performance"

	"github.com/jackc/pgx/v5"
)

type workRow struct {
	JobID                 [16]byte
	ContractorID          [16]byte
	Deferred              *string
	AssignedAt            time.Time
	AcceptedAt            *time.Time
	SentInCount           int32
	FirstMustFixCount     int32
	FirstNotRecordedCount int32
	CalledBack            bool
	Measurable            *bool
	AfterTenths           *int64
	StrayCutCount         *int32
	Method                *string
	Undecided             bool
}

// notStated stands for the reason of a deferral that names none.
const notStated = "not_stated"

// The jobs assigned in the period as they stood at the position. The first
// result of a job keeps when it was assigned and what was found at its first
// sending in; how often it was sent in and where it stands is in its versions.
// A job is deferred by a review, or sent in so by its crew.
const workSQL = `
WITH begun AS (
    SELECT job_id, assigned_at, coalesce(first_must_fix_count, must_fix_count) AS must_fix_count,
        coalesce(first_not_recorded_count, not_recorded_count) AS not_recorded_count
    FROM job_result
    WHERE program_id = @program_id AND serial = 1 AND assigned_at >= @from AND assigned_at < @before
), versions AS (
    SELECT l.record_id AS job_id, l.version, l.voided_at, f.state, f.contractor_id, f.outcome, f.outcome_reason,
        lag(f.state) OVER (PARTITION BY l.record_id ORDER BY l.version) AS before_state,
        lead(l.version) OVER (PARTITION BY l.record_id ORDER BY l.version) IS NULL AS newest
    FROM begun AS b
    JOIN ledger AS l ON l.program_id = @program_id AND l.kind = 'job' AND l.record_id = b.job_id AND l.position <= @position,
        jsonb_to_record(l.body::jsonb) AS f(state text, contractor_id uuid, outcome text, outcome_reason text)
), moves AS (
    SELECT job_id, count(*) FILTER (WHERE state = 'sent_in' AND before_state IS DISTINCT FROM 'sent_in') AS sent_in_count
    FROM versions GROUP BY job_id
), called AS (
    SELECT DISTINCT job_id FROM (
        SELECT DISTINCT ON (l.record_id) l.job_id, l.voided_at FROM ledger AS l
        WHERE l.program_id = @program_id AND l.kind = 'call_back' AND l.position <= @position
        ORDER BY l.record_id, l.version DESC) AS newest
    WHERE voided_at IS NULL
)
SELECT b.job_id, coalesce(r.worked_by[1], v.contractor_id) AS contractor_id,
    CASE WHEN v.state = 'deferred' THEN coalesce((
            SELECT d.body::jsonb #>> '{reason_codes,0}' FROM record_head AS h
            JOIN ledger AS d ON d.program_id = @program_id AND d.kind = 'review' AND d.record_id = h.record_id
            WHERE h.program_id = @program_id AND h.job_id = b.job_id AND h.kind = 'review'
                AND d.position <= @position AND d.body::jsonb ->> 'decision' = 'defer'
            ORDER BY d.position DESC LIMIT 1), v.outcome_reason, @not_stated)
        WHEN v.state IN ('sent_in', 'accepted') AND v.outcome = 'deferred' THEN coalesce(v.outcome_reason, @not_stated) END AS deferred,
    b.assigned_at, r.counted_at AS accepted_at, m.sent_in_count::integer AS sent_in_count,
    CASE WHEN m.sent_in_count > 0 THEN b.must_fix_count ELSE 0 END AS first_must_fix_count,
    CASE WHEN m.sent_in_count > 0 THEN b.not_recorded_count ELSE 0 END AS first_not_recorded_count,
    c.job_id IS NOT NULL AS called_back, r.measurable, r.after_tenths, r.stray_cut_count, r.method,
    coalesce(r.quality = 'undecided', false) AS undecided
FROM begun AS b
JOIN moves AS m ON m.job_id = b.job_id
JOIN versions AS v ON v.job_id = b.job_id AND v.newest
LEFT JOIN called AS c ON c.job_id = b.job_id
LEFT JOIN job_result AS r ON r.program_id = @program_id AND r.job_id = b.job_id AND r.accepted_position <= @position
    AND (r.until_position IS NULL OR r.until_position > @position)
WHERE v.voided_at IS NULL
ORDER BY b.job_id`

// Work are the jobs assigned in the period, by ascending id, with the
// inspectors' readings beside the crews'.
func (p *Population) Work() (iter.Seq2[performance.Work, error], error) {
	inspected, err := p.inspected()
	if err != nil {
		return nil, err
	}
	args := maps.Clone(p.args)
	args["not_stated"] = notStated
	return func(yield func(performance.Work, error) bool) {
		rows, err := p.t.conn.Query(p.t.ctx, workSQL, args)
		if err != nil {
			yield(performance.Work{}, err)
			return
		}
		defer rows.Close()
		for rows.Next() {
			row, err := pgx.RowToStructByName[workRow](rows)
			if !yield(row.work(inspected, p.Period.Quantity), err) || err != nil {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(performance.Work{}, err)
		}
	}, nil
}

func (r *workRow) work(inspected map[domain.UUID]int64, of domain.Quantity) performance.Work {
	w := performance.Work{
		JobID: r.JobID, ContractorID: r.ContractorID, AssignedAt: r.AssignedAt, SentIn: int(r.SentInCount),
		FirstMustFix: int(r.FirstMustFixCount), FirstNotRecorded: int(r.FirstNotRecordedCount), CalledBack: r.CalledBack,
	}
	if r.Deferred != nil {
		w.Deferred = *r.Deferred
	}
	if r.AcceptedAt != nil {
		w.AcceptedAt = *r.AcceptedAt
	}
	counts := !r.Undecided && domain.Method(textOf(r.Method)).Quantity() == of
	if counts && r.Measurable != nil {
		w.Judged, w.Measurable = true, *r.Measurable
	}
	if r.StrayCutCount != nil {
		cuts := int(*r.StrayCutCount)
		w.StrayCuts = &cuts
	}
	if tenths, ok := inspected[r.JobID]; ok && counts && r.AfterTenths != nil && *r.AfterTenths > 0 && tenths > 0 {
		w.CrewAfter, w.InspectorAfter = r.AfterTenths, &tenths
	}
	return w
}

type ruleCountRow struct {
	ContractorID [16]byte
	Rule         string
	JudgedCount  int64
	BrokenCount  int64
}

// Homes in which a rule was judged, and in which it was broken, from the
// verdicts as frozen: home by home, since what is wrong with one boot is often
// wrong with the next. A waived finding was broken all the same.
const ruleCountsSQL = `
SELECT coalesce(r.worked_by[1], r.contractor_id) AS contractor_id, o.rule,
    count(*) FILTER (WHERE coalesce(n.holds, 0) + coalesce(n.broken, 0) + coalesce(n.waived, 0) > 0) AS judged_count,
    count(*) FILTER (WHERE coalesce(n.broken, 0) + coalesce(n.waived, 0) > 0) AS broken_count
FROM job_result AS r,
    jsonb_to_recordset(r.verdict::jsonb -> 'rules') AS o(rule text, outcomes jsonb),
    jsonb_to_record(o.outcomes) AS n(holds integer, broken integer, waived integer)
WHERE r.program_id = @program_id AND r.counted_at >= @from AND r.counted_at < @before AND r.accepted_position IS NOT NULL
    AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
GROUP BY 1, 2
ORDER BY 1, 2`

// Rules counts the rules judged and broken in the jobs accepted in the period.
func (p *Population) Rules() ([]performance.RuleCount, error) {
	var rows []ruleCountRow
	all(p.t, &rows, ruleCountsSQL, p.args)
	if err := p.t.flush(); err != nil {
		return nil, err
	}
	counts := make([]performance.RuleCount, 0, len(rows))
	for _, r := range rows {
		if r.JudgedCount > 0 {
			counts = append(counts, performance.RuleCount{ContractorID: r.ContractorID, Rule: r.Rule, Judged: int(r.JudgedCount), Broken: int(r.BrokenCount)})
		}
	}
	return counts, nil
}
