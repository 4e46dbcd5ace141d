package storage

import "time"

type monthHistoryRow struct {
	JobID            [16]byte
	Serial           int32
	ContractorID     [16]byte
	Class            string
	PayBasis         string
	Outcome          *string
	Method           *string
	Undecided        bool
	BeforeTenths     *int64
	AfterTenths      *int64
	ReturnedCount    int64
	Excluded         bool
	RuleSetID        *[16]byte
	AcceptedPosition int64
	AcceptedAt       time.Time
	AcceptedMonth    string
	UntilPosition    *int64
	UntilAt          *time.Time
	Version          *int64
	UntilVersion     *int64
	UntilVoid        *bool
	UntilReason      *string
	Reason           *string
	VoidNow          *bool
	Inspected        *int64
	InspectedAt      *time.Time
	CrossoversCount  int64
	WorkShown        bool
	TripShown        bool
	CallBacks        *string
}

// All acceptances up to the position, job by job, oldest first: the whole
// history once, by the primary key.
const monthHistorySQL = monthAcceptancesSQL + monthHistoryOrderSQL

const monthHistoryOrderSQL = `
ORDER BY r.job_id, r.serial`

// What only an acceptance that ended needs is looked up for those alone.
const monthAcceptancesSQL = `
SELECT r.job_id, r.serial, r.contractor_id, r.class, r.pay_basis, r.outcome, coalesce((r.result::jsonb -> 'shown' ->> 'work')::boolean, true) AS work_shown,
    coalesce((r.result::jsonb -> 'shown' ->> 'trip')::boolean, true) AS trip_shown, r.method, coalesce(r.quality = 'undecided', false) AS undecided, r.before_tenths, r.after_tenths,
    r.returned_count::bigint AS returned_count, r.excluded, r.rule_set_id, r.accepted_position, r.accepted_at, r.accepted_month,
    u.position AS until_position, u.recorded_at AS until_at, b.version, e.version AS until_version, e.voided_at IS NOT NULL AND e.version IS NOT NULL AS until_void,
    ue.reason AS until_reason, be.reason, n.voided_at IS NOT NULL AS void_now, i.position AS inspected, i.recorded_at AS inspected_at, x.crossovers_count, cb.call_backs
FROM job_result AS r` + monthCallBacksSQL + `
LEFT JOIN LATERAL (SELECT e.position, e.recorded_at
    FROM entry AS e
    WHERE @holds::boolean AND e.program_id = r.program_id AND e.job_id = r.job_id AND e.kind = 'inspection' AND e.position <= @position
        AND e.body::jsonb ->> 'result' = 'passed' AND e.body::jsonb ->> 'purpose' IN ('final', 'monitoring') AND e.voided_at IS NULL
    ORDER BY e.position LIMIT 1) AS i ON true
LEFT JOIN entry AS u ON u.program_id = r.program_id AND u.position = r.until_position AND u.position <= @position
LEFT JOIN entry AS b ON b.program_id = r.program_id AND b.kind = 'job' AND b.record_id = r.job_id
    AND b.position <= r.accepted_position AND (b.until_position IS NULL OR b.until_position > r.accepted_position)
    AND (r.until_position <= @position OR r.serial > 1 OR i.position IS NOT NULL OR cb.call_backs IS NOT NULL)
LEFT JOIN entry AS e ON e.program_id = r.program_id AND e.kind = 'job' AND e.record_id = r.job_id
    AND e.position <= r.until_position AND (e.until_position IS NULL OR e.until_position > r.until_position) AND r.until_position <= @position
LEFT JOIN entry AS n ON n.program_id = r.program_id AND n.kind = 'job' AND n.record_id = r.job_id
    AND n.position <= @position AND (n.until_position IS NULL OR n.until_position > @position) AND r.until_position <= @position
LEFT JOIN LATERAL (SELECT array_to_string(ARRAY(SELECT jsonb_array_elements_text(l.body::jsonb -> 'reason_codes')), '.') AS reason
    FROM entry AS l
    WHERE l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'review' AND l.position <= r.until_position
        AND l.body::jsonb ->> 'decision' IN ('reopen', 'exclude', 'include') AND r.until_position <= @position
    ORDER BY l.position DESC LIMIT 1) AS ue ON true
LEFT JOIN LATERAL (SELECT array_to_string(ARRAY(SELECT jsonb_array_elements_text(l.body::jsonb -> 'reason_codes')), '.') AS reason
    FROM entry AS l
    WHERE l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'review' AND l.position <= r.accepted_position
        AND l.body::jsonb ->> 'decision' = 'accept' AND r.serial > 1
    ORDER BY l.position DESC LIMIT 1) AS be ON true
CROSS JOIN LATERAL (SELECT count(*) AS crossovers_count
    FROM entry AS c
    WHERE @crossovers::boolean AND c.program_id = r.program_id AND c.job_id = r.job_id AND c.kind = 'crossover' AND c.voided_at IS NULL
        AND c.position <= r.accepted_position AND (c.until_position IS NULL OR c.until_position > r.accepted_position) AND c.body::jsonb ->> 'action' = 'replaced') AS x
WHERE r.program_id = @program_id AND r.accepted_position <= @position`

// Every version of a job's complaints up to the position, oldest first.
const monthCallBacksSQL = `
CROSS JOIN LATERAL (SELECT json_agg(json_build_object('position', l.position, 'recorded_at', l.recorded_at, 'call_back_id', l.record_id,
        'charged', l.voided_at IS NULL AND l.body::jsonb ->> 'at_fault' = 'crew' AND l.body::jsonb ? 'closed_on',
        'reported_on', l.body::jsonb ->> 'reported_on') ORDER BY l.position)::text AS call_backs
    FROM entry AS l
    WHERE @call_backs::boolean AND l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'call_back' AND l.position <= @position) AS cb`

// The jobs of the month that stand at the position, and late ones, by @month,
// @late, @position and @from: none of them was accepted before the month began.
const (
	monthFirstSQL = `
FROM job_result AS r
JOIN LATERAL (SELECT f.accepted_month, f.accepted_position FROM job_result AS f
    WHERE f.program_id = r.program_id AND f.job_id = r.job_id AND f.accepted_position IS NOT NULL
    ORDER BY f.serial LIMIT 1) AS f ON f.accepted_month = @month OR r.job_id = ANY (@late)`
	monthStandingSQL = `
WHERE r.program_id = @program_id AND r.accepted_at >= @from AND r.accepted_position <= @position
    AND (r.until_position IS NULL OR r.until_position > @position)`
)

type monthContractorRow struct {
	ContractorID [16]byte
	Count        int64
}

const monthContractorsSQL = `
SELECT r.contractor_id, count(*) AS count` + monthFirstSQL + monthStandingSQL + `
GROUP BY r.contractor_id`

const monthJobsSQL = monthStandingJobsSQL + monthJobsOrderSQL

const monthJobsOrderSQL = `
ORDER BY f.accepted_position, r.job_id`

const monthStandingJobsSQL = `
SELECT r.job_id, r.home_id, r.contractor_id, f.accepted_month, r.accepted_at,
    (SELECT count(*) FROM job_result AS c WHERE c.program_id = r.program_id AND c.job_id = r.job_id AND c.accepted_position <= @position) AS accepted_count,
    j.version AS job_version, r.outcome, r.pay_basis, j.body::jsonb ->> 'fund_source' AS fund_source, r.class, r.floor_area_ft2,
    coalesce((r.result::jsonb -> 'shown' ->> 'work')::boolean, true) AS work_shown,
    coalesce((r.result::jsonb -> 'shown' ->> 'trip')::boolean, true) AS trip_shown, r.method, coalesce(r.quality = 'undecided', false) AS undecided, r.before_tenths, r.after_tenths, r.extrapolated, r.excluded, r.check_count::bigint AS check_count,
    r.note_count::bigint AS note_count, r.returned_count::bigint AS returned_count, r.rule_set_id, r.method_version,
    EXISTS (SELECT FROM entry AS l
        WHERE @holds::boolean AND l.program_id = r.program_id AND l.job_id = r.job_id AND l.kind = 'inspection' AND l.position <= @position
            AND l.body::jsonb ->> 'result' = 'passed' AND l.body::jsonb ->> 'purpose' IN ('final', 'monitoring') AND l.voided_at IS NULL) AS inspected,
    (SELECT count(*) FROM entry AS c
        WHERE @crossovers::boolean AND c.program_id = r.program_id AND c.job_id = r.job_id AND c.kind = 'crossover' AND c.voided_at IS NULL
            AND c.position <= r.accepted_position AND (c.until_position IS NULL OR c.until_position > r.accepted_position) AND c.body::jsonb ->> 'action' = 'replaced') AS crossovers_count, cb.call_backs` + monthFirstSQL + monthCallBacksSQL + `
JOIN entry AS j ON j.program_id = r.program_id AND j.kind = 'job' AND j.record_id = r.job_id
    AND j.position <= r.accepted_position AND (j.until_position IS NULL OR j.until_position > r.accepted_position)` + monthStandingSQL

type monthMeasurementRow struct {
	JobID         [16]byte
	MeasurementID [16]byte
	LeftOut       *string
	Void          bool
	Body          string
}

// Each measurement that a result names, as it was when the job was accepted.
const monthMeasurementsSQL = `
SELECT r.job_id, m.measurement_id, m.left_out, l.voided_at IS NOT NULL AS void, l.body` + monthMeasuredSQL + `
ORDER BY f.accepted_position, r.job_id, m.measurement_id`

const monthMeasuredSQL = monthFirstSQL + `
CROSS JOIN LATERAL (
    SELECT (e ->> 'measurement_id')::uuid AS measurement_id, NULL AS left_out FROM jsonb_array_elements(r.result::jsonb -> 'readings') AS e
    UNION ALL
    SELECT (e ->> 'measurement_id')::uuid, e ->> 'reason' FROM jsonb_array_elements(r.result::jsonb -> 'left_out') AS e) AS m
JOIN entry AS l ON l.program_id = r.program_id AND l.kind = 'measurement' AND l.record_id = m.measurement_id
    AND l.position <= r.accepted_position AND (l.until_position IS NULL OR l.until_position > r.accepted_position)` + monthStandingSQL

type monthEventRow struct {
	Kind          string
	Position      int64
	Version       int64
	RecordedAt    time.Time
	JobID         [16]byte
	AcceptedMonth string
	Void          bool
}

// Late work, and accepted jobs that were voided while they were open again.
// Jobs of earlier months count from the package before, own jobs always.
const monthEventsSQL = `
SELECT l.kind, l.position, l.version, l.recorded_at, l.job_id, f.accepted_month, l.voided_at IS NOT NULL AS void
FROM entry AS l
JOIN LATERAL (SELECT f.accepted_month, f.accepted_position FROM job_result AS f
    WHERE f.program_id = l.program_id AND f.job_id = l.job_id AND f.accepted_position IS NOT NULL
    ORDER BY f.serial LIMIT 1) AS f ON f.accepted_position < l.position
WHERE l.program_id = @program_id AND l.position > @begin AND l.position <= @position
    AND (f.accepted_month = @month OR f.accepted_month < @month AND l.position > @previous)
    AND (l.late AND l.kind <> 'job' OR l.kind = 'job' AND l.voided_at IS NOT NULL AND NOT EXISTS (
        SELECT FROM job_result AS s
        WHERE s.program_id = l.program_id AND s.job_id = l.job_id AND s.accepted_position < l.position
            AND (s.until_position IS NULL OR s.until_position >= l.position)))
ORDER BY l.position`

type monthStateRow struct {
	State string
	Count int64
}

// Jobs that are not accepted at the position, by their state.
const monthStatesSQL = `
SELECT CASE WHEN e.voided_at IS NOT NULL THEN 'void' ELSE e.body::jsonb ->> 'state' END AS state, count(*) AS count
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'job' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
    AND (e.voided_at IS NOT NULL OR e.body::jsonb ->> 'state' <> 'accepted')
GROUP BY 1
ORDER BY 1`

// Items that were held, and not settled, when the position was recorded.
const monthHeldSQL = `
SELECT count(*) AS count FROM held
WHERE program_id = @program_id AND received_at <= @as_of AND (closed_at IS NULL OR closed_at > @as_of)`

type monthRuleSetRow struct {
	RecordID [16]byte
	Body     string
	Void     bool
}

// Rule sets with their prices; of two that begin on one day the first by id is
// in force.
const monthRuleSetsSQL = `
SELECT e.record_id, e.body, e.voided_at IS NOT NULL AS void FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'rule_set' AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)
ORDER BY e.record_id`
