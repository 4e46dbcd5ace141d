package storage

import (
	"context"
	"slices"

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

const residentColumns = `, r.name, r.phone, r.street`

const feedWholeSQL = `
SELECT` + ledgerColumns + `, l.position AS effective` + residentColumns + `
FROM ledger AS l` + residentJoinSQL + `
WHERE l.program_id = @program_id AND l.position > @position
    AND (@kinds::text[] IS NULL OR l.kind::text = ANY (@kinds))
    AND (NOT @newest::boolean OR EXISTS (SELECT FROM record_head AS h
        WHERE h.program_id = l.program_id AND h.kind = l.kind AND h.record_id = l.record_id AND h.version = l.version))
ORDER BY l.position
LIMIT @limit`

// How far one page can reach: the newest position of the job whose news is the
// limit-th past the cursor. Up to there every record is in a job that was granted
// up to there; without it each page would read all jobs that are still to come.
// Absent when fewer jobs have news.
const feedBoundSQL = `
SELECT max(b.news) AS bound
FROM (
    SELECT a.news FROM (
        (SELECT greatest(s.granted_position, s.last_position) AS news FROM job_scope AS s
        WHERE s.program_id = @program_id AND @role <> 'inspector' AND s.contractor_id = @contractor_id AND s.open
            AND greatest(s.granted_position, s.last_position) > @effective
        ORDER BY greatest(s.granted_position, s.last_position) LIMIT @limit)
        UNION ALL
        (SELECT greatest(s.ended_position, s.last_position) FROM job_scope AS s
        WHERE s.program_id = @program_id AND @role = 'contractor' AND s.contractor_id = @contractor_id AND NOT s.open
            AND s.reason = 'accepted' AND greatest(s.ended_position, s.last_position) > @effective
        ORDER BY greatest(s.ended_position, s.last_position) LIMIT @limit)
    ) AS a
    ORDER BY a.news LIMIT @limit
) AS b
HAVING count(*) = @limit`

// The newest versions that a scoped caller may see, each at its effective
// position: what its contractor was given later counts from then on. Only jobs
// with news past the cursor are read, by the index job_scope_news.
const feedScopedSQL = `
WITH bound AS MATERIALIZED (` + feedBoundSQL + `
), seen AS (
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role <> 'inspector' AND s.contractor_id = @contractor_id AND s.open
        AND greatest(s.granted_position, s.last_position) >= @effective
        AND s.granted_position <= coalesce((SELECT bound FROM bound), s.granted_position)
    UNION ALL
    SELECT s.job_id, s.granted_position FROM job_scope AS s
    WHERE s.program_id = @program_id AND @role = 'contractor' AND s.contractor_id = @contractor_id AND NOT s.open
        AND s.reason = 'accepted' AND greatest(s.ended_position, s.last_position) >= @effective
        AND s.granted_position <= coalesce((SELECT bound FROM bound), s.granted_position)
    UNION ALL
    SELECT d.job_id, d.granted_position FROM inspection_draw AS d
    WHERE d.program_id = @program_id AND @role = 'inspector' AND d.closed_at IS NULL
), found AS (
    SELECT greatest(h.position, s.granted_position) AS effective, h.position, h.kind
    FROM seen AS s
    CROSS JOIN LATERAL (SELECT x.position, x.kind FROM record_head AS x WHERE x.program_id = @program_id AND x.job_id = s.job_id OFFSET 0) AS h
    UNION ALL
    SELECT max(greatest(h.position, s.granted_position)), h.position, h.kind
    FROM seen AS s
    CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = s.job_id OFFSET 0) AS j
    CROSS JOIN LATERAL (SELECT x.position, x.kind FROM record_head AS x
        WHERE x.program_id = @program_id AND x.kind = 'home' AND x.record_id = j.home_id OFFSET 0) AS h
    GROUP BY h.position, h.kind
    UNION ALL
    SELECT x.position, x.position, x.kind FROM record_head AS x
    WHERE x.program_id = @program_id AND x.job_id IS NULL AND x.contractor_id = @contractor_id AND x.position > @effective
    UNION ALL
    SELECT x.position, x.position, x.kind FROM record_head AS x
    WHERE x.program_id = @program_id AND x.job_id IS NULL AND x.contractor_id IS NULL AND x.kind IN ('rule_set', 'instrument')
        AND x.position > @effective
), page AS (
    SELECT f.effective, f.position FROM found AS f
    WHERE (f.effective, f.position) > (@effective::bigint, @position::bigint)
        AND f.effective <= coalesce((SELECT bound FROM bound), f.effective)
        AND (@role <> 'contractor' OR f.kind <> 'photo') AND (@kinds::text[] IS NULL OR f.kind::text = ANY (@kinds))
    ORDER BY f.effective, f.position
    LIMIT @limit
)
SELECT` + ledgerColumns + `, h.effective` + residentColumns + `
FROM page AS h` + ledgerAtSQL + residentJoinSQL + `
ORDER BY h.effective, h.position`

type boundRow struct{ Bound int64 }

type dropRow struct {
	JobID         [16]byte
	EndedPosition int64
	Reason        string
}

// Jobs that left the scope. A device that starts has none to drop; a
// contractor keeps what was accepted.
const feedDropsSQL = `
SELECT s.job_id, s.ended_position, s.reason FROM job_scope AS s
WHERE s.program_id = @program_id AND s.contractor_id = @contractor_id AND NOT s.open AND @effective::bigint > 0
    AND s.ended_position > @effective AND (@role <> 'contractor' OR s.reason <> 'accepted')
ORDER BY s.ended_position, s.job_id
LIMIT @limit`

// Changes reads the next page of what the caller may see, in one snapshot.
func (db *DB) Changes(ctx context.Context, caller domain.Caller, q FeedQuery) (page Feed, err error) {
	err = db.in(ctx, caller.Program, snapshot, func(t *tx) error {
		asked, q := q.After, q
		var kinds []string
		for _, k := range q.Kinds {
			kinds = append(kinds, string(k))
		}
		args := scopeArgs(caller, named{"effective": q.After.Effective, "position": q.After.Position, "limit": q.Limit + 1, "kinds": kinds,
			"newest": q.Newest})
		stored := t.readHistory(&q.History)
		for {
			if page, err = t.feedPage(caller, q, args); err != nil {
				return err
			}
			if len(page.Items) > 0 || !page.More {
				break
			}
			q.After = page.Next // what lay up to the bound is not for the caller
			args["effective"], args["position"] = q.After.Effective, q.After.Position
		}
		if err := q.History.compare(stored); err != nil {
			return err
		}
		var link ledger.Digest
		if page.Head = stored.head(); page.Next != asked {
			link, err = t.linkAt(page.Next.Effective)
		}
		page.Point = pointAt(page.Head.Epoch, page.Next.Effective, link)
		return err
	})
	return page, db.afterLoss(ctx, caller, err)
}

// feedPage reads one page. It may be empty though more lies behind its bound.
func (t *tx) feedPage(caller domain.Caller, q FeedQuery, args named) (Feed, error) {
	var rows []feedRow
	var drops []dropRow
	var bounds []boundRow
	if caller.Scoped() {
		all(t, &bounds, feedBoundSQL, args)
		all(t, &rows, feedScopedSQL, args)
		if q.Kinds == nil && caller.Role != domain.Inspector {
			all(t, &drops, feedDropsSQL, args)
		}
	} else {
		all(t, &rows, feedWholeSQL, args)
	}
	if err := t.flush(); err != nil {
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
			item = FeedItem{Place: Place{d.EndedPosition, d.EndedPosition}, DropJob: d.JobID, DropReason: d.Reason}
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

const linkAtSQL = `SELECT link FROM ledger WHERE program_id = @program_id AND position = @position`

// linkAt is the chain's link at a position; zero at the beginning and where
// there is no such position.
func (t *tx) linkAt(position int64) (ledger.Digest, error) {
	var rows []struct{ Link []byte }
	all(t, &rows, linkAtSQL, named{"program_id": t.program, "position": position})
	if err := t.flush(); err != nil || len(rows) == 0 {
		return ledger.Digest{}, err
	}
	return ledger.Digest(rows[0].Link), nil
}
