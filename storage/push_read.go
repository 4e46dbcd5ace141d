package storage

import (
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/ledger"
)

// known is all that a push needs to know, as read under lock.
type known struct {
	program Program
	epoch   domain.UUID
	store   intake.Store
	entries map[intake.Key]*domain.Entry // newest versions that were read, bodies decoded
	jobs    map[domain.UUID]*touchedJob
	along   []*intake.Item       // held items whose parent may be in this push
	heldOf  map[domain.UUID]int  // open held items by job, where one is to be accepted
	rejudge map[domain.UUID]bool // open jobs that use a record without a job that is changed here
	facts   facts

	current []entryRow

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
	serial          int  // of its newest result; 0 when it has none
	frozen          bool // by an acceptance that stands
	firstRecordedAt time.Time
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
const pushLockSQL = `
SELECT h.record_id
FROM record_head AS h
WHERE h.program_id = @program_id AND h.record_id = ANY (@locks) AND (h.job_id IS NULL OR h.kind = 'job')
ORDER BY h.kind <> 'job', h.kind, h.record_id
FOR NO KEY UPDATE OF h`

// headOf is one version of a record: the newest, or an older one that an item
// may be a replay of.
type headOf struct {
	Kind          string
	RecordID      [16]byte
	Version       int64
	Newest        bool
	JobID         *[16]byte
	ContractorID  *[16]byte
	Void          bool
	ContentDigest []byte
}

// The newest versions, and of the items' own records the versions
// base_version + 1: content that made one of them is a replay at any age.
const pushHeadsSQL = `
WITH heads AS MATERIALIZED (
    SELECT h.kind, h.record_id, h.version, h.job_id, h.contractor_id, h.void, h.position
    FROM record_head AS h
    WHERE h.program_id = @program_id AND h.record_id = ANY (@ids)
)
SELECT h.kind::text AS kind, h.record_id, h.version, true AS newest, h.job_id, h.contractor_id, h.void, l.content_digest
FROM heads AS h
CROSS JOIN LATERAL (SELECT x.content_digest FROM ledger AS x
    WHERE x.program_id = @program_id AND x.position = h.position OFFSET 0) AS l
UNION ALL
SELECT h.kind::text, h.record_id, l.version, false, h.job_id, h.contractor_id, h.void, l.content_digest
FROM heads AS h
CROSS JOIN LATERAL (SELECT x.version, x.content_digest FROM ledger AS x
    WHERE x.program_id = @program_id AND x.record_id = h.record_id AND x.version = ANY (@next_versions) AND x.kind = h.kind OFFSET 0) AS l
WHERE l.version < h.version`

// The newest versions of all records of the touched jobs, and of the items'
// own records that belong to none.
const pushEntriesSQL = `
SELECT` + ledgerColumns + `
FROM record_head AS h` + ledgerAtSQL + `
WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs)
UNION ALL
SELECT` + ledgerColumns + `
FROM record_head AS h` + ledgerAtSQL + `
WHERE h.program_id = @program_id AND h.record_id = ANY (@own_ids) AND h.job_id IS NULL`

type jobOf struct {
	JobID           [16]byte
	Holders         [][16]byte
	Drawn           bool
	Serial          *int32
	Frozen          bool
	FirstRecordedAt time.Time
}

// Who may know of the job, and where its result stands.
const pushJobsSQL = `
SELECT j.id AS job_id,
    ARRAY(SELECT s.contractor_id FROM job_scope AS s WHERE s.program_id = j.program_id AND s.job_id = j.id) AS holders,
    d.job_id IS NOT NULL AS drawn,
    r.serial, coalesce(r.accepted_position IS NOT NULL AND r.until_position IS NULL, false) AS frozen,
    (SELECT l.recorded_at FROM ledger AS l WHERE l.program_id = j.program_id AND l.kind = 'job' AND l.record_id = j.id AND l.version = 1) AS first_recorded_at
FROM job AS j
LEFT JOIN inspection_draw AS d ON d.program_id = j.program_id AND d.job_id = j.id AND d.closed_at IS NULL
LEFT JOIN LATERAL (SELECT x.serial, x.accepted_position, x.until_position FROM job_result AS x
    WHERE x.program_id = j.program_id AND x.job_id = j.id ORDER BY x.serial DESC LIMIT 1) AS r ON true
WHERE j.program_id = @program_id AND j.id = ANY (@jobs)`

type homeOf struct {
	HomeID [16]byte
	Own    bool
}

const pushHomesSQL = `
SELECT home_id, bool_or(contractor_id IS NOT DISTINCT FROM @contractor_id) AS own
FROM job
WHERE program_id = @program_id AND home_id = ANY (@homes) AND NOT void
    AND state IN ('assigned', 'in_work', 'sent_in', 'returned')
GROUP BY home_id`

// The open jobs that use a home, paper, person or instrument that the push
// changes: they are judged again in the same transaction.
const pushUsersSQL = `
WITH changed AS (
    SELECT k.kind, k.record_id, h.contractor_id
    FROM unnest(@own_kinds::record_kind[], @own_ids::uuid[]) AS k(kind, record_id)
    JOIN record_head AS h ON h.program_id = @program_id AND h.kind = k.kind AND h.record_id = k.record_id
    WHERE k.kind IN ('home', 'crew_member', 'credential', 'instrument')
)
SELECT j.id AS job_id
FROM job AS j
WHERE j.program_id = @program_id AND NOT j.void AND j.state IN ('assigned', 'in_work', 'sent_in', 'returned')
    AND (j.home_id IN (SELECT record_id FROM changed WHERE kind = 'home')
        OR j.contractor_id IN (SELECT contractor_id FROM changed WHERE kind IN ('crew_member', 'credential'))
        OR j.id IN (SELECT m.job_id FROM measurement AS m JOIN changed AS c ON c.kind = 'instrument' AND m.instrument_id = c.record_id
            WHERE m.program_id = @program_id))`

type jobCount struct {
	JobID [16]byte
	Count int64
}

const heldOfJobsSQL = `
SELECT job_id, count(*) AS count FROM held
WHERE program_id = @program_id AND job_id = ANY (@jobs) AND state IN ('open', 'waiting')
GROUP BY job_id`

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
func (t *tx) readPush(caller domain.Caller, plan *plan, p *Push) (*known, error) {
	ownKinds, ownIDs := columns(plan.own)
	cameKinds, cameIDs := columns(plan.came)
	_, ids := columns(plan.keys)
	nextVersions := make([]int64, len(plan.next))
	for i, v := range plan.next {
		nextVersions[i] = v.Version
	}
	args := named{
		"program_id": t.program, "token_id": caller.Token, "contractor_id": caller.Contractor,
		"jobs": plan.jobs, "homes": plan.homes, "locks": plan.locksOf(), "ids": ids, "own_kinds": ownKinds, "own_ids": ownIDs,
		"next_versions": nextVersions, "came_kinds": cameKinds, "came_ids": cameIDs,
	}
	var (
		locked   []struct{ RecordID [16]byte }
		programs []programOf
		heads    []headOf
		rows     []entryRow
		jobs     []jobOf
		homes    []homeOf
		waiting  []waitingRow
		heldOf   []jobCount
		users    []struct{ JobID [16]byte }
	)
	var stored *historyRows
	if p.History.Epoch != "" || len(p.History.Points) > 0 {
		stored = t.readHistory(&p.History)
	}
	all(t, &locked, pushLockSQL, args)
	all(t, &programs, pushProgramSQL, args)
	all(t, &heads, pushHeadsSQL, args)
	all(t, &rows, pushEntriesSQL, args)
	all(t, &jobs, pushJobsSQL, args)
	if len(plan.homes) > 0 {
		all(t, &homes, pushHomesSQL, args)
	}
	all(t, &waiting, heldWaitingSQL, args)
	if plan.accepts {
		all(t, &heldOf, heldOfJobsSQL, args)
	}
	if plan.changesFacts() {
		all(t, &users, pushUsersSQL, args)
	}
	k := &known{heldOf: map[domain.UUID]int{}, rejudge: map[domain.UUID]bool{}, heldIDs: map[*intake.Item]domain.UUID{}, heldFull: map[*intake.Item]bool{}, mostOfJob: t.limits.JobRecords, afterHeld: func() {}}
	t.readFacts(&k.facts, plan, args)
	if err := t.flush(); err != nil {
		return nil, err
	}
	if len(programs) == 0 {
		return nil, domain.Errorf(domain.NotFound, "there is no such program")
	}
	if !programs[0].TokenKnown {
		return nil, domain.Errorf(domain.Unauthorized, "the token is not known")
	}
	if err := p.History.compare(stored); err != nil {
		return nil, err
	}
	k.program, k.epoch = programs[0].program(), programs[0].Epoch
	zone, err := k.program.Zone()
	if err != nil {
		return nil, err
	}
	if err := k.facts.decode(zone); err != nil {
		return nil, err
	}
	k.store = intake.Store{
		Heads: map[intake.Key]intake.Head{}, Jobs: map[domain.UUID]intake.Job{}, Digests: map[intake.VersionKey]ledger.Digest{},
		OpenHomes: map[domain.UUID]bool{}, OwnHomes: map[domain.UUID]bool{}, Replaced: map[domain.UUID]intake.Replaceable{}, RuleSets: map[domain.UUID]domain.Date{},
		Devices: map[domain.UUID]domain.DeviceState{},
		Today:   domain.DateOf(t.now, zone),
	}
	for _, h := range heads {
		key := intake.Key{Kind: domain.Kind(h.Kind), ID: h.RecordID}
		if h.Newest {
			k.store.Heads[key] = intake.Head{Version: h.Version, JobID: idOf(h.JobID), ContractorID: idOf(h.ContractorID), Void: h.Void}
		}
		k.store.Digests[intake.VersionKey{Key: key, Version: h.Version}] = ledger.Digest(h.ContentDigest)
	}
	for _, h := range homes {
		k.store.OpenHomes[h.HomeID], k.store.OwnHomes[h.HomeID] = true, h.Own
	}
	if err := k.takeEntries(rows, jobs); err != nil {
		return nil, err
	}
	for _, h := range heldOf {
		k.heldOf[h.JobID] = int(h.Count)
	}
	wider := &wideningError{}
	for _, h := range heads { // of a voided record, whose item names no job, and of strangers
		if job := idOf(h.JobID); !job.IsZero() && !plan.locks(job) {
			wider.jobs = append(wider.jobs, job)
		}
	}
	for _, u := range users {
		if k.rejudge[u.JobID] = true; !plan.locks(u.JobID) {
			wider.jobs = append(wider.jobs, u.JobID)
		}
	}
	for i := range waiting {
		item, err := waiting[i].item()
		if err != nil {
			return nil, err
		}
		item.By, item.Problem = waiting[i].sender(t.program), plan.problems[item.HeldID]
		if k.along = append(k.along, item); !plan.along[item.HeldID] {
			wider.along = append(wider.along, item)
		}
	}
	if len(wider.jobs)+len(wider.along) > 0 {
		return nil, wider
	}
	return k, nil
}

// takeEntries sorts the stored records to their jobs and tells intake what it
// needs of them.
func (k *known) takeEntries(rows []entryRow, jobs []jobOf) error {
	k.entries, k.jobs = make(map[intake.Key]*domain.Entry, len(rows)), map[domain.UUID]*touchedJob{}
	entries, err := entriesOf(rows, true)
	if err != nil {
		return err
	}
	for i := range entries {
		e := &entries[i]
		k.entries[intake.Key{Kind: e.Kind, ID: e.ID}] = e
		switch r := e.Record.(type) {
		case *domain.Measurement:
			k.store.Replaced[e.ID] = intake.ReplaceableOf(r.JobID, r.Method, r.Replaces)
		case *domain.Device:
			k.store.Devices[e.ID] = r.State
		case *domain.RuleSet:
			k.store.RuleSets[e.ID] = r.FromOn
		case *domain.Photo:
			k.store.Replaced[e.ID] = intake.ReplaceableOf(r.JobID, "", r.Replaces)
		}
		if e.JobID.IsZero() {
			continue
		}
		job := k.jobs[e.JobID]
		if job == nil {
			job = &touchedJob{}
			k.jobs[e.JobID] = job
		}
		job.entries = append(job.entries, *e)
	}
	for _, row := range jobs {
		id := domain.UUID(row.JobID)
		job := intake.Job{Drawn: row.Drawn}
		for _, holder := range row.Holders {
			job.Holders = append(job.Holders, holder)
		}
		if head, ok := k.store.Heads[intake.Key{Kind: domain.JobKind, ID: id}]; ok {
			job.Head = head
		}
		if e := k.entries[intake.Key{Kind: domain.JobKind, ID: id}]; e != nil {
			job.Record, job.Body = *e.Record.(*domain.Job), e.Body
			job.Head.Version, job.JobID, job.Void = e.Version, id, e.Void != nil
		}
		k.store.Jobs[id] = job
		if touched := k.jobs[id]; touched != nil {
			touched.firstRecordedAt = row.FirstRecordedAt
			if row.Serial != nil {
				touched.serial, touched.frozen = int(*row.Serial), row.Frozen
			}
		}
	}
	return nil
}
