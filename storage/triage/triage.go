// Package triage reads the homes that wait, in the order of law and program, and the load
// of the contractors.
package triage

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"ductledger/domain"
	"ductledger/domain/triage"
	"ductledger/storage"
)

// Page is one of the homes that wait, with what stands beside them.
type Page struct {
	AsOfAt      time.Time
	Points      [5]int // of domain.PriorityFacts
	StartFrom   float64
	Homes       []Waiting
	More        bool
	Contractors []Load
	NothingToDo Visited
}

// Waiting is a home that waits.
type Waiting struct {
	ApplicationID domain.UUID
	HomeID        domain.UUID
	Application   *domain.Application
	Points        int
	WaitingDays   int
	Class         string
	Expected      triage.Expected
	Treated       []Treated
}

// Treated is an earlier job at the same home, or at one with the same street.
type Treated struct {
	JobID      domain.UUID
	HomeID     domain.UUID
	AcceptedAt time.Time
	ByStreet   bool
}

// Load is what a contractor has open.
type Load struct {
	ContractorID domain.UUID
	Name         string
	Open, Assigned, InWork, SentIn, Returned,
	Overdue, Reassigned int
	NextDueOn domain.Date // of what is not sent in
}

// Visited are the last homes in which a crew was, and those of them with nothing to do.
type Visited struct{ Homes, NothingToDo int }

type waitingRow struct {
	ApplicationID [16]byte
	HomeID        [16]byte
	Priority      int32
	AppliedOn     time.Time
	Points        int32
	Application   string
	Home          *string
}

// The homes that wait, by the points of their facts: of each combination of facts no more
// than a page is looked at, in the order of their days. The place after which the page
// begins is an application's, whatever became of it since.
const waitingSQL = `
WITH last AS MATERIALIZED (
    SELECT w.priority, w.applied_on, w.application_id FROM waiting_home AS w WHERE w.program_id = @program_id AND w.application_id = @after
), mask AS MATERIALIZED (
    SELECT m.priority, m.points FROM unnest(@priorities::int[], @points::int[]) AS m(priority, points)
), since AS MATERIALIZED (
    SELECT m.points, l.applied_on, l.application_id FROM last AS l JOIN mask AS m ON m.priority = l.priority
), found AS (
    SELECT w.application_id, w.home_id, w.priority, w.applied_on, m.points
    FROM mask AS m
    CROSS JOIN LATERAL (SELECT x.application_id, x.home_id, x.priority, x.applied_on FROM waiting_home AS x
        WHERE x.program_id = @program_id AND x.priority = m.priority AND x.waiting AND x.job_id IS NULL
            AND (@after::uuid IS NULL OR m.points < (SELECT s.points FROM since AS s)
                OR m.points = (SELECT s.points FROM since AS s)
                    AND (x.applied_on, x.application_id) > ((SELECT s.applied_on FROM since AS s), (SELECT s.application_id FROM since AS s)))
        ORDER BY x.applied_on, x.application_id LIMIT @limit OFFSET 0) AS w
    ORDER BY m.points DESC, w.applied_on, w.application_id
    LIMIT @limit
)
SELECT f.application_id, f.home_id, f.priority, f.applied_on, f.points, a.body AS application, h.body AS home
FROM found AS f
CROSS JOIN LATERAL (SELECT e.body FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = 'application' AND e.record_id = f.application_id AND e.until_position IS NULL OFFSET 0) AS a
LEFT JOIN LATERAL (SELECT e.body FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = 'home' AND e.record_id = f.home_id AND e.until_position IS NULL OFFSET 0) AS h ON true
ORDER BY f.points DESC, f.applied_on, f.application_id`

type loadRow struct {
	ContractorID [16]byte
	Open         int64
	Assigned     int64
	InWork       int64
	SentIn       int64
	Returned     int64
	Overdue      int64
	Reassigned   int64
	NextDueOn    *time.Time
}

// What each contractor has open. Reassigned: another had it before.
const loadSQL = `
SELECT j.contractor_id, count(*) AS open, count(*) FILTER (WHERE j.state = 'assigned') AS assigned, count(*) FILTER (WHERE j.state = 'in_work') AS in_work,
    count(*) FILTER (WHERE j.state = 'sent_in') AS sent_in, count(*) FILTER (WHERE j.state = 'returned') AS returned,
    count(*) FILTER (WHERE j.state <> 'sent_in' AND j.due_on < @today::date) AS overdue,
    count(*) FILTER (WHERE EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = @program_id AND s.job_id = j.id AND NOT s.open AND s.reason = 'reassigned')) AS reassigned,
    min(j.due_on) FILTER (WHERE j.state <> 'sent_in') AS next_due_on
FROM job AS j
WHERE j.program_id = @program_id AND j.open
GROUP BY j.contractor_id`

// learnedHomes are the last homes from which is learned: enough for every class, and a
// bound on what is read.
const learnedHomes = 2000

type sealedRow struct {
	Class        string
	BeforeTenths int64
	AfterTenths  int64
}

const sealedSQL = `
SELECT r.class, r.before_tenths, r.after_tenths
FROM (SELECT x.class, x.before_tenths, x.after_tenths, x.excluded, x.quality, x.until_position FROM job_result AS x
    WHERE x.program_id = @program_id AND x.accepted_position IS NOT NULL AND x.counted_at < @now
    ORDER BY x.counted_at DESC, x.job_id DESC LIMIT @learned) AS r
WHERE r.until_position IS NULL AND r.before_tenths > 0 AND r.after_tenths IS NOT NULL AND NOT r.excluded AND r.quality IS DISTINCT FROM 'undecided'`

type visitedRow struct {
	Homes       int64
	NothingToDo int64
}

const visitedSQL = `
SELECT count(*) AS homes, count(*) FILTER (WHERE r.outcome = 'nothing_to_do') AS nothing_to_do
FROM (SELECT x.outcome FROM job_result AS x
    WHERE x.program_id = @program_id AND x.until_position IS NULL AND x.sent_in_at <= @now
    ORDER BY x.sent_in_at DESC LIMIT @learned) AS r
WHERE r.outcome IN ('completed', 'partial', 'nothing_to_do')`

// Read reads the homes that wait after an application, the first ones for the zero id.
func Read(ctx context.Context, db *storage.DB, program, after domain.UUID, limit int) (p Page, err error) {
	err = db.In(ctx, program, storage.Snapshot, func(t *storage.Tx) error {
		settings, err := t.Settings()
		if err != nil {
			return err
		}
		zone, err := settings.Zone()
		if err != nil {
			return err
		}
		set, err := t.RuleSetToday()
		if err != nil {
			return err
		}
		p = Page{AsOfAt: t.Now, Points: set.PriorityPoints()}
		if set.Triage != nil {
			p.StartFrom = storage.OrZero(set.Triage.StartFromCFM25)
		}
		today := domain.DateOf(t.Now, zone)
		priorities, points := masks(p.Points)
		args := storage.Args{"program_id": t.Program, "after": after, "priorities": priorities, "points": points, "limit": limit + 1,
			"today": string(today), "now": t.Now, "learned": learnedHomes}
		var rows []waitingRow
		var loads []loadRow
		var sealed []sealedRow
		var visited *visitedRow
		storage.All(t, &rows, waitingSQL, args)
		storage.All(t, &loads, loadSQL, args)
		storage.All(t, &sealed, sealedSQL, args)
		storage.One(t, &visited, visitedSQL, args)
		head := int64(0)
		var at *storage.Moment
		t.QueueMoment(&at, head)
		if err := t.Flush(); err != nil {
			return err
		}
		if p.More = len(rows) > limit; p.More {
			rows = rows[:limit]
		}
		p.NothingToDo = Visited{int(visited.Homes), int(visited.NothingToDo)}
		homes := make([]triage.Sealed, len(sealed))
		for i, r := range sealed {
			homes[i] = triage.Sealed{Class: r.Class, Before: float64(r.BeforeTenths) / 10, After: float64(r.AfterTenths) / 10}
		}
		if err := p.wait(rows, triage.Learn(homes), today); err != nil {
			return err
		}
		if err := p.treated(t); err != nil {
			return err
		}
		if at == nil {
			return nil // an empty ledger has no contractor
		}
		return p.load(t, loads, at.Position)
	})
	return p, err
}

// masks are all combinations of the facts with their points.
func masks(points [5]int) (priorities, sums []int32) {
	for mask := range int32(1 << len(points)) {
		sum := 0
		for i, n := range points {
			if mask>>i&1 == 1 {
				sum += n
			}
		}
		priorities, sums = append(priorities, mask), append(sums, int32(sum))
	}
	return priorities, sums
}

func (p *Page) wait(rows []waitingRow, known *triage.Experience, today domain.Date) error {
	for _, r := range rows {
		record, err := domain.Decode(domain.ApplicationKind, []byte(r.Application))
		if err != nil {
			return err
		}
		w := Waiting{ApplicationID: r.ApplicationID, HomeID: r.HomeID, Application: record.(*domain.Application), Points: int(r.Points)}
		if day, err := time.Parse(time.DateOnly, string(today)); err == nil {
			w.WaitingDays = max(0, int(day.Sub(r.AppliedOn)/(24*time.Hour)))
		}
		if r.Home != nil {
			home, err := domain.Decode(domain.HomeKind, []byte(*r.Home))
			if err != nil {
				return err
			}
			w.Class = home.(*domain.Home).Class()
		}
		w.Expected = known.Expect(w.Class, storage.OrZero(w.Application.ReadCFM25), p.StartFrom)
		p.Homes = append(p.Homes, w)
	}
	return nil
}

type streetRow struct {
	HomeID [16]byte
	Street string
}

const waitingStreetsSQL = `
SELECT r.home_id, r.street FROM resident AS r WHERE r.program_id = @program_id AND r.home_id = ANY (@homes::uuid[]) AND r.street IS NOT NULL`

type treatedRow struct {
	ForHomeID  [16]byte
	HomeID     [16]byte
	JobID      [16]byte
	AcceptedAt time.Time
}

// treatedAtMost bounds what is told of one home.
const treatedAtMost = 5

// Accepted jobs at the home itself, and at homes whose resident's street is the same.
const treatedSQL = `
SELECT f.for_home_id, f.home_id, r.job_id, r.accepted_at
FROM (
    SELECT h.id AS for_home_id, h.id AS home_id FROM unnest(@homes::uuid[]) AS h(id)
    UNION
    SELECT s.id, w.id FROM unnest(@street_homes::uuid[], @streets::text[]) AS s(id, street)
    CROSS JOIN LATERAL (SELECT x.id FROM word AS x
        WHERE x.program_id = @program_id AND x.kind = 'resident' AND x.word = s.street LIMIT @at_most OFFSET 0) AS w
) AS f
CROSS JOIN LATERAL (SELECT x.job_id, x.accepted_at FROM job_result AS x
    WHERE x.program_id = @program_id AND x.home_id = f.home_id AND x.accepted_position IS NOT NULL AND x.until_position IS NULL AND x.outcome IN ('completed', 'partial')
    ORDER BY x.accepted_at DESC LIMIT @at_most OFFSET 0) AS r
ORDER BY f.for_home_id, r.accepted_at DESC, r.job_id`

// treated finds homes that were sealed before.
func (p *Page) treated(t *storage.Tx) error {
	var ids []domain.UUID
	for _, w := range p.Homes {
		ids = append(ids, w.HomeID)
	}
	var streets []streetRow
	storage.All(t, &streets, waitingStreetsSQL, storage.Args{"program_id": t.Program, "homes": ids})
	if err := t.Flush(); err != nil {
		return err
	}
	var at []domain.UUID
	words := []string{}
	for _, r := range streets {
		if from := storage.WordsFrom(r.Street); len(from) > 1 { // a single word is no address
			at, words = append(at, r.HomeID), append(words, from[0])
		}
	}
	var rows []treatedRow
	storage.All(t, &rows, treatedSQL, storage.Args{"program_id": t.Program, "homes": ids, "street_homes": at, "streets": words, "at_most": treatedAtMost})
	if err := t.Flush(); err != nil {
		return err
	}
	for _, r := range rows {
		i := slices.IndexFunc(p.Homes, func(w Waiting) bool { return w.HomeID == r.ForHomeID })
		p.Homes[i].Treated = append(p.Homes[i].Treated, Treated{r.JobID, r.HomeID, r.AcceptedAt, r.HomeID != r.ForHomeID})
	}
	return nil
}

func (p *Page) load(t *storage.Tx, rows []loadRow, position int64) error {
	names, err := t.ContractorNames(position)
	if err != nil {
		return err
	}
	for _, r := range rows {
		l := Load{ContractorID: r.ContractorID, Name: names[r.ContractorID], Open: int(r.Open), Assigned: int(r.Assigned), InWork: int(r.InWork),
			SentIn: int(r.SentIn), Returned: int(r.Returned), Overdue: int(r.Overdue), Reassigned: int(r.Reassigned)}
		if r.NextDueOn != nil {
			l.NextDueOn = domain.Date(r.NextDueOn.Format(time.DateOnly))
		}
		p.Contractors = append(p.Contractors, l)
	}
	slices.SortFunc(p.Contractors, func(a, b Load) int {
		return cmp.Or(strings.Compare(a.Name, b.Name), a.ContractorID.Compare(b.ContractorID))
	})
	return nil
}
