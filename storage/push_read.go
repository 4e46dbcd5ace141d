package storage

import (
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
)

// known is all that a push needs to know, as read under lock.
type stored struct {
	program Program
	epoch   domain.UUID
	store   intake.Store
	entries map[intake.Key]*domain.Entry // newest versions that were read, bodies decoded
	jobs    map[domain.UUID]*touchedJob
	carried []*intake.Item       // held items whose parent may be in this push
	heldOf  map[domain.UUID]int  // open held items by job, where one is to be accepted
	rejudge map[domain.UUID]bool // open jobs that use a record without a job that is changed here
	facts   facts

	current []EntryRow
	numbers []jobNumber

	recordedAt time.Time                    // of the accepted versions
	heldIDs    map[*intake.Item]domain.UUID // of what this push left in held
	heldFull   map[*intake.Item]bool        // what found no room there
	afterHeld  func()                       // fills both once the statements ran
	mostOfJob  int64                        // records; 0: no bound
}

type countRow struct{ Count int64 }

// touchedJob is a job with its records as they were before the push.
type touchedJob struct {
	entries         []domain.Entry
	serial          int // of its newest result; 0 when it has none
	standing        standing
	firstRecordedAt time.Time
	drawn           bool // for an inspection after the work
	monthDraws      bool // jobs of its month are drawn as they come
}

// state is where the job stood before the push; empty for a new one.
func (j *touchedJob) state() domain.JobState {
	for i := range j.entries {
		if job, ok := j.entries[i].Record.(*domain.Job); ok {
			return job.State
		}
	}
	return ""
}

// Locks in the one order: jobs by id, then records without a job by kind and
// id. FOR NO KEY UPDATE lets the foreign-key checks of others by.
const pushLockJobsSQL = `
SELECT l.id
FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT j.id FROM job AS j WHERE j.program_id = @program_id AND j.id = k.id FOR NO KEY UPDATE) AS l`

type lockRow struct {
	Kind     string
	RecordID [16]byte
	Position int64
}

// A version that another push replaced while this one waited for it is locked
// no more: then the newest one has another position.
const pushLockSQL = `
SELECT l.kind, l.record_id, l.position
FROM unnest(@lock_kinds::text[], @lock_ids::uuid[]) AS k(kind, record_id)
CROSS JOIN LATERAL (SELECT e.kind, e.record_id, e.position FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = k.kind AND e.record_id = k.record_id AND e.until_position IS NULL FOR NO KEY UPDATE) AS l`

// headOf is one version of a record: the newest, or an older one that an item
// may be a replay of.
type headOf struct {
	Kind          string
	RecordID      [16]byte
	Version       int64
	Position      int64
	Newest        bool
	JobID         *[16]byte
	ContractorID  *[16]byte
	Void          bool
	ContentDigest []byte
	HasTexts      bool
	Texts         []string
}

// The newest versions, and of the items' own records the versions
// base_version + 1: content that made one of them is a replay at any age.
const pushHeadsSQL = `
WITH heads AS MATERIALIZED (
    SELECT h.kind, h.record_id, h.version, h.position, h.job_id, h.contractor_id, h.void, h.content_digest, h.has_texts, h.texts
    FROM unnest(@kinds::text[], @ids::uuid[]) AS k(kind, record_id)
    CROSS JOIN LATERAL (SELECT e.kind, e.record_id, e.version, e.position, e.job_id, e.contractor_id, e.voided_at IS NOT NULL AS void,
            e.content_digest, e.texts_digest IS NOT NULL AS has_texts,` + EntryTexts + `
        FROM entry AS e
        WHERE e.program_id = @program_id AND e.kind = k.kind AND e.record_id = k.record_id AND e.until_position IS NULL OFFSET 0) AS h
)
SELECT kind, record_id, version, position, true AS newest, job_id, contractor_id, void, content_digest, has_texts, texts
FROM heads
UNION ALL
SELECT h.kind, h.record_id, l.version, l.position, false, h.job_id, h.contractor_id, h.void, l.content_digest, l.has_texts, l.texts
FROM heads AS h
CROSS JOIN LATERAL (SELECT e.version, e.position, e.content_digest, e.texts_digest IS NOT NULL AS has_texts,` + EntryTexts + `
    FROM entry AS e
    WHERE e.program_id = @program_id AND e.kind = h.kind AND e.record_id = h.record_id AND e.version = ANY (@next_versions)
        AND e.version < h.version OFFSET 0) AS l
WHERE h.version > 1`

const jobsEntriesSQL = `
SELECT` + entryNames + ofJobsSQL

// The newest versions of all records of the touched jobs, and of the items'
// own records that belong to none.
const pushEntriesSQL = jobsEntriesSQL + `
UNION ALL
SELECT` + entryNames + `
FROM unnest(@lock_kinds::text[], @lock_ids::uuid[]) AS k(kind, record_id)` + ofKeySQL

type jobOf struct {
	JobID         [16]byte
	Holders       [][16]byte
	Drawn         bool
	InspectorID   *[16]byte
	DrawnAfter    bool // for an inspection after the work
	MonthDraws    bool // jobs of its month are drawn as they come
	Inspected     bool
	StartedByCrew bool
	RecordedAt    time.Time
	standing
	Serial *int32
}

// standing is what a result keeps from before a push.
type standing struct {
	AssignedAt            *time.Time
	SentInAt              *time.Time
	FirstMustFixCount     *int32
	FirstNotRecordedCount *int32
	ReturnedCount         *int32
	CountedAt             *time.Time // of the job's first acceptance
	Frozen                bool       // by an acceptance that stands
	LateSince             *int64     // where that froze what counted: later work counts when the job is opened again
	PicturesOwedCount     int32      // as frozen
}

// Who may know of the job, and where its result stands.
const pushJobsSQL = `
SELECT j.id AS job_id,
    ARRAY(SELECT s.contractor_id FROM job_scope AS s WHERE s.program_id = @program_id AND s.job_id = j.id) AS holders,
    EXISTS (SELECT FROM inspection_draw AS d WHERE d.program_id = @program_id AND d.job_id = j.id) AS drawn,
    (SELECT d.inspector_id FROM inspection_draw AS d WHERE d.program_id = @program_id AND d.job_id = j.id) AS inspector_id,
    EXISTS (SELECT FROM inspection_draw AS d WHERE d.program_id = @program_id AND d.job_id = j.id AND NOT d.during_work AND d.by_hand_position IS NULL) AS drawn_after,
    EXISTS (SELECT FROM inspection_seed AS x WHERE x.program_id = @program_id AND x.from_at <= r.first_sent_in_at AND x.before_at > r.first_sent_in_at) AS month_draws,
    j.inspected, j.started_by_crew, j.recorded_at, r.serial, r.assigned_at, r.sent_in_at, r.first_must_fix_count, r.first_not_recorded_count, r.returned_count,
    (SELECT min(f.counted_at) FROM job_result AS f WHERE f.program_id = @program_id AND f.job_id = j.id) AS counted_at,
    coalesce(r.accepted_position IS NOT NULL AND r.until_position IS NULL, false) AS frozen,
    CASE WHEN r.accepted_position IS NOT NULL AND r.until_position IS NULL
        THEN coalesce((r.inputs::jsonb #>> '{facts,late_since}')::bigint, r.judged_at_position) END AS late_since, coalesce(r.pictures_owed_count, 0) AS pictures_owed_count
FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT x.id, x.inspected, x.started_by_crew, x.recorded_at FROM job AS x WHERE x.program_id = @program_id AND x.id = k.id OFFSET 0) AS j
LEFT JOIN LATERAL (SELECT x.serial, x.accepted_position, x.until_position, x.assigned_at, x.sent_in_at, x.first_must_fix_count,
        x.first_not_recorded_count, x.returned_count, x.inputs, x.judged_at_position, x.pictures_owed_count,
        (SELECT f.sent_in_at FROM job_result AS f WHERE f.program_id = @program_id AND f.job_id = j.id AND f.serial = 1) AS first_sent_in_at
    FROM job_result AS x WHERE x.program_id = @program_id AND x.job_id = j.id ORDER BY x.serial DESC LIMIT 1) AS r ON true`

type homeOf struct {
	HomeID [16]byte
	Own    bool
}

const pushHomesSQL = `
SELECT k.home_id, bool_or(j.contractor_id IS NOT DISTINCT FROM @contractor_id) AS own
FROM unnest(@homes::uuid[]) AS k(home_id)
CROSS JOIN LATERAL (SELECT x.contractor_id FROM job AS x
    WHERE x.program_id = @program_id AND x.home_id = k.home_id AND x.open OFFSET 0) AS j
GROUP BY k.home_id`

// The open jobs that use a home, paper, person or instrument that the push
// changes: they are judged again in the same transaction.
const pushUsersSQL = `
WITH changed AS MATERIALIZED (
    SELECT e.kind, e.record_id, e.contractor_id
    FROM unnest(@fact_kinds::text[], @fact_ids::uuid[]) AS k(kind, record_id)
    CROSS JOIN LATERAL (SELECT x.kind, x.record_id, x.contractor_id FROM entry AS x
        WHERE x.program_id = @program_id AND x.kind = k.kind AND x.record_id = k.record_id AND x.until_position IS NULL OFFSET 0) AS e
)
SELECT j.id AS job_id FROM changed AS c
CROSS JOIN LATERAL (SELECT x.id FROM job AS x WHERE x.program_id = @program_id AND x.home_id = c.record_id AND x.open OFFSET 0) AS j
WHERE c.kind = 'home'
UNION
SELECT j.id FROM changed AS c
CROSS JOIN LATERAL (SELECT x.id FROM job AS x WHERE x.program_id = @program_id AND x.contractor_id = c.contractor_id AND x.open OFFSET 0) AS j
WHERE c.kind IN ('crew_member', 'credential')
UNION
SELECT i.job_id FROM changed AS c
CROSS JOIN LATERAL (SELECT x.job_id FROM job_instrument AS x WHERE x.program_id = @program_id AND x.instrument_id = c.record_id OFFSET 0) AS i
WHERE c.kind = 'instrument'`

type jobCount struct {
	JobID [16]byte
	Count int64
}

// A refused acceptance stops no other.
const heldOfJobsSQL = `
SELECT k.id AS job_id, h.count FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT count(*) AS count FROM held AS x
    WHERE x.program_id = @program_id AND x.job_id = k.id AND x.state IN ('open', 'waiting')
        AND x.code <> 'not_acceptable') AS h`

type programOf struct {
	programRow
	Epoch      [16]byte
	TokenKnown bool
}

// Revocation must hold on the very next request, on every instance: the
// transaction itself asks for the token again.
const pushProgramSQL = `
SELECT p.program_id, p.code, p.name, p.time_zone, p.demo, p.created_at, h.epoch,
    @token_id::uuid IS NULL OR EXISTS (SELECT FROM token AS t
        WHERE t.program_id = @program_id AND t.token_id = @token_id AND t.revoked_at IS NULL) AS token_known
FROM program AS p JOIN program_head AS h ON h.program_id = p.program_id
WHERE p.program_id = @program_id`

// readPush locks what the push touches and reads all that deciding and judging
// it needs, in one round trip.
func (t *Tx) readPush(caller domain.Caller, plan *plan, p *Push) (*stored, error) {
	ownKinds, ownIDs := columns(plan.own)
	cameKinds, cameIDs := columns(plan.came)
	kinds, ids := columns(plan.keys)
	lockKinds, lockIDs := columns(plan.locked())
	factKinds, factIDs := columns(slices.DeleteFunc(slices.Clone(plan.own), func(key intake.Key) bool { return !isFact(key.Kind) }))
	nextVersions := make([]int64, 0, len(plan.next))
	for _, v := range plan.next {
		nextVersions = append(nextVersions, v.Version)
	}
	slices.Sort(nextVersions)
	args := Args{
		"program_id": t.Program, "token_id": caller.Token, "contractor_id": caller.Contractor,
		"jobs": plan.jobs, "homes": plan.homes, "lock_kinds": lockKinds, "lock_ids": lockIDs, "kinds": kinds, "ids": ids,
		"own_kinds": ownKinds, "own_ids": ownIDs, "fact_kinds": factKinds, "fact_ids": factIDs, "next_versions": slices.Compact(nextVersions), "came_kinds": cameKinds, "came_ids": cameIDs,
	}
	var (
		jobLocks []struct{ ID [16]byte }
		locked   []lockRow
		programs []programOf
		heads    []headOf
		rows     []EntryRow
		jobs     []jobOf
		homes    []homeOf
		waiting  []waitingRow
		heldOf   []jobCount
		users    []struct{ JobID [16]byte }
	)
	var known *historyRows
	if p.History.Epoch != "" || len(p.History.Points) > 0 {
		known = t.readHistory(&p.History)
	}
	All(t, &jobLocks, pushLockJobsSQL, args)
	All(t, &locked, pushLockSQL, args)
	All(t, &programs, pushProgramSQL, args)
	All(t, &heads, pushHeadsSQL, args)
	All(t, &rows, pushEntriesSQL, args)
	All(t, &jobs, pushJobsSQL, args)
	if len(plan.homes) > 0 {
		All(t, &homes, pushHomesSQL, args)
	}
	All(t, &waiting, heldWaitingSQL, args)
	if plan.accepts {
		All(t, &heldOf, heldOfJobsSQL, args)
	}
	if plan.changesFacts() {
		All(t, &users, pushUsersSQL, args)
	}
	s := &stored{heldOf: map[domain.UUID]int{}, rejudge: map[domain.UUID]bool{}, heldIDs: map[*intake.Item]domain.UUID{}, heldFull: map[*intake.Item]bool{}, mostOfJob: t.limits.JobRecords, afterHeld: func() {}}
	t.readFacts(&s.facts, plan, args)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	if len(programs) == 0 {
		return nil, domain.Errorf(domain.NotFound, "there is no such program")
	}
	if !programs[0].TokenKnown {
		return nil, domain.Errorf(domain.Unauthorized, "the token is not known")
	}
	if err := p.History.compare(known); err != nil {
		return nil, err
	}
	s.program, s.epoch = programs[0].program(), programs[0].Epoch
	zone, err := s.program.Zone()
	if err != nil {
		return nil, err
	}
	if err := s.facts.decode(zone); err != nil {
		return nil, err
	}
	s.store = intake.Store{
		Heads: map[intake.Key]intake.Head{}, Jobs: map[domain.UUID]intake.Job{}, Contents: map[intake.VersionKey]intake.Content{},
		OpenHomes: map[domain.UUID]bool{}, OwnHomes: map[domain.UUID]bool{}, Replaced: map[domain.UUID]intake.Replaceable{}, RuleSets: map[domain.UUID]domain.Date{},
		Devices: map[domain.UUID]domain.DeviceState{}, Ended: map[domain.UUID]domain.Date{}, Homes: map[domain.UUID]domain.Home{},
		Today: domain.DateOf(t.Now, zone),
	}
	for _, h := range heads {
		key := intake.Key{Kind: domain.Kind(h.Kind), ID: h.RecordID}
		if h.Newest {
			s.store.Heads[key] = intake.Head{Version: h.Version, Position: h.Position, JobID: IDOf(h.JobID), ContractorID: IDOf(h.ContractorID), Void: h.Void}
		}
		content := intake.Content{Digest: ledger.Digest(h.ContentDigest), Erased: h.HasTexts && len(h.Texts) == 0}
		if len(h.Texts) > 0 {
			content.Texts = h.Texts[1:]
		}
		s.store.Contents[intake.VersionKey{Key: key, Version: h.Version}] = content
	}
	held := make(map[intake.Key]int64, len(locked))
	for _, l := range locked {
		held[intake.Key{Kind: domain.Kind(l.Kind), ID: l.RecordID}] = l.Position
	}
	for _, key := range plan.locked() {
		if head, known := s.store.Heads[key]; known && head.Position != held[key] {
			return nil, errOvertaken
		}
	}
	_, s.store.InForce = s.facts.ruleSet(s.store.Today)
	for i := range s.facts.entries {
		e := &s.facts.entries[i]
		switch r := e.Record.(type) {
		case *domain.RuleSet:
			if e.Void == nil {
				s.store.RuleSets[e.ID] = r.FromOn
			}
		case *domain.Contractor:
			if r.EndedOn != "" {
				s.store.Ended[e.ID] = r.EndedOn
			}
		case *domain.Home:
			if e.Void == nil {
				s.store.Homes[e.ID] = *r
			}
		}
	}
	for _, h := range homes {
		s.store.OpenHomes[h.HomeID], s.store.OwnHomes[h.HomeID] = true, h.Own
	}
	if err := s.takeEntries(rows, jobs); err != nil {
		return nil, err
	}
	for _, h := range heldOf {
		s.heldOf[h.JobID] = int(h.Count)
	}
	wider := &wideningError{}
	for _, h := range heads { // of a voided record, whose item names no job, and of strangers
		if job := IDOf(h.JobID); !job.IsZero() && !plan.locks(job) {
			wider.jobs = append(wider.jobs, job)
		}
	}
	for _, u := range users {
		if s.rejudge[u.JobID] = true; !plan.locks(u.JobID) {
			wider.jobs = append(wider.jobs, u.JobID)
		}
	}
	for i := range waiting {
		item, err := waiting[i].item()
		if err != nil {
			return nil, err
		}
		item.By = waiting[i].sender(t.Program)
		if s.carried = append(s.carried, item); !plan.carried[item.HeldID] {
			wider.carried = append(wider.carried, item)
		}
	}
	if len(wider.jobs)+len(wider.carried) > 0 {
		return nil, wider
	}
	return s, nil
}

// takeEntries sorts the known records to their jobs and tells intake what it
// needs of them.
func (s *stored) takeEntries(rows []EntryRow, jobs []jobOf) error {
	s.entries, s.jobs = make(map[intake.Key]*domain.Entry, len(rows)), map[domain.UUID]*touchedJob{}
	entries, err := Entries(rows, true)
	if err != nil {
		return err
	}
	for i := range entries {
		e := &entries[i]
		s.entries[intake.Key{Kind: e.Kind, ID: e.ID}] = e
		switch r := e.Record.(type) {
		case *domain.Measurement:
			s.store.Replaced[e.ID] = intake.ReplaceableOf(r.JobID, r.Method, r.Replaces)
		case *domain.Device:
			s.store.Devices[e.ID] = r.State
		case *domain.Photo:
			s.store.Replaced[e.ID] = intake.ReplaceableOf(r.JobID, "", r.Replaces)
		}
		if e.JobID.IsZero() {
			continue
		}
		job := s.jobs[e.JobID]
		if job == nil {
			job = &touchedJob{}
			s.jobs[e.JobID] = job
		}
		job.entries = append(job.entries, *e)
	}
	for _, row := range jobs {
		id := domain.UUID(row.JobID)
		job := intake.Job{Drawn: row.Drawn, Inspector: IDOf(row.InspectorID), Inspected: row.Inspected, StartedByCrew: row.StartedByCrew}
		for _, holder := range row.Holders {
			job.Holders = append(job.Holders, holder)
		}
		if head, ok := s.store.Heads[intake.Key{Kind: domain.JobKind, ID: id}]; ok {
			job.Head = head
		}
		if e := s.entries[intake.Key{Kind: domain.JobKind, ID: id}]; e != nil {
			job.Record, job.Body = *e.Record.(*domain.Job), e.Body
			job.Head.Version, job.JobID, job.Void = e.Version, id, e.Void != nil
		}
		job.WorkedBy, job.WorkerNames = s.workersOf(id)
		job.PassedOn, job.Failures = s.inspectionsOf(id)
		s.store.Jobs[id] = job
		if touched := s.jobs[id]; touched != nil {
			touched.firstRecordedAt, touched.standing = row.RecordedAt, row.standing
			touched.drawn, touched.monthDraws = row.DrawnAfter, row.MonthDraws
			if row.Serial != nil {
				touched.serial = int(*row.Serial)
			}
		}
	}
	return nil
}

// Two pushes that overlap do not see each other: one brings a record, the other
// an item that refers to it. The program's head is locked one after the other,
// so the second of the two looks again under that lock and finds the first's:
// a record for which one of its items waits, or a held item that waits for one
// of its records. It is then run again from the beginning.
const cameSQL = `
SELECT EXISTS (SELECT FROM unnest(@missing_kinds::text[], @missing_ids::uuid[], @missing_versions::bigint[]) AS k(kind, record_id, version)
        LEFT JOIN LATERAL (SELECT x.version FROM entry AS x
            WHERE x.program_id = @program_id AND x.record_id = k.record_id AND x.kind = k.kind AND x.until_position IS NULL OFFSET 0) AS h ON true
        WHERE coalesce(h.version, 0) <> k.version)
    OR EXISTS (SELECT FROM unnest(@came_kinds::text[], @came_ids::uuid[]) AS k(kind, record_id)
        CROSS JOIN LATERAL (SELECT x.held_id FROM held AS x
            WHERE x.program_id = @program_id AND x.missing_id = k.record_id AND x.missing_kind = k.kind AND x.state = 'waiting' OFFSET 0) AS h
        WHERE h.held_id <> ALL (@carried::uuid[])) AS came`

type cameRow struct{ Came bool }

// waitsFor are the records for which items wait.
func waitsFor(decisions []intake.Decision) (keys []intake.Key) {
	for i := range decisions {
		if d := &decisions[i]; d.Status == intake.Waiting {
			keys = append(keys, intake.Key{Kind: d.Missing.Kind, ID: d.Missing.ID})
		}
	}
	return keys
}

// cameArgs compare with what was read: the versions of the records that are
// waited for, 0 where there was none, and the held items that were taken along.
func (s *stored) cameArgs(plan *plan, waits []intake.Key) Args {
	kinds, ids := columns(waits)
	versions := make([]int64, len(waits))
	for i, key := range waits {
		versions[i] = s.store.Heads[key].Version
	}
	carried := make([][16]byte, len(s.carried))
	for i, item := range s.carried {
		carried[i] = item.HeldID
	}
	cameKinds, cameIDs := columns(plan.came)
	return Args{"program_id": s.program.ID, "missing_kinds": kinds, "missing_ids": ids, "missing_versions": versions,
		"came_kinds": cameKinds, "came_ids": cameIDs, "carried": carried}
}
