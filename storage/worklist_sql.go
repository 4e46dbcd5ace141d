package storage

// Each statement below gives one sort of the worklist, oldest first, with the
// number of all such rows beside each. Where @contractor_id is given only what
// is that contractor's counts. Days are compared as days; @today is made from
// the program's zone, never by Postgres.

// Jobs that have stood in one state since before a moment: since the first
// version after the last one in another state.
const worklistStateSQL = `
SELECT m.moved_at AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM job AS j
CROSS JOIN LATERAL (
    SELECT min(l.recorded_at) AS moved_at FROM ledger AS l
    WHERE l.program_id = j.program_id AND l.kind = 'job' AND l.record_id = j.id AND l.version > coalesce((
        SELECT max(o.version) FROM ledger AS o
        WHERE o.program_id = j.program_id AND o.kind = 'job' AND o.record_id = j.id AND o.body::jsonb ->> 'state' <> j.state), 0)) AS m
WHERE j.program_id = @program_id AND NOT j.void AND j.state = @state AND m.moved_at < @since
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY m.moved_at, j.id
LIMIT @limit`

// Jobs that are due and not yet sent in.
const worklistOverdueSQL = `
SELECT NULL::timestamptz AS since_at, j.due_on::text AS on_day, j.id, j.id AS job_id, j.contractor_id, j.state AS word, count(*) OVER () AS total
FROM job AS j
WHERE j.program_id = @program_id AND NOT j.void AND j.state IN ('assigned', 'in_work', 'returned') AND j.due_on < @today::date
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY j.due_on, j.id
LIMIT @limit`

const worklistHeldSQL = `
SELECT h.received_at AS since_at, NULL::text AS on_day, h.held_id AS id, h.job_id, h.contractor_id, h.code AS word, count(*) OVER () AS total
FROM held AS h
WHERE h.program_id = @program_id AND h.state = 'open' AND (@contractor_id::uuid IS NULL OR h.contractor_id = @contractor_id)
ORDER BY h.received_at, h.held_id
LIMIT @limit`

const worklistCallBackSQL = `
SELECT NULL::timestamptz AS since_at, c.reported_on::text AS on_day, c.id, c.job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM call_back AS c
JOIN job AS j ON j.program_id = c.program_id AND j.id = c.job_id
WHERE c.program_id = @program_id AND NOT c.void AND c.closed_on IS NULL AND NOT j.void
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY c.reported_on, c.id
LIMIT @limit`

// Papers whose last day lies in a range, of who is still there, and without a
// later paper of the same kind. Lapsed ones only where their contractor has
// open jobs.
const worklistCredentialSQL = `
SELECT NULL::timestamptz AS since_at, c.valid_until_on::text AS on_day, c.id, NULL::uuid AS job_id, f.id AS contractor_id, c.credential AS word, count(*) OVER () AS total
FROM credential AS c
LEFT JOIN crew_member AS m ON m.program_id = c.program_id AND m.id = c.crew_member_id
JOIN contractor AS f ON f.program_id = c.program_id AND f.id = coalesce(c.contractor_id, m.contractor_id)
WHERE c.program_id = @program_id AND NOT c.void AND c.valid_until_on <= @last_day::date AND (@first_day::date IS NULL OR c.valid_until_on >= @first_day::date)
    AND (m.id IS NULL OR NOT m.void AND (m.left_on IS NULL OR m.left_on >= @today::date))
    AND NOT f.void AND (f.ended_on IS NULL OR f.ended_on >= @today::date)
    AND NOT EXISTS (SELECT FROM credential AS n
        WHERE n.program_id = c.program_id AND NOT n.void AND n.credential = c.credential AND n.id <> c.id
            AND n.crew_member_id IS NOT DISTINCT FROM c.crew_member_id AND n.contractor_id IS NOT DISTINCT FROM c.contractor_id
            AND (n.valid_until_on IS NULL OR n.valid_until_on > c.valid_until_on))
    AND (@first_day::date IS NOT NULL OR EXISTS (SELECT FROM job AS j
        WHERE j.program_id = c.program_id AND j.contractor_id = f.id AND NOT j.void AND j.state IN ('assigned', 'in_work', 'sent_in', 'returned')))
    AND (@contractor_id::uuid IS NULL OR f.id = @contractor_id)
ORDER BY c.valid_until_on, c.id
LIMIT @limit`

// The same for calibrations. An instrument of the agency's own is in use where
// an open job was read with it.
const worklistCalibrationSQL = `
SELECT NULL::timestamptz AS since_at, i.calibrated_until_on::text AS on_day, i.id, NULL::uuid AS job_id, i.contractor_id, i.instrument AS word, count(*) OVER () AS total
FROM instrument AS i
LEFT JOIN contractor AS f ON f.program_id = i.program_id AND f.id = i.contractor_id
WHERE i.program_id = @program_id AND NOT i.void AND i.calibrated_until_on <= @last_day::date AND (@first_day::date IS NULL OR i.calibrated_until_on >= @first_day::date)
    AND (f.id IS NULL OR NOT f.void AND (f.ended_on IS NULL OR f.ended_on >= @today::date))
    AND (@first_day::date IS NOT NULL
        OR EXISTS (SELECT FROM job AS j
            WHERE j.program_id = i.program_id AND j.contractor_id = i.contractor_id AND NOT j.void AND j.state IN ('assigned', 'in_work', 'sent_in', 'returned'))
        OR EXISTS (SELECT FROM measurement AS r JOIN job AS j ON j.program_id = r.program_id AND j.id = r.job_id
            WHERE r.program_id = i.program_id AND r.instrument_id = i.id AND NOT r.void AND NOT j.void AND j.state IN ('assigned', 'in_work', 'sent_in', 'returned')))
    AND (@contractor_id::uuid IS NULL OR i.contractor_id = @contractor_id)
ORDER BY i.calibrated_until_on, i.id
LIMIT @limit`

// Devices of which nothing was heard since before a moment, while their
// contractor has open jobs. One that never spoke is silent since it was recorded.
const worklistDeviceSQL = `
SELECT x.heard_at AS since_at, NULL::text AS on_day, d.id, NULL::uuid AS job_id, d.contractor_id, '' AS word, count(*) OVER () AS total
FROM device AS d
LEFT JOIN device_sign AS s ON s.program_id = d.program_id AND s.device_id = d.id
JOIN ledger AS l ON l.program_id = d.program_id AND l.kind = 'device' AND l.record_id = d.id AND l.version = 1
CROSS JOIN LATERAL (SELECT greatest(s.last_pull_at, s.last_push_at, l.recorded_at) AS heard_at) AS x
WHERE d.program_id = @program_id AND NOT d.void AND d.state = 'active' AND x.heard_at < @since
    AND EXISTS (SELECT FROM job AS j
        WHERE j.program_id = d.program_id AND j.contractor_id = d.contractor_id AND NOT j.void AND j.state IN ('assigned', 'in_work', 'sent_in', 'returned'))
    AND (@contractor_id::uuid IS NULL OR d.contractor_id = @contractor_id)
ORDER BY x.heard_at, d.id
LIMIT @limit`

const worklistInspectionSQL = `
SELECT i.drawn_at AS since_at, NULL::text AS on_day, i.job_id AS id, i.job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM inspection_draw AS i
JOIN job AS j ON j.program_id = i.program_id AND j.id = i.job_id
WHERE i.program_id = @program_id AND i.closed_at IS NULL AND NOT j.void
ORDER BY i.drawn_at, i.job_id
LIMIT @limit`
