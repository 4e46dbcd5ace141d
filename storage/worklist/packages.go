package worklist

import (
	"strconv"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/storage"
)

// due are the months that ended, with the funds whose package each should have.
type due struct{ months, funds, ended []string }

// dueMonths is how far back packages are looked for.
const dueMonths = 12

type firstRow struct{ AcceptedAt *time.Time }

const worklistFirstAcceptedSQL = `
SELECT (SELECT r.accepted_at FROM job_result AS r
    WHERE r.program_id = @program_id AND r.accepted_position IS NOT NULL ORDER BY r.accepted_at LIMIT 1) AS accepted_at`

// readDue finds the months that ended since the first acceptance, those of a year
// at most, each with its funds: a month without a job has a package too, since
// what happened in it to earlier ones stands there.
func readDue(t *storage.Tx, zone *time.Location) (d due, err error) {
	var first *firstRow
	var sets []*domain.RuleSet
	storage.One(t, &first, worklistFirstAcceptedSQL, storage.Args{"program_id": t.Program})
	t.QueueRuleSets(&sets, storage.Newest)
	if err := t.Flush(); err != nil || first == nil || first.AcceptedAt == nil {
		return d, err
	}
	oldest, now := domain.MonthOf(*first.AcceptedAt, zone), t.Now.In(zone)
	for back := dueMonths; back > 0; back-- {
		begin := time.Date(now.Year(), now.Month()-time.Month(back), 1, 0, 0, 0, 0, time.UTC)
		m := domain.MonthOf(begin, time.UTC)
		if m < oldest {
			continue
		}
		funds := month.FundsOf(sets, m).List
		if len(funds) < 2 {
			funds = []string{""}
		}
		for _, fund := range funds {
			d.months, d.funds, d.ended = append(d.months, string(m)), append(d.funds, fund), append(d.ended, begin.AddDate(0, 1, 0).Format(time.DateOnly))
		}
	}
	return d, nil
}

// Months of which no package stands that holds all of the month.
const worklistToBuildSQL = `
SELECT NULL::timestamptz AS since_at, k.day AS on_day, @program_id::uuid AS id, NULL::uuid AS job_id, NULL::uuid AS contractor_id,
    k.month || ' ' || k.fund AS word, count(*) OVER () AS total
FROM unnest(@months::text[], @funds::text[], @days::text[]) AS k(month, fund, day)
WHERE NOT EXISTS (SELECT FROM month_package AS p
    WHERE p.program_id = @program_id AND p.month = k.month AND p.fund_source = k.fund AND p.finished)
ORDER BY k.day, k.fund
LIMIT @limit`

// The newest revisions that hold and that nobody has released.
const worklistToReleaseSQL = `
SELECT p.built_at AS since_at, NULL::text AS on_day, @program_id::uuid AS id, NULL::uuid AS job_id, NULL::uuid AS contractor_id,
    p.month || ' ' || p.fund_source || ' ' || p.revision AS word, count(*) OVER () AS total
FROM month_package AS p
WHERE p.program_id = @program_id AND p.state = 'verified' AND NOT EXISTS (SELECT FROM month_package AS n
    WHERE n.program_id = @program_id AND n.month = p.month AND n.fund_source = p.fund_source AND n.revision > p.revision)
ORDER BY p.built_at, p.month, p.fund_source
LIMIT @limit`

// packageNamed takes a word of these statements apart.
func packageNamed(word string) (m domain.Month, fund string, revision int) {
	parts := strings.Split(word, " ")
	if len(parts) == 3 {
		revision, _ = strconv.Atoi(parts[2]) // a column of numbers made it
	}
	return domain.Month(parts[0]), parts[1], revision
}

func packageOf(word string) string {
	m, fund, _ := packageNamed(word)
	name := string(m)
	if at, err := time.Parse("2006-01", name); err == nil {
		name = at.Format("January 2006")
	}
	if fund != "" {
		name += " for " + plain(fund)
	}
	return name
}
