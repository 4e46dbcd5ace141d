package storage

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// Push is what a device or a person sends at once.
type Push struct {
	Items        []*intake.Item
	ReceivedAt   time.Time
	Hold         bool // what is not accepted is kept, with its bytes
	ValidateOnly bool // the same answer, nothing stored
	// HoldNoUnmatched leaves conflicts out of held: a PUT without If-Match is
	// answered 428 and nothing was contested.
	HoldNoUnmatched bool
	// Came are records for which held items wait: the items are taken along as if
	// the records came now.
	Came    []intake.Key
	Report  *DeviceReport
	History History
}

// Pushed is what became of it.
type Pushed struct {
	Head     Head // after the push; zero when nothing was accepted
	Epoch    domain.UUID
	Items    []PushedItem // in the order of Push.Items
	Jobs     []JobCounts
	HeldOpen int
}

// PushedItem is what became of one item.
type PushedItem struct {
	intake.Decision
	HeldID domain.UUID   // of what is kept
	Entry  *domain.Entry // the newest version, where the caller may see it and it matters
}

// JobCounts are the findings of one touched job.
type JobCounts struct {
	JobID domain.UUID
	rules.Counts
}

// Push judges every item by itself and accepts what can be accepted, in one
// transaction of three round trips: read under lock; lock the program's head;
// then all that carries a position, with the commit. What is wrong with an item
// is found before any statement writes.
func (db *DB) Push(ctx context.Context, caller domain.Caller, p Push) (Pushed, error) {
	plan := planOf(p.Items)
	plan.came = p.Came
	plan.order()
	for range len(p.Items) + maxWidenings {
		var out Pushed
		err := db.In(ctx, caller.Program, Writing, func(t *Tx) (err error) {
			out, err = t.push(caller, &p, plan)
			return err
		})
		var wider *wideningError
		if !errors.As(err, &wider) {
			return out, db.afterLoss(ctx, caller, err)
		}
		plan.widen(wider)
	}
	return Pushed{}, ErrBusy
}

// maxWidenings bounds how often a push may find that it touches more jobs.
const maxWidenings = 8

// A wideningError says that more has to be locked than was known at first:
// held items of other jobs that come along, open jobs that use a changed record.
// It is empty where another push committed what this one has to know.
type wideningError struct {
	jobs    []domain.UUID
	carried []*intake.Item
}

func (*wideningError) Error() string { return "more jobs are touched than were locked" }

func (t *Tx) push(caller domain.Caller, p *Push, plan *plan) (Pushed, error) {
	s, err := t.readPush(caller, plan, p)
	if err != nil {
		return Pushed{}, err
	}
	items := slices.Concat(s.carried, p.Items) // what waited was sent earlier
	decisions, judged, err := s.decide(caller, items, t.Now)
	if err != nil {
		return Pushed{}, err
	}
	accepted, waits := acceptedOf(decisions), waitsFor(decisions)
	var head *lockedHead
	if len(accepted)+len(waits) > 0 && !p.ValidateOnly {
		var came []cameRow
		t.readLeads(judged)
		if head, err = t.lockHead(func() { All(t, &came, cameSQL, s.cameArgs(plan, waits)) }); err != nil {
			return Pushed{}, err
		}
		if came[0].Came {
			return Pushed{}, &wideningError{}
		}
	}
	out := Pushed{Epoch: s.epoch}
	s.recordedAt = t.Now
	var heldOpen []countRow
	if p.ValidateOnly {
		t.discard = true
		t.readNumbers(s, accepted)
		t.readCurrent(caller, s, decisions)
		t.countHeldOpen(&heldOpen, caller)
		if err := t.Flush(); err != nil {
			return Pushed{}, err
		}
	} else {
		if len(accepted) > 0 {
			s.recordedAt = head.RecordedAt
			t.appendEntries(head, accepted, func(key intake.Key) int64 { return s.store.Heads[key].Position })
			numberEntries(judged, accepted)
			changes := s.changesOf(accepted)
			t.writeJobs(s, changes)
			t.writeScopes(s, changes, accepted)
			t.writeWaiting(changes, accepted)
			t.writeDevices(accepted, head.RecordedAt)
			t.readNumbers(s, accepted)
			if err := t.writePictures(accepted); err != nil {
				return Pushed{}, err
			}
			if err := t.writeWords(accepted); err != nil {
				return Pushed{}, err
			}
			if err := t.writeResults(head, judged); err != nil {
				return Pushed{}, err
			}
		}
		t.readCurrent(caller, s, decisions) // as the scopes stand now
		if err := t.writeHeld(caller, p, s, decisions); err != nil {
			return Pushed{}, err
		}
		t.writeReport(caller, p)
		t.countHeldOpen(&heldOpen, caller)
		var heads []headRow
		if head == nil { // a replay is acknowledged too: the receipt must lie behind it
			All(t, &heads, headSQL, Args{"program_id": t.Program})
		}
		if err := t.Commit(); err != nil {
			return Pushed{}, err
		}
		if head == nil {
			out.Head = heads[0].head()
		} else {
			out.Head = head.Head
		}
		s.afterHeld()
	}
	out.HeldOpen = int(heldOpen[0].Count)
	out.Items = s.answers(caller, p, decisions)
	for _, j := range judged {
		if s.visible(caller, j.jobID) {
			out.Jobs = append(out.Jobs, JobCounts{j.jobID, j.verdict.Counts})
		}
	}
	return out, nil
}

func acceptedOf(decisions []intake.Decision) []intake.Decision {
	n := 0
	for n < len(decisions) && decisions[n].Status.Accepted() {
		n++
	}
	return decisions[:n]
}

// plan is what a push has to lock and read, as far as its items tell.
type plan struct {
	keys  []intake.Key // the items' own records and what they refer to
	next  []intake.VersionKey
	own   []intake.Key  // the items' own
	came  []intake.Key  // those for which held items wait: what waits for own is asked for too
	jobs  []domain.UUID // whose records are touched
	homes []domain.UUID

	accepts     bool          // a job is to be accepted
	contractors []domain.UUID // of jobs that are new or change hands
	matches     [][]byte
	carried     map[domain.UUID]bool // held items that were found to come along
}

func planOf(items []*intake.Item) *plan {
	p := &plan{carried: map[domain.UUID]bool{}}
	for _, item := range items {
		p.add(item)
	}
	p.order()
	return p
}

func (p *plan) add(item *intake.Item) {
	if item.Problem != nil {
		return
	}
	p.keys, p.own = append(p.keys, item.Key()), append(p.own, item.Key())
	p.next = append(p.next, intake.VersionKey{Key: item.Key(), Version: item.BaseVersion + 1})
	switch {
	case item.Kind == domain.JobKind:
		p.jobs = append(p.jobs, item.ID)
	case item.Kind == domain.HomeKind:
		p.homes = append(p.homes, item.ID)
	case item.Record != nil && !item.Record.Job().IsZero():
		p.jobs = append(p.jobs, item.Record.Job())
	}
	if item.Record == nil {
		return
	}
	if job, ok := item.Record.(*domain.Job); ok {
		p.contractors = append(p.contractors, job.ContractorID)
	}
	if review, ok := item.Record.(*domain.Review); ok && (review.Decision == domain.Accept || review.Decision == domain.Correct) {
		p.accepts = true
	}
	if match := domain.Match(item.Record); match != nil && item.Kind.OfJob() {
		p.matches = append(p.matches, match)
	}
	for _, ref := range intake.Refs(item.Record) {
		p.keys = append(p.keys, intake.Key{Kind: ref.Kind, ID: ref.ID})
		if ref.Kind == domain.HomeKind {
			p.homes = append(p.homes, ref.ID)
		}
	}
}

func (p *plan) widen(w *wideningError) {
	p.jobs = append(p.jobs, w.jobs...)
	for _, item := range w.carried {
		p.add(item)
		p.carried[item.HeldID] = true
	}
	p.order()
}

// locked are the records to lock beside the jobs: homes, and the items' own as
// far as they belong to no job, by kind and id.
func (p *plan) locked() (keys []intake.Key) {
	for _, home := range p.homes {
		keys = append(keys, intake.Key{Kind: domain.HomeKind, ID: home})
	}
	for _, key := range p.own {
		if !key.Kind.OfJob() && key.Kind != domain.JobKind {
			keys = append(keys, key)
		}
	}
	slices.SortFunc(keys, func(a, b intake.Key) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), a.ID.Compare(b.ID)) })
	return slices.Compact(keys)
}

// changesFacts tells whether one of the items changes a record that open jobs
// of others may use.
func (p *plan) changesFacts() bool {
	return slices.ContainsFunc(p.own, func(k intake.Key) bool { return isFact(k.Kind) })
}

// isFact tells the kinds of which open jobs may use a record.
func isFact(kind domain.Kind) bool {
	switch kind {
	case domain.HomeKind, domain.CrewMemberKind, domain.CredentialKind, domain.InstrumentKind:
		return true
	}
	return false
}

// locks tells whether the job is among those that the plan locks.
func (p *plan) locks(job domain.UUID) bool { return slices.Contains(p.jobs, job) }

// order makes the plan a set: the same items in any order lock and read the
// same, in the same order.
func (p *plan) order() {
	byKey := func(a, b intake.Key) int { return cmp.Or(a.ID.Compare(b.ID), cmp.Compare(a.Kind, b.Kind)) }
	set := func(keys []intake.Key) []intake.Key {
		slices.SortFunc(keys, byKey)
		return slices.Compact(keys)
	}
	ids := func(ids []domain.UUID) []domain.UUID {
		slices.SortFunc(ids, domain.UUID.Compare)
		return slices.Compact(ids)
	}
	p.keys, p.own = set(p.keys), set(p.own)
	p.came = set(append(p.came, p.own...))
	p.jobs, p.homes, p.contractors = ids(p.jobs), ids(p.homes), ids(p.contractors)
}

// columns are keys as two array arguments.
func columns(keys []intake.Key) (kinds []string, ids [][16]byte) {
	kinds, ids = make([]string, len(keys)), make([][16]byte, len(keys))
	for i, k := range keys {
		kinds[i], ids[i] = string(k.Kind), k.ID
	}
	return kinds, ids
}

// stillOursSQL: a crew has to merge its late work, and heal a service that lost
// history, on jobs that have left its feed but were given to nobody else.
const stillOursSQL = `
    @role = 'field' AND EXISTS (SELECT FROM job_scope AS s
        WHERE s.program_id = e.program_id AND s.contractor_id = @contractor_id AND s.job_id = e.job_id
            AND s.reason IS DISTINCT FROM 'reassigned' OFFSET 0)`

const currentEntriesSQL = `
SELECT` + entryNames + `
FROM unnest(@kinds::text[], @ids::uuid[], @versions::bigint[]) AS k(kind, record_id, version)
CROSS JOIN LATERAL (SELECT` + visibleSQL + ` OR` + stillOursSQL + ` AS visible
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.record_id = k.record_id AND e.kind = k.kind AND e.until_position IS NULL OFFSET 0) AS h
CROSS JOIN LATERAL (SELECT` + EntryColumns + `
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.record_id = k.record_id AND e.kind = k.kind
        AND (h.visible AND e.until_position IS NULL OR NOT h.visible AND e.version = k.version) OFFSET 0) AS e`

// readCurrent queues the newest versions of records on which an item was a
// replay of an older one, or in conflict: the device has to see them. Who may
// no longer see the record gets back what it sent, and nothing that came later.
func (t *Tx) readCurrent(caller domain.Caller, s *stored, decisions []intake.Decision) {
	var keys []intake.Key
	var versions []int64 // 0 of a conflict
	for i := range decisions {
		if d := &decisions[i]; d.Item.Index >= 0 && (d.Status == intake.Conflict || d.Status == intake.Replayed) {
			keys, versions = append(keys, d.Item.Key()), append(versions, d.Version)
		}
	}
	if len(keys) > 0 {
		kinds, ids := columns(keys)
		All(t, &s.current, currentEntriesSQL, scopeArgs(caller, Args{"kinds": kinds, "ids": ids, "versions": versions}))
	}
}

// answers are the decisions in the order of the items, each with what the
// caller may see of it.
func (s *stored) answers(caller domain.Caller, p *Push, decisions []intake.Decision) []PushedItem {
	current := map[intake.Key]*domain.Entry{}
	for i := range s.current {
		if e, err := s.current[i].Entry(false); err == nil { // without decoding there is nothing to fail
			current[intake.Key{Kind: e.Kind, ID: e.ID}] = &e
		}
	}
	numbers := make(map[domain.UUID]int64, len(s.numbers))
	for _, n := range s.numbers {
		numbers[n.ID] = n.Number
	}
	items := make([]PushedItem, len(p.Items))
	for i := range decisions {
		d := &decisions[i]
		if d.Item.Index < 0 {
			continue
		}
		answer := PushedItem{Decision: *d, HeldID: s.heldIDs[d.Item]}
		if p.ValidateOnly {
			answer.Position = 0
		}
		if s.heldFull[d.Item] {
			answer.Status, answer.Problem = intake.Retry, errHeldFull
		}
		switch {
		case d.Status.Accepted():
			e := entryOf(d, &lockedHead{})
			e.RecordedAt = s.recordedAt
			if e.Kind == domain.JobKind {
				e.Number = numbers[e.ID]
			}
			if e.Kind == domain.PhotoKind && e.Version == 1 {
				e.BytesState = domain.BytesAwaited
			}
			answer.Entry = &e
		case d.Status == intake.Conflict || d.Status == intake.Replayed:
			answer.Entry = current[d.Item.Key()]
		}
		items[d.Item.Index] = answer
	}
	return items
}

// visible tells whether the caller may see the findings of a job.
func (s *stored) visible(caller domain.Caller, job domain.UUID) bool {
	if !caller.Scoped() {
		return true
	}
	stored, ok := s.store.Jobs[job]
	return !ok || stored.KnownTo(caller)
}

const deviceSignSQL = `
UPDATE device SET last_push_at = @at, clock_offset_s = @clock_offset_s, app_name = @app_name, app_version = @app_version,
    schema_revision = @schema_revision, pending_records_count = @pending_records_count, pending_photos_count = @pending_photos_count,
    pending_oldest_at = @pending_oldest_at, pending_job_ids = @pending_job_ids
WHERE program_id = @program_id AND id = @device_id`

// DeviceReport is what a device tells of itself with a push.
type DeviceReport struct {
	AppName, AppVersion string
	Schema              int
	ClockOffsetS        *float64
	PendingRecords      int
	PendingPhotos       int
	PendingOldestAt     *time.Time
	PendingJobs         []domain.UUID
}

// writeReport queues what the device told; a person's push tells nothing.
func (t *Tx) writeReport(caller domain.Caller, p *Push) {
	s := p.Report
	if s == nil || caller.Device.IsZero() {
		return
	}
	t.Queue(deviceSignSQL, Args{"program_id": t.Program, "device_id": caller.Device, "at": t.Now, "clock_offset_s": s.ClockOffsetS,
		"app_name": s.AppName, "app_version": s.AppVersion, "schema_revision": s.Schema, "pending_records_count": s.PendingRecords,
		"pending_photos_count": s.PendingPhotos, "pending_oldest_at": s.PendingOldestAt, "pending_job_ids": s.PendingJobs})
}
