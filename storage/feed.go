package storage

import (
	"context"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/ledger"
)

// Place is where a reader of the feed stands: all items up to it, in the order
// of effective position and then position, are known to it.
type Place struct {
	Effective int64
	Position  int64
}

// FeedQuery asks for the next page of the feed.
type FeedQuery struct {
	After   Place
	Limit   int
	Kinds   []domain.Kind // nil: all
	Newest  bool          // each record once, in its newest version; scoped roles always get that
	History History
}

// FeedItem is an entry, or the order to drop a job.
type FeedItem struct {
	Place      Place
	Entry      *domain.Entry
	Resident   *Resident
	DropJob    domain.UUID
	DropHome   domain.UUID // of the job
	DropReason string
}

// Feed is one page.
type Feed struct {
	Head  Head
	Items []FeedItem
	Next  Place
	Point Point // of Next; without a link where Next is where the reader stood
	More  bool
}

type feedRow struct {
	seenRow
	Effective int64
}

const feedWholeSQL = `
SELECT` + EntryColumns + `, e.position AS effective` + residentColumns + `
FROM entry AS e` + residentJoinSQL + `
WHERE e.program_id = @program_id AND e.position > @position
    AND (@kinds::text[] IS NULL OR e.kind = ANY (@kinds)) AND (NOT @newest::boolean OR e.until_position IS NULL)
ORDER BY e.position
LIMIT @limit`

// How far one step can reach: the newest position of the job whose news is the
// so-many-th past the cursor. Up to there every record is in a job that was granted
// up to there; without it each step would read all jobs that are still to come.
// Absent when fewer jobs have news.
const feedBoundSQL = `
SELECT max(b.news) AS bound
FROM (
    SELECT a.news FROM (
        (SELECT greatest(s.granted_position, s.last_position) AS news FROM job_scope AS s
        WHERE s.program_id = @program_id AND @role <> 'inspector' AND s.contractor_id = @contractor_id AND s.open
            AND greatest(s.granted_position, s.last_position) > @effective
        ORDER BY greatest(s.granted_position, s.last_position) LIMIT @jobs)
        UNION ALL
        (SELECT greatest(s.ended_position, s.last_position) FROM job_scope AS s
        WHERE s.program_id = @program_id AND @role = 'contractor' AND s.contractor_id = @contractor_id AND NOT s.open
            AND s.reason = 'accepted' AND greatest(s.ended_position, s.last_position) > @effective
        ORDER BY greatest(s.ended_position, s.last_position) LIMIT @jobs)
    ) AS a
    ORDER BY a.news LIMIT @jobs
) AS b
HAVING count(*) = @jobs`

// The newest versions that a scoped caller may see, each at its effective
// position: what its contractor was given later counts from then on. Read are
// the jobs with news up to the bound, and of those with later news the ones
// that were granted up to there. The bound is the greatest number where there is
// none: coalesce is not leakproof, so that no comparison with it reaches an index.
const feedScopedSQL = `
WITH bound AS MATERIALIZED (
    SELECT coalesce((` + feedBoundSQL + `), 9223372036854775807) AS bound
), seen AS (
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role <> 'inspector' AND s.contractor_id = @contractor_id AND s.open
        AND greatest(s.granted_position, s.last_position) >= @effective
        AND greatest(s.granted_position, s.last_position) <= (SELECT bound FROM bound)
    UNION ALL
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role <> 'inspector' AND s.contractor_id = @contractor_id AND s.open
        AND (SELECT bound FROM bound) < 9223372036854775807
        AND s.granted_position <= (SELECT bound FROM bound) AND s.last_position > (SELECT bound FROM bound)
    UNION ALL
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role = 'contractor' AND s.contractor_id = @contractor_id AND NOT s.open AND s.reason = 'accepted'
        AND greatest(s.ended_position, s.last_position) >= @effective
        AND greatest(s.ended_position, s.last_position) <= (SELECT bound FROM bound)
    UNION ALL
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role = 'contractor' AND s.contractor_id = @contractor_id AND NOT s.open AND s.reason = 'accepted'
        AND (SELECT bound FROM bound) < 9223372036854775807
        AND s.granted_position <= (SELECT bound FROM bound) AND greatest(s.ended_position, s.last_position) > (SELECT bound FROM bound)
    UNION ALL
    SELECT d.job_id, d.granted_position FROM inspection_draw AS d
    WHERE d.program_id = @program_id AND @role = 'inspector' AND` + InspectsSQL + `
), found AS (
    SELECT greatest(h.position, s.granted_position) AS effective, h.position, h.kind
    FROM seen AS s
    CROSS JOIN LATERAL (SELECT x.position, x.kind FROM entry AS x
        WHERE x.program_id = @program_id AND x.job_id = s.job_id AND x.until_position IS NULL OFFSET 0) AS h
    UNION ALL
    SELECT max(greatest(h.position, s.granted_position)), h.position, h.kind
    FROM seen AS s
    CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = s.job_id OFFSET 0) AS j
    CROSS JOIN LATERAL (SELECT x.position, x.kind FROM entry AS x
        WHERE x.program_id = @program_id AND x.kind = 'home' AND x.record_id = j.home_id AND x.until_position IS NULL OFFSET 0) AS h
    GROUP BY h.position, h.kind
    UNION ALL
    SELECT x.position, x.position, x.kind FROM entry AS x
    WHERE x.program_id = @program_id AND x.job_id IS NULL AND x.contractor_id = @contractor_id AND x.until_position IS NULL
        AND x.position > @effective
    UNION ALL
    SELECT h.position, h.position, h.kind FROM (VALUES ('rule_set'), ('instrument')) AS k(kind)
    CROSS JOIN LATERAL (SELECT x.position, x.kind FROM entry AS x
        WHERE x.program_id = @program_id AND x.job_id IS NULL AND x.contractor_id IS NULL AND x.kind = k.kind AND x.until_position IS NULL
            AND x.position > @effective OFFSET 0) AS h
), page AS (
    SELECT f.effective, f.position FROM found AS f
    WHERE (f.effective, f.position) > (@effective::bigint, @position::bigint)
        AND f.effective <= (SELECT bound FROM bound)
        AND (@role <> 'contractor' OR f.kind <> 'photo') AND (@kinds::text[] IS NULL OR f.kind = ANY (@kinds))
    ORDER BY f.effective, f.position
    LIMIT @limit
)
SELECT` + entryNames + `, h.effective` + residentColumns + `
FROM page AS h
CROSS JOIN LATERAL (SELECT` + EntryColumns + ` FROM entry AS e WHERE e.program_id = @program_id AND e.position = h.position OFFSET 0) AS e` + residentJoinSQL + `
ORDER BY h.effective, h.position`

type boundRow struct{ Bound int64 }

type dropRow struct {
	JobID         [16]byte
	HomeID        [16]byte
	EndedPosition int64
	Reason        string
}

// Jobs that left the scope. A device that starts has none to drop; a
// contractor keeps what was accepted.
const feedDropsSQL = `
SELECT s.job_id, j.home_id, s.ended_position, s.reason FROM job_scope AS s
JOIN job AS j ON j.program_id = s.program_id AND j.id = s.job_id
WHERE s.program_id = @program_id AND s.contractor_id = @contractor_id AND NOT s.open AND NOT @starts
    AND s.ended_position > @effective AND (@role <> 'contractor' OR s.reason <> 'accepted')
ORDER BY s.ended_position, s.job_id
LIMIT @limit`

// Jobs that left an inspector's scope: the inspection is finished, or the job void.
const feedInspectorDropsSQL = `
SELECT d.job_id, j.home_id, d.ended_position, 'ended' AS reason FROM inspection_draw AS d
JOIN job AS j ON j.program_id = d.program_id AND j.id = d.job_id
WHERE d.program_id = @program_id AND d.closed_at IS NOT NULL AND NOT @starts AND d.ended_position > @effective
    AND (d.inspector_id IS NULL OR d.inspector_id = @person_id)
ORDER BY d.ended_position, d.job_id
LIMIT @limit`

// feedJobs is how many jobs the first step towards a page looks at, each next one
// at twice as many: a whole job is some forty records.
const feedJobs = 8

// Changes reads the next page of what the caller may see, in one snapshot: step
// by step, until it is full or nothing more has news.
func (db *DB) Changes(ctx context.Context, caller domain.Caller, q FeedQuery) (page Feed, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		var kinds []string
		for _, k := range q.Kinds {
			kinds = append(kinds, string(k))
		}
		stored := t.readHistory(&q.History)
		page = Feed{Next: q.After, More: true}
		for jobs := feedJobs; page.More && len(page.Items) < q.Limit; jobs *= 2 {
			step := q
			step.After, step.Limit = page.Next, q.Limit-len(page.Items)
			next, err := t.feedPage(caller, step, scopeArgs(caller, Args{"effective": step.After.Effective, "position": step.After.Position,
				"limit": step.Limit + 1, "jobs": jobs, "kinds": kinds, "newest": q.Newest,
				"starts": q.After.Effective == 0}))
			if err != nil {
				return err
			}
			page.Items, page.Next, page.More = append(page.Items, next.Items...), next.Next, next.More
		}
		if err := q.History.compare(stored); err != nil {
			return err
		}
		var link ledger.Digest
		if page.Head = stored.head(); page.Next != q.After {
			link, err = t.linkAt(page.Next.Effective)
		}
		page.Point = pointAt(page.Head.Epoch, page.Next.Effective, link)
		return err
	})
	return page, db.afterLoss(ctx, caller, err)
}

// feedPage reads one page. It may be empty though more lies behind its bound.
func (t *Tx) feedPage(caller domain.Caller, q FeedQuery, args Args) (Feed, error) {
	var rows []feedRow
	var drops []dropRow
	var bounds []boundRow
	if caller.Scoped() {
		All(t, &bounds, feedBoundSQL, args)
		All(t, &rows, feedScopedSQL, args)
		switch {
		case q.Kinds != nil:
		case caller.Role == domain.Inspector:
			All(t, &drops, feedInspectorDropsSQL, args)
		default:
			All(t, &drops, feedDropsSQL, args)
		}
	} else {
		All(t, &rows, feedWholeSQL, args)
	}
	if err := t.Flush(); err != nil {
		return Feed{}, err
	}
	if len(bounds) == 0 {
		return feedOf(rows, drops, q)
	}
	bound := bounds[0].Bound
	page, err := feedOf(rows, slices.DeleteFunc(drops, func(d dropRow) bool { return d.EndedPosition > bound }), q)
	if err == nil && !page.More {
		page.Next, page.More = Place{bound, bound}, true
	}
	return page, err
}

// feedOf merges entries and drops in their order and cuts them at the limit.
func feedOf(rows []feedRow, drops []dropRow, q FeedQuery) (page Feed, err error) {
	page.Next = q.After
	for len(rows)+len(drops) > 0 {
		if len(page.Items) == q.Limit {
			page.More = true
			break
		}
		var item FeedItem
		if len(rows) == 0 || len(drops) > 0 && drops[0].EndedPosition < rows[0].Effective {
			d := drops[0]
			drops = drops[1:]
			item = FeedItem{Place: Place{d.EndedPosition, d.EndedPosition}, DropJob: d.JobID, DropHome: d.HomeID, DropReason: d.Reason}
		} else {
			r := &rows[0]
			rows = rows[1:]
			seen, err := r.seen()
			if err != nil {
				return page, err
			}
			item = FeedItem{Place: Place{r.Effective, r.Position}, Entry: &seen.Entry, Resident: seen.Resident}
		}
		page.Items = append(page.Items, item)
		page.Next = item.Place
	}
	return page, nil
}

const linkAtSQL = `SELECT link FROM entry WHERE program_id = @program_id AND position = @position`

// linkAt is the chain's link at a position; zero at the beginning and where
// there is no such position.
func (t *Tx) linkAt(position int64) (ledger.Digest, error) {
	var rows []struct{ Link []byte }
	All(t, &rows, linkAtSQL, Args{"program_id": t.Program, "position": position})
	if err := t.Flush(); err != nil || len(rows) == 0 {
		return ledger.Digest{}, err
	}
	return ledger.Digest(rows[0].Link), nil
}

// Numbers only, across programs: what wakes those who wait for news.
const positionsSQL = `
SELECT program_id, position FROM program_head WHERE program_id IS NOT NULL`

// Positions reads where each program's ledger stands.
func (db *DB) Positions(ctx context.Context) (map[domain.UUID]int64, error) {
	var rows []struct {
		ProgramID [16]byte
		Position  int64
	}
	err := db.In(ctx, domain.UUID{}, Reading, func(t *Tx) error {
		All(t, &rows, positionsSQL)
		return nil
	})
	positions := make(map[domain.UUID]int64, len(rows))
	for _, r := range rows {
		positions[r.ProgramID] = r.Position
	}
	return positions, err
}

// A Moment is a position of the ledger with the time at which it was recorded.
type Moment struct {
	Position   int64
	RecordedAt time.Time
}

const momentSQL = `
SELECT position, recorded_at FROM entry
WHERE program_id = @program_id
    AND position = (SELECT coalesce(@position::bigint, h.position) FROM program_head AS h WHERE h.program_id = @program_id)` // beside position itself coalesce would keep it from the key

// QueueMoment queues the look-up of a position, of the head when 0; *into stays
// nil when the ledger has no such position.
func (t *Tx) QueueMoment(into **Moment, position int64) {
	One(t, into, momentSQL, Args{"program_id": t.Program, "position": OrNull(position)})
}

// Start is what a device needs to begin.
type Start struct {
	Head     Head
	HeldOpen int
	Device   *domain.Device
	Jobs     []JobSum
}

// JobSum tells a device whether its copy of a job is whole.
type JobSum struct {
	JobID    domain.UUID
	Number   int64
	State    domain.JobState
	Count    int
	Checksum ledger.Checksum
}

type sumRow struct {
	JobID    [16]byte
	Number   int64
	State    string
	Kind     string
	RecordID [16]byte
	Version  int64
}

// The newest entries of the caller's open jobs, voided ones too.
const syncSumsSQL = `
SELECT s.job_id, j.number, j.state, h.kind, h.record_id, h.version
FROM job_scope AS s
CROSS JOIN LATERAL (SELECT x.number, x.state FROM job AS x WHERE x.program_id = @program_id AND x.id = s.job_id OFFSET 0) AS j
CROSS JOIN LATERAL (SELECT x.kind, x.record_id, x.version FROM entry AS x
    WHERE x.program_id = @program_id AND x.job_id = s.job_id AND x.until_position IS NULL OFFSET 0) AS h
WHERE s.program_id = @program_id AND s.contractor_id = @contractor_id AND s.open AND (@role <> 'contractor' OR h.kind <> 'photo')
ORDER BY s.job_id`

// Sync reads, in one snapshot, where the program stands and what the
// caller's copy of each open job must come to.
func (db *DB) Sync(ctx context.Context, caller domain.Caller) (start Start, err error) {
	err = db.In(ctx, caller.Program, Snapshot, func(t *Tx) error {
		var heads []headRow
		var held []countRow
		var rows []sumRow
		var devices []seenRow
		args := scopeArgs(caller, Args{"kind": string(domain.DeviceKind), "id": caller.Device})
		All(t, &heads, headSQL, args)
		t.countHeldOpen(&held, caller)
		if !caller.Contractor.IsZero() {
			All(t, &rows, syncSumsSQL, args)
		}
		if !caller.Device.IsZero() {
			All(t, &devices, recordSQL, args)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		start.Head, start.HeldOpen = heads[0].head(), int(held[0].Count)
		for _, r := range rows {
			n := len(start.Jobs)
			if n == 0 || start.Jobs[n-1].JobID != domain.UUID(r.JobID) {
				start.Jobs = append(start.Jobs, JobSum{JobID: r.JobID, Number: r.Number, State: domain.JobState(r.State)})
				n++
			}
			sum := &start.Jobs[n-1]
			sum.Count++
			sum.Checksum = sum.Checksum.Add(domain.Kind(r.Kind), r.RecordID, r.Version)
		}
		if len(devices) == 1 {
			e, err := devices[0].Entry(true)
			if err != nil {
				return err
			}
			start.Device = e.Record.(*domain.Device)
		}
		return nil
	})
	return start, err
}

const jobEntriesSQL = `
WITH e AS MATERIALIZED (SELECT e.program_id,` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.job_id = @id AND e.until_position IS NULL)
SELECT` + entryNames + `
FROM e
WHERE` + visibleSQL + `
ORDER BY e.record_id`

// JobEntries reads one job whole: the newest version of each of its records.
func (db *DB) JobEntries(ctx context.Context, caller domain.Caller, id domain.UUID) (list []domain.Entry, err error) {
	var rows []EntryRow
	err = db.In(ctx, caller.Program, Reading, func(t *Tx) error {
		All(t, &rows, jobEntriesSQL, scopeArgs(caller, Args{"id": id}))
		return nil
	})
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, NotFound(domain.JobKind)
	}
	slices.SortStableFunc(rows, func(a, b EntryRow) int { return domain.Kind(a.Kind).Rank() - domain.Kind(b.Kind).Rank() })
	return Entries(rows, false)
}

// LinkAt is the chain's link at a position; of one that is not there an error.
func (db *DB) LinkAt(ctx context.Context, program domain.UUID, position int64) (link ledger.Digest, err error) {
	err = db.In(ctx, program, Reading, func(t *Tx) error {
		link, err = t.linkAt(position)
		return err
	})
	if err == nil && link == (ledger.Digest{}) && position > 0 {
		err = domain.Errorf(domain.NotFound, "there is no position %d", position)
	}
	return link, err
}
