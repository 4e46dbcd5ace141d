package worklist

import (
	"fmt"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/storage"
)

// sortRow is one row of the table of what may wait.
type sortRow struct {
	name    string
	subject string        // kind of the subject; a held item is none of the records
	ahead   bool          // its day is the one until which something is good or due
	roles   []domain.Role // for whom it waits
	sql     string
	args    func(*moments) storage.Args
	detail  func(word string, days int) string
}

// moments are the moments and days that the statements compare with.
type moments struct {
	now   time.Time
	today domain.Date
	days  Days
	due   due
}

// before is the moment before which something has waited so many days; what
// waits from the first moment on has waited none.
func (a *moments) before(days int) time.Time {
	if days == 0 {
		return a.now.Add(time.Microsecond)
	}
	return a.now.AddDate(0, 0, -days)
}

func (a *moments) day(days int) *string {
	day := string(dayAfter(a.today, days))
	return &day
}

// lapses are the papers whose last day lies within from … to days from today;
// a negative to is before today, however long ago.
func lapses(from, to func(Days) int) func(*moments) storage.Args {
	return func(a *moments) storage.Args {
		first := a.day(from(a.days))
		return storage.Args{"first_day": first, "last_day": a.day(to(a.days))}
	}
}

func lapsed(a *moments) storage.Args {
	return storage.Args{"first_day": (*string)(nil), "last_day": a.day(-1)}
}

// table is the table of all sorts, in the order in which equally old
// ones are shown.
func table() []sortRow {
	office := []domain.Role{domain.Staff, domain.Admin}
	crews := append([]domain.Role{domain.Field, domain.ContractorRole}, office...)
	notFirm := append([]domain.Role{domain.Field}, office...)
	inspectors := append([]domain.Role{domain.Inspector}, office...)
	none := func(*moments) storage.Args { return storage.Args{} }
	soon := lapses(func(Days) int { return 0 }, func(d Days) int { return d.LapseSoon })
	later := lapses(func(d Days) int { return d.LapseSoon + 1 }, func(d Days) int { return d.Lapse })
	since := func(words string) func(string, int) string {
		return func(_ string, days int) string { return fmt.Sprintf(words, ago(days)) }
	}
	until := func(words string) func(string, int) string {
		return func(word string, days int) string { return fmt.Sprintf(words, plain(word), ahead(days)) }
	}
	return []sortRow{
		{"hazard_late", "job", false, office, worklistHazardSQL, func(a *moments) storage.Args {
			return storage.Args{"from": (*time.Time)(nil), "before": a.before(a.days.Hazard)}
		}, func(word string, days int) string {
			return fmt.Sprintf("A crew saw a hazard and worked on (%s). It came %s and is late: nobody has answered it.", word, ago(days))
		}},
		{"hazard", "job", false, office, worklistHazardSQL, func(a *moments) storage.Args {
			return storage.Args{"from": new(a.before(a.days.Hazard)), "before": a.now.Add(time.Microsecond)}
		}, func(word string, days int) string {
			return fmt.Sprintf("A crew saw a hazard and worked on (%s). It came %s: read it within a day and answer.", word, ago(days))
		}},
		{"sent_in", "job", false, office, worklistStateSQL,
			func(a *moments) storage.Args {
				return storage.Args{"state": "sent_in", "since": a.before(a.days.SentIn)}
			}, since("Sent in %s and not reviewed.")},
		{"started_by_crew", "job", false, office, worklistStartedByCrewSQL, none, since("Started by its crew %s and not confirmed: the crew sees no contact.")},
		{"returned", "job", false, crews, worklistStateSQL,
			func(a *moments) storage.Args {
				return storage.Args{"state": "returned", "since": a.before(a.days.Returned)}
			}, since("Returned %s and not sent in again.")},
		{"overdue", "job", true, crews, worklistOverdueSQL, none, func(word string, days int) string {
			return fmt.Sprintf("The job was due %s and is %s.", ago(-days), plain(word))
		}},
		{"reply", "job", false, office, worklistReplySQL, none, since("The contractor replied %s; the job is not decided since.")},
		{"question", "job", false, office, worklistQuestionSQL, none, func(word string, days int) string {
			if word == "1" {
				return fmt.Sprintf("Sent in %s; the reviewer is asked one question, which may have an innocent answer.", ago(days))
			}
			return fmt.Sprintf("Sent in %s; the reviewer is asked %s questions, which may have innocent answers.", ago(days), word)
		}},
		{"held", "held", false, notFirm, worklistHeldSQL, func(*moments) storage.Args { return storage.Args{"state": "open"} }, func(word string, days int) string {
			return fmt.Sprintf("Sent %s and not accepted (%s).", ago(days), plain(word))
		}},
		{"held_waiting", "held", false, office, worklistHeldSQL, func(*moments) storage.Args { return storage.Args{"state": "waiting"} },
			since("Sent %s; waits for a record that has not come.")},
		{"call_back", "call_back", false, crews, worklistCallBackSQL, none, since("The call-back was reported %s and is not closed.")},
		{"package_to_build", "program", false, office, worklistToBuildSQL, func(a *moments) storage.Args {
			return storage.Args{"months": a.due.months, "funds": a.due.funds, "days": a.due.ended}
		}, func(word string, days int) string {
			return fmt.Sprintf("The package of %s is not built; the month ended %s.", packageOf(word), ago(days))
		}},
		{"package_to_release", "program", false, office, worklistToReleaseSQL, none, func(word string, days int) string {
			return fmt.Sprintf("The package of %s was built %s and is not released: another person than who built it does that.", packageOf(word), ago(days))
		}},
		{"inspection_owed", "job", false, inspectors, worklistInspectionSQL, none, func(word string, days int) string {
			if word != "" {
				return fmt.Sprintf("A crew began it %s; drawn for a visit during the work: tell nobody before.", ago(days))
			}
			return fmt.Sprintf("Drawn for inspection %s and not inspected.", ago(days))
		}},
		{"inspection_failed", "job", false, office, worklistInspectionFailedSQL, none, since("Accepted, and an inspection failed %s: decide whether the job is opened again.")},
		{"credential_lapsed", "credential", true, crews, worklistCredentialSQL, lapsed, until("The %s ended %s, and there are open jobs.")},
		{"credential_lapses_soon", "credential", true, crews, worklistCredentialSQL, soon, until("The %s ends %s.")},
		{"credential_lapses", "credential", true, crews, worklistCredentialSQL, later, until("The %s ends %s.")},
		{"calibration_lapsed", "instrument", true, crews, worklistCalibrationSQL, lapsed, until("The calibration of a %s ended %s, and there are open jobs.")},
		{"calibration_lapses_soon", "instrument", true, crews, worklistCalibrationSQL, soon, until("The calibration of a %s ends %s.")},
		{"calibration_lapses", "instrument", true, crews, worklistCalibrationSQL, later, until("The calibration of a %s ends %s.")},
		{"device_silent", "device", false, crews, worklistDeviceSQL,
			func(a *moments) storage.Args { return storage.Args{"since": a.before(a.days.Silent)} }, since("Last heard of the device %s; its contractor has open jobs.")},
	}
}

// Sorts are the names of all sorts.
func Sorts() (names []string) {
	for _, s := range table() {
		names = append(names, s.name)
	}
	return names
}

// dayAfter and daysBetween count calendar days, which summer time does not bend.
func dayAfter(day domain.Date, days int) domain.Date {
	t, err := time.Parse(time.DateOnly, string(day))
	if err != nil {
		return day // made by DateOf, or read from a column of days
	}
	return domain.Date(t.AddDate(0, 0, days).Format(time.DateOnly))
}

func daysBetween(from, to domain.Date) int {
	a, errA := time.Parse(time.DateOnly, string(from))
	b, errB := time.Parse(time.DateOnly, string(to))
	if errA != nil || errB != nil {
		return 0 // as above
	}
	return int(b.Sub(a) / (24 * time.Hour))
}

func ago(days int) string {
	switch days {
	case 0:
		return "today"
	case 1:
		return "yesterday"
	}
	return fmt.Sprintf("%d days ago", days)
}

func ahead(days int) string {
	switch {
	case days < 0:
		return ago(-days)
	case days == 0:
		return "today"
	case days == 1:
		return "tomorrow"
	}
	return fmt.Sprintf("in %d days", days)
}

// plain writes a word of the wire as people do.
func plain(word string) string { return strings.ReplaceAll(word, "_", " ") }

// Each statement below gives one sort of the worklist, oldest first, with the
// number of all such rows beside each. Where @contractor_id is given only what
// is that contractor's counts. Days are compared as days; @today is made from
// the program's zone, never by Postgres.

// Jobs that have stood in one state since before a moment.
const worklistStateSQL = `
SELECT j.state_since AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM job AS j
WHERE j.program_id = @program_id AND NOT j.void AND j.state = @state AND j.state_since < @since
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY j.state_since, j.id
LIMIT @limit`

// Jobs that a crew started and the office has not confirmed. The oldest hundred
// are counted, or as many as are asked for: an office that never confirms lets
// them grow with the program.
const worklistStartedByCrewSQL = `
SELECT j.recorded_at AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM (SELECT x.id, x.contractor_id, x.recorded_at FROM job AS x
    WHERE x.program_id = @program_id AND x.open AND x.started_by_crew AND (@contractor_id::uuid IS NULL OR x.contractor_id = @contractor_id)
    ORDER BY x.recorded_at, x.id LIMIT greatest(@limit::bigint, 100)) AS j
ORDER BY j.recorded_at, j.id
LIMIT @limit::bigint`

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
WHERE h.program_id = @program_id AND h.state IN ('open', 'waiting') AND h.state = @state AND (@contractor_id::uuid IS NULL OR h.contractor_id = @contractor_id)
ORDER BY h.received_at, h.held_id
LIMIT @limit`

// Jobs of which the contractor has the last word: what is to be decided, and accepted
// ones whose inspection failed.
const worklistReplySQL = `
SELECT r.recorded_at AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM (
    SELECT x.id, x.contractor_id FROM job AS x
    WHERE x.program_id = @program_id AND NOT x.void AND x.state IN ('returned', 'sent_in') AND (@contractor_id::uuid IS NULL OR x.contractor_id = @contractor_id)
    UNION ALL
    SELECT x.id, x.contractor_id FROM job AS x
    WHERE x.program_id = @program_id AND NOT x.void AND x.state = 'accepted' AND x.inspection_failed_at IS NOT NULL
        AND (@contractor_id::uuid IS NULL OR x.contractor_id = @contractor_id)
) AS j
CROSS JOIN LATERAL (SELECT e.recorded_at, e.body FROM entry AS e
    WHERE e.program_id = @program_id AND e.job_id = j.id AND e.kind = 'review' AND e.until_position IS NULL AND e.voided_at IS NULL
    ORDER BY e.position DESC LIMIT 1 OFFSET 0) AS r
WHERE r.body::jsonb ->> 'decision' = 'reply'
ORDER BY r.recorded_at, j.id
LIMIT @limit`

// Jobs that are sent in and of which the reviewer is asked something. That a
// picture looks like one of another home comes to light when either arrives.
const worklistQuestionSQL = `
SELECT j.state_since AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, greatest(r.asked_count, l.count)::text AS word,
    count(*) OVER () AS total
FROM job AS j
CROSS JOIN LATERAL (SELECT x.asked_count FROM job_result AS x
    WHERE x.program_id = @program_id AND x.job_id = j.id AND x.until_position IS NULL OFFSET 0) AS r
CROSS JOIN LATERAL (SELECT count(*) AS count FROM picture_like AS x WHERE x.program_id = @program_id AND x.job_id = j.id OFFSET 0) AS l
WHERE j.program_id = @program_id AND NOT j.void AND j.state = 'sent_in' AND (r.asked_count > 0 OR l.count > 0)
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY j.state_since, j.id
LIMIT @limit`

// Jobs with a hazard that nobody has read, by how long ago it came: the kinds of
// all that its visits tell.
const worklistHazardSQL = `
SELECT j.hazard_since AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, coalesce(h.kinds, '') AS word, count(*) OVER () AS total
FROM job AS j
CROSS JOIN LATERAL (SELECT string_agg(DISTINCT replace(x.kind, '_', ' '), ', ' ORDER BY replace(x.kind, '_', ' ')) AS kinds FROM entry AS e,
        jsonb_to_recordset(e.body::jsonb -> 'hazards') AS x(kind text)
    WHERE e.program_id = @program_id AND e.job_id = j.id AND e.kind = 'visit' AND e.until_position IS NULL AND e.voided_at IS NULL OFFSET 0) AS h
WHERE j.program_id = @program_id AND j.hazard_since < @before AND (@from::timestamptz IS NULL OR j.hazard_since >= @from) AND NOT j.void
ORDER BY j.hazard_since, j.id
LIMIT @limit`

const worklistCallBackSQL = `
SELECT NULL::timestamptz AS since_at, e.body::jsonb ->> 'reported_on' AS on_day, e.record_id AS id, e.job_id, j.contractor_id, '' AS word,
    count(*) OVER () AS total
FROM job AS j
JOIN entry AS e ON e.program_id = j.program_id AND e.job_id = j.id AND e.kind = 'call_back' AND e.until_position IS NULL AND e.voided_at IS NULL
WHERE j.program_id = @program_id AND j.called_back AND NOT j.void AND NOT e.body::jsonb ? 'closed_on'
    AND (@contractor_id::uuid IS NULL OR j.contractor_id = @contractor_id)
ORDER BY e.body::jsonb ->> 'reported_on', e.record_id
LIMIT @limit`

// Contractors, people, papers and instruments as they stand: they grow with the
// people of a program, not with its homes.
const worklistPaperSQL = `
    paper AS MATERIALIZED (
    SELECT e.kind, e.record_id AS id, e.contractor_id, e.body::jsonb AS body
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind IN ('contractor', 'crew_member', 'credential', 'instrument')
        AND e.until_position IS NULL AND e.voided_at IS NULL
)`

// Papers whose last day lies in a range, of who is still there, and without a
// later paper of the same kind. Lapsed ones only where their contractor has
// open jobs.
const worklistCredentialSQL = `
WITH` + worklistPaperSQL + `
SELECT NULL::timestamptz AS since_at, c.body ->> 'valid_until_on' AS on_day, c.id, NULL::uuid AS job_id, f.id AS contractor_id,
    c.body ->> 'credential' AS word, count(*) OVER () AS total
FROM paper AS c
LEFT JOIN paper AS m ON m.kind = 'crew_member' AND m.id = (c.body ->> 'crew_member_id')::uuid
JOIN paper AS f ON f.kind = 'contractor' AND f.id = coalesce((c.body ->> 'contractor_id')::uuid, (m.body ->> 'contractor_id')::uuid)
WHERE c.kind = 'credential' AND c.body ->> 'valid_until_on' <= @last_day AND (@first_day::text IS NULL OR c.body ->> 'valid_until_on' >= @first_day)
    AND (m.id IS NULL OR coalesce(m.body ->> 'left_on' >= @today, true))
    AND coalesce(f.body ->> 'ended_on' >= @today, true)
    AND NOT EXISTS (SELECT FROM paper AS n
        WHERE n.kind = 'credential' AND n.body ->> 'credential' = c.body ->> 'credential' AND n.id <> c.id
            AND n.body -> 'crew_member_id' IS NOT DISTINCT FROM c.body -> 'crew_member_id'
            AND n.body -> 'contractor_id' IS NOT DISTINCT FROM c.body -> 'contractor_id'
            AND coalesce(n.body ->> 'valid_until_on' > c.body ->> 'valid_until_on', true))
    AND (@first_day::text IS NOT NULL OR EXISTS (SELECT FROM job AS j
        WHERE j.program_id = @program_id AND j.contractor_id = f.id AND j.open))
    AND (@contractor_id::uuid IS NULL OR f.id = @contractor_id)
ORDER BY c.body ->> 'valid_until_on', c.id
LIMIT @limit`

// The same for calibrations. An instrument of the agency's own is in use where
// an open job was read with it.
const worklistCalibrationSQL = `
WITH` + worklistPaperSQL + `
SELECT NULL::timestamptz AS since_at, i.body ->> 'calibrated_until_on' AS on_day, i.id, NULL::uuid AS job_id, i.contractor_id,
    i.body ->> 'instrument' AS word, count(*) OVER () AS total
FROM paper AS i
LEFT JOIN paper AS f ON f.kind = 'contractor' AND f.id = i.contractor_id
WHERE i.kind = 'instrument' AND coalesce(i.body ->> 'retired_on' > @today, true) AND i.body ->> 'calibrated_until_on' <= @last_day AND (@first_day::text IS NULL OR i.body ->> 'calibrated_until_on' >= @first_day)
    AND (i.contractor_id IS NULL OR f.id IS NOT NULL AND coalesce(f.body ->> 'ended_on' >= @today, true))
    AND (@first_day::text IS NOT NULL
        OR EXISTS (SELECT FROM job AS j WHERE j.program_id = @program_id AND j.contractor_id = i.contractor_id AND j.open)
        OR EXISTS (SELECT FROM job_instrument AS x WHERE x.program_id = @program_id AND x.instrument_id = i.id))
    AND (@contractor_id::uuid IS NULL OR i.contractor_id = @contractor_id)
ORDER BY i.body ->> 'calibrated_until_on', i.id
LIMIT @limit`

// Devices of which nothing was heard since before a moment, while their
// contractor has open jobs. One that never spoke is silent since it was recorded.
const worklistDeviceSQL = `
SELECT x.heard_at AS since_at, NULL::text AS on_day, d.id, NULL::uuid AS job_id, d.contractor_id, '' AS word, count(*) OVER () AS total
FROM device AS d
CROSS JOIN LATERAL (SELECT greatest(d.last_pull_at, d.last_push_at, d.created_at) AS heard_at) AS x
WHERE d.program_id = @program_id AND NOT d.void AND d.state = 'active' AND x.heard_at < @since
    AND EXISTS (SELECT FROM job AS j WHERE j.program_id = d.program_id AND j.contractor_id = d.contractor_id AND j.open)
    AND (@contractor_id::uuid IS NULL OR d.contractor_id = @contractor_id)
ORDER BY x.heard_at, d.id
LIMIT @limit`

// A job that was opened again and accepted since is decided.
const worklistInspectionFailedSQL = `
SELECT j.inspection_failed_at AS since_at, NULL::text AS on_day, j.id, j.id AS job_id, j.contractor_id, '' AS word, count(*) OVER () AS total
FROM job AS j
WHERE j.program_id = @program_id AND j.inspection_failed_at IS NOT NULL AND j.state = 'accepted' AND NOT j.void AND j.inspection_failed_at >= j.state_since
ORDER BY j.inspection_failed_at, j.id
LIMIT @limit`

const worklistInspectionSQL = `
SELECT i.drawn_at AS since_at, NULL::text AS on_day, i.job_id AS id, i.job_id, j.contractor_id,
    CASE WHEN i.during_work THEN 'during_work' ELSE '' END AS word, count(*) OVER () AS total
FROM inspection_draw AS i
JOIN job AS j ON j.program_id = i.program_id AND j.id = i.job_id
WHERE i.program_id = @program_id AND i.closed_at IS NULL AND NOT j.void
    AND (@inspector_id::uuid IS NULL OR i.inspector_id IS NULL OR i.inspector_id = @inspector_id)
ORDER BY i.drawn_at, i.job_id
LIMIT @limit`
