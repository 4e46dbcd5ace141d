package storage

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"

	"github.com/go-json-experiment/json"
)

// facts are what stands outside a job and yet decides about it: the home, the
// people with their papers, the instruments, the rule sets, what happened at
// the home before, and what other jobs have in common with this one.
type facts struct {
	zone    *time.Location
	entries []domain.Entry // of all jobs that were asked for
	led     map[domain.UUID]int
	earlier []earlierRow
	same    map[string][]sameRow // by match
	pending []pendingRow
	like    []likeRow

	past []domain.Entry // versions of the jobs' records that were replaced

	rows     []EntryRow
	pastRows []EntryRow
	ledRows  []ledRow
	sameRows []sameRow
}

// The contractors of the jobs that are asked for, stored ones and those to come.
const factsFirmsSQL = `
    SELECT contractor_id FROM unnest(@contractors::uuid[]) AS x(contractor_id)
    UNION
    SELECT j.contractor_id FROM unnest(@jobs::uuid[]) AS k(id)
    CROSS JOIN LATERAL (SELECT x.contractor_id FROM job AS x WHERE x.program_id = @program_id AND x.id = k.id OFFSET 0) AS j`

const factsHomesSQL = `
    SELECT home_id FROM unnest(@homes::uuid[]) AS x(home_id)
    UNION
    SELECT j.home_id FROM unnest(@jobs::uuid[]) AS k(id)
    CROSS JOIN LATERAL (SELECT x.home_id FROM job AS x WHERE x.program_id = @program_id AND x.id = k.id OFFSET 0) AS j`

// Records that belong to no job and that the asked jobs use.
const factsEntriesSQL = `
SELECT` + entryNames + `
FROM (` + factsFirmsSQL + `) AS f
CROSS JOIN LATERAL (SELECT` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.contractor_id = f.contractor_id AND e.job_id IS NULL AND e.until_position IS NULL
        AND e.kind IN ('contractor', 'crew_member', 'credential', 'instrument') OFFSET 0) AS e
UNION ALL
SELECT` + entryNames + `
FROM (VALUES ('instrument'), ('rule_set')) AS k(kind)
CROSS JOIN LATERAL (SELECT` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.contractor_id IS NULL AND e.kind = k.kind AND e.job_id IS NULL AND e.until_position IS NULL OFFSET 0) AS e
UNION ALL
SELECT` + entryNames + `
FROM (SELECT 'home' AS kind, home_id AS record_id FROM (` + factsHomesSQL + `) AS h) AS k` + ofKeySQL

type ledRow struct {
	CrewLeadID [16]byte
	Count      int64
}

// ledAtMost is the most homes that a rule can ask a lead to have led: more are
// not counted.
const ledAtMost = 100

// Homes led since the program records them, on accepted jobs.
const factsLedSQL = `
SELECT m.record_id AS crew_lead_id, r.count
FROM (` + factsFirmsSQL + `) AS f
CROSS JOIN LATERAL (SELECT x.record_id FROM entry AS x
    WHERE x.program_id = @program_id AND x.contractor_id = f.contractor_id AND x.job_id IS NULL AND x.until_position IS NULL
        AND x.kind = 'crew_member' OFFSET 0) AS m
CROSS JOIN LATERAL (SELECT count(*) AS count FROM (SELECT DISTINCT x.home_id FROM job_result AS x
    WHERE x.program_id = @program_id AND x.crew_lead_id = m.record_id AND x.accepted_position IS NOT NULL AND x.until_position IS NULL
        AND x.job_id <> ALL (@jobs) LIMIT @led_at_most) AS d) AS r
WHERE r.count > 0`

type earlierRow struct {
	HomeID     [16]byte
	JobID      [16]byte
	AcceptedAt time.Time
}

const factsEarlierSQL = `
SELECT r.home_id, r.job_id, r.accepted_at
FROM (` + factsHomesSQL + `) AS h
CROSS JOIN LATERAL (SELECT x.home_id, x.job_id, x.accepted_at FROM job_result AS x
    WHERE x.program_id = @program_id AND x.home_id = h.home_id AND x.accepted_position IS NOT NULL AND x.until_position IS NULL OFFSET 0) AS r
ORDER BY r.accepted_at, r.job_id`

// sameAtMost bounds the other records that one has in common with a job: a
// picture that was sent from hundreds of homes asks the same question.
const sameAtMost = 25

// sameRow is a record that has its match in common with one of the asked jobs.
type sameRow struct {
	Match    []byte
	Kind     string
	RecordID [16]byte
	JobID    [16]byte
	HomeID   [16]byte
	Number   int64 // of the job
	JobVoid  bool
	Body     string // of a visit
	Replaced bool   // of a reading: by one that is not voided
}

// What the records of these jobs have in common with others: the picture, the
// readings, the lead on one day.
const factsSameSQL = `
WITH own AS (
    SELECT match FROM unnest(@matches::bytea[]) AS x(match)
    UNION
    SELECT e.match FROM unnest(@jobs::uuid[]) AS k(id)
    CROSS JOIN LATERAL (SELECT x.match FROM entry AS x
        WHERE x.program_id = @program_id AND x.job_id = k.id AND x.kind IN ('measurement', 'photo', 'visit') AND x.match IS NOT NULL OFFSET 0) AS e
)
SELECT o.match, o.kind, o.record_id, o.job_id, j.home_id, j.number, j.void AS job_void, CASE WHEN o.kind = 'visit' THEN o.body ELSE '' END AS body,
    o.kind = 'measurement' AND EXISTS (SELECT FROM entry AS x
        WHERE x.program_id = @program_id AND x.job_id = o.job_id AND x.kind = 'measurement' AND x.until_position IS NULL AND x.voided_at IS NULL
            AND (x.body::jsonb ->> 'replaces')::uuid = o.record_id OFFSET 0) AS replaced
FROM own
CROSS JOIN LATERAL (SELECT x.match, x.kind, x.record_id, x.job_id, x.body FROM entry AS x
    WHERE x.program_id = @program_id AND x.match = own.match LIMIT @same_at_most) AS o
CROSS JOIN LATERAL (SELECT x.home_id, x.number, x.void FROM job AS x WHERE x.program_id = @program_id AND x.id = o.job_id OFFSET 0) AS j
WHERE o.job_id <> ALL (@jobs_alone)
ORDER BY o.job_id, o.record_id`

type pendingRow struct {
	DeviceID            [16]byte
	PendingRecordsCount int32
	PendingPhotosCount  int32
	PendingJobIDs       [][16]byte `db:"pending_job_ids"`
}

// Devices of the contractors that have or had one of the jobs.
const factsPendingSQL = `
SELECT DISTINCT d.id AS device_id, d.pending_records_count, d.pending_photos_count, d.pending_job_ids
FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT x.contractor_id FROM job_scope AS x WHERE x.program_id = @program_id AND x.job_id = k.id OFFSET 0) AS s
CROSS JOIN LATERAL (SELECT x.id, coalesce(x.pending_records_count, 0) AS pending_records_count,
        coalesce(x.pending_photos_count, 0) AS pending_photos_count, x.pending_job_ids
    FROM device AS x WHERE x.program_id = @program_id AND x.contractor_id = s.contractor_id AND k.id = ANY (x.pending_job_ids) OFFSET 0) AS d
ORDER BY d.id`

// workKinds are the kinds whose earlier versions a rule looks at, and timedKinds
// those that tell when energy had to be off.
var (
	workKinds  = []string{"visit", "component", "crossover", "opening", "repair", "energy_isolation"}
	timedKinds = []string{"crossover", "opening", "repair", "energy_isolation"}
)

// Replaced versions of the jobs' records: the first one of what tells a time,
// and those that stood when the job was last returned. A job that has a place in
// @positions is looked at as it stood there, one without at the head.
const factsPastSQL = `
SELECT` + entryNames + `
FROM unnest(@jobs::uuid[], @positions::bigint[]) AS k(id, position)
CROSS JOIN LATERAL (SELECT max(x.position) AS position FROM entry AS x
    WHERE x.program_id = @program_id AND x.job_id = k.id AND x.kind = 'review' AND x.body::jsonb ->> 'decision' = 'return'
        AND x.voided_at IS NULL AND x.position <= coalesce(k.position, x.position)
        AND (x.until_position IS NULL OR x.until_position > k.position) OFFSET 0) AS r
CROSS JOIN LATERAL (SELECT` + EntryColumns + ` FROM entry AS e
    WHERE e.program_id = @program_id AND e.job_id = k.id AND e.kind = ANY (@work_kinds::text[])
        AND e.until_position <= coalesce(k.position, e.until_position)
        AND (e.version = 1 AND e.kind = ANY (@timed_kinds::text[])
            OR e.position <= r.position AND e.until_position > r.position) OFFSET 0) AS e`

// ReadReplaced queues the reading of factsPastSQL.
func (t *Tx) ReadReplaced(rows *[]EntryRow, jobs []domain.UUID, positions []int64) {
	All(t, rows, factsPastSQL, Args{"program_id": t.Program, "jobs": jobs, "positions": positions, "work_kinds": workKinds, "timed_kinds": timedKinds})
}

// firstOfTimed tells the first version of what tells a time.
func firstOfTimed(e *domain.Entry) bool {
	return e.Version == 1 && slices.Contains(timedKinds, string(e.Kind))
}

// replaced is what this push replaces, as far as factsPastSQL would find it
// afterwards.
func (j *judgedJob) replaced(old *domain.Entry) {
	returned := int64(0)
	for i := range j.touched.entries {
		e := &j.touched.entries[i]
		if r, ok := e.Record.(*domain.Review); ok && r.Decision == domain.Return && e.Void == nil {
			returned = max(returned, e.Position)
		}
	}
	if firstOfTimed(old) ||
		old.Position > 0 && old.Position <= returned && slices.Contains(workKinds, string(old.Kind)) {
		j.past = append(j.past, *old)
	}
}

type likeRow struct {
	JobID        [16]byte
	PhotoID      [16]byte
	OtherPhotoID [16]byte
	OtherJobID   [16]byte
	OtherNumber  int64
	DifferBits   int32
}

// Pictures of other homes that look like one of these jobs'.
const factsLikeSQL = `
SELECT l.job_id, l.photo_id, l.other_photo_id, l.other_job_id, j.number AS other_number, l.differ_bits
FROM unnest(@jobs::uuid[]) AS k(id)
CROSS JOIN LATERAL (SELECT x.job_id, x.photo_id, x.other_photo_id, x.other_job_id, x.differ_bits FROM picture_like AS x
    WHERE x.program_id = @program_id AND x.job_id = k.id ORDER BY x.photo_id, x.other_photo_id LIMIT @same_at_most) AS l
CROSS JOIN LATERAL (SELECT x.number FROM job AS x WHERE x.program_id = @program_id AND x.id = l.other_job_id OFFSET 0) AS j
ORDER BY l.photo_id, l.other_photo_id`

// readFacts queues the reading; decode makes it usable after the flush. args
// must hold jobs and homes.
func (t *Tx) readFacts(f *facts, plan *plan, args Args) {
	args["contractors"], args["matches"], args["led_at_most"] = idArgs(plan.contractors), plan.matches, ledAtMost
	args["same_at_most"] = sameAtMost
	// What several jobs of one push have in common is looked at too; of one job
	// alone its own records are left out.
	args["jobs_alone"] = []domain.UUID{}
	if len(plan.jobs) == 1 {
		args["jobs_alone"] = plan.jobs
	}
	All(t, &f.rows, factsEntriesSQL, args)
	if len(plan.jobs) == 0 {
		return
	}
	All(t, &f.ledRows, factsLedSQL, args)
	All(t, &f.earlier, factsEarlierSQL, args)
	All(t, &f.sameRows, factsSameSQL, args)
	All(t, &f.pending, factsPendingSQL, args)
	t.ReadReplaced(&f.pastRows, plan.jobs, []int64{})
	All(t, &f.like, factsLikeSQL, args)
}

func (f *facts) decode(zone *time.Location) (err error) {
	f.zone = zone
	f.led = make(map[domain.UUID]int, len(f.ledRows))
	for _, r := range f.ledRows {
		f.led[r.CrewLeadID] = int(r.Count)
	}
	f.same = make(map[string][]sameRow, len(f.sameRows))
	for _, r := range f.sameRows {
		f.same[string(r.Match)] = append(f.same[string(r.Match)], r)
	}
	if f.past, err = Entries(f.pastRows, true); err != nil {
		return err
	}
	f.entries, err = Entries(f.rows, true)
	return err
}

// overlay puts what a push accepts over what was stored.
func (f *facts) overlay(accepted []domain.Entry) {
	for _, e := range accepted {
		if !e.JobID.IsZero() {
			continue
		}
		found := false
		for i := range f.entries {
			if f.entries[i].Kind == e.Kind && f.entries[i].ID == e.ID {
				f.entries[i], found = e, true
			}
		}
		if !found {
			f.entries = append(f.entries, e)
		}
	}
}

// outside picks what concerns one job, of which entries are the records.
func (f *facts) outside(jobID domain.UUID, job *domain.Job, entries []domain.Entry) rules.Outside {
	o := rules.Outside{Zone: f.zone, HomesLed: f.led, JobNumbers: map[domain.UUID]int64{}}
	for _, e := range f.entries {
		if f.concerns(&e, job) {
			o.Entries = append(o.Entries, e)
		}
	}
	for _, r := range f.earlier {
		if domain.UUID(r.HomeID) == job.HomeID && domain.UUID(r.JobID) != jobID {
			o.Earlier = append(o.Earlier, rules.EarlierJob{JobID: r.JobID, AcceptedOn: domain.DateOf(r.AcceptedAt, f.zone)})
		}
	}
	for _, r := range f.pending {
		for _, id := range r.PendingJobIDs {
			if domain.UUID(id) == jobID {
				o.Pending = append(o.Pending, rules.PendingDevice{DeviceID: r.DeviceID, RecordsCount: int(r.PendingRecordsCount), PhotosCount: int(r.PendingPhotosCount)})
			}
		}
	}
	for _, e := range f.past {
		if e.JobID == jobID {
			o.Past = append(o.Past, e)
		}
	}
	for _, r := range f.like {
		if domain.UUID(r.JobID) == jobID {
			o.JobNumbers[r.OtherJobID] = r.OtherNumber
			o.LikePhotos = append(o.LikePhotos, rules.LikePhoto{PhotoID: r.PhotoID, OtherPhotoID: r.OtherPhotoID, OtherJobID: r.OtherJobID, DifferBits: int(r.DifferBits)})
		}
	}
	f.elsewhere(jobID, job.HomeID, entries, &o)
	return o
}

// concerns tells whether a record without a job says something about this one.
func (f *facts) concerns(e *domain.Entry, job *domain.Job) bool {
	switch r := e.Record.(type) {
	case *domain.Home:
		return e.ID == job.HomeID
	case *domain.Contractor:
		return e.ID == job.ContractorID
	case *domain.CrewMember:
		return r.ContractorID == job.ContractorID
	case *domain.Credential:
		return true // of a member or a firm that is asked for
	case *domain.Instrument:
		return r.ContractorID == nil || *r.ContractorID == job.ContractorID
	}
	return false
}

// ruleSet is the set in force on a day: the newest that began by then. Before
// the first one's day the first is in force: it holds from the beginning.
func (f *facts) ruleSet(day domain.Date) (domain.UUID, *domain.RuleSet) {
	var id domain.UUID
	var set *domain.RuleSet
	for _, e := range f.entries {
		if r, ok := e.Record.(*domain.RuleSet); ok && e.Void == nil && r.RatherInForce(set, day) {
			id, set = e.ID, r
		}
	}
	return id, set
}

// elsewhere adds what other homes have in common with a job, of which entries
// are the records.
func (f *facts) elsewhere(jobID, home domain.UUID, entries []domain.Entry, o *rules.Outside) {
	if len(f.same) == 0 {
		return
	}
	replaced := map[domain.UUID]bool{}
	for i := range entries {
		if m, ok := entries[i].Record.(*domain.Measurement); ok && entries[i].Void == nil && m.Replaces != nil {
			replaced[*m.Replaces] = true
		}
	}
	for i := range entries {
		e := &entries[i]
		match := domain.Match(e.Record)
		if match == nil {
			continue
		}
		for _, other := range f.same[string(match)] {
			if domain.UUID(other.JobID) == jobID || domain.UUID(other.HomeID) == home {
				continue
			}
			o.JobNumbers[other.JobID] = other.Number
			switch r := e.Record.(type) {
			case *domain.Photo:
				addSamePhoto(o, r.SHA256, other.JobID)
			case *domain.Measurement:
				if e.Void == nil && !replaced[e.ID] && !other.JobVoid && !other.Replaced && !slices.Contains(o.SameTests, domain.UUID(other.JobID)) {
					o.SameTests = append(o.SameTests, other.JobID)
				}
			case *domain.Visit:
				if e.Void == nil && !other.JobVoid {
					addOtherVisit(o, r, &other)
				}
			}
		}
	}
	slices.SortFunc(o.SamePhotos, func(a, b rules.SamePhoto) int { return cmp.Compare(a.SHA256, b.SHA256) })
	slices.SortFunc(o.SameTests, domain.UUID.Compare)
	slices.SortStableFunc(o.OtherVisits, func(a, b rules.OtherVisit) int {
		return cmp.Or(a.JobID.Compare(b.JobID), a.ArrivedAt.Compare(b.ArrivedAt))
	})
}

// addSamePhoto adds a job to which a picture was sent too, once.
func addSamePhoto(o *rules.Outside, sha256 string, job domain.UUID) {
	i := slices.IndexFunc(o.SamePhotos, func(p rules.SamePhoto) bool { return p.SHA256 == sha256 })
	if i < 0 {
		o.SamePhotos = append(o.SamePhotos, rules.SamePhoto{SHA256: sha256, JobIDs: []domain.UUID{job}})
	} else if p := &o.SamePhotos[i]; !slices.Contains(p.JobIDs, job) {
		p.JobIDs = append(p.JobIDs, job)
	}
}

// addOtherVisit adds a visit of the same lead to another home at the same time.
func addOtherVisit(o *rules.Outside, own *domain.Visit, row *sameRow) {
	var other domain.Visit
	if err := json.Unmarshal([]byte(row.Body), &other); err != nil || own.ArrivedAt == nil || own.LeftAt == nil ||
		other.ArrivedAt == nil || other.LeftAt == nil || !other.ArrivedAt.Before(*own.LeftAt) || !own.ArrivedAt.Before(*other.LeftAt) {
		return
	}
	o.OtherVisits = append(o.OtherVisits, rules.OtherVisit{CrewMemberID: *own.LeadID, JobID: row.JobID, ArrivedAt: *other.ArrivedAt, LeftAt: *other.LeftAt})
}

// The row of a picture comes with its record. A record that was voided and is
// there again is owed again.
const pictureInsertSQL = `
INSERT INTO picture (program_id, photo_id, job_id, device_id, sha256, bytes_count, taken_at, state)
SELECT @program_id, x.photo_id, x.job_id, x.device_id, x.sha256, x.bytes_count, x.taken_at, 'awaited'
FROM unnest(@photos::uuid[], @jobs::uuid[], @devices::uuid[], @digests::bytea[], @counts::bigint[], @taken::timestamptz[])
    AS x(photo_id, job_id, device_id, sha256, bytes_count, taken_at)
ON CONFLICT (program_id, photo_id) DO UPDATE SET void = false`

const pictureVoidSQL = `
UPDATE picture SET void = true WHERE program_id = @program_id AND photo_id = @id`

// writePictures queues that the bytes of new photos are owed, and that those of
// voided ones no longer are.
func (t *Tx) writePictures(accepted []intake.Decision) error {
	var photos, jobs [][16]byte
	var devices []*[16]byte
	var digests [][]byte
	var counts []int64
	var taken []time.Time
	var voided []domain.UUID
	seen := map[domain.UUID]bool{}
	for i := range accepted {
		d := &accepted[i]
		if d.Item.Kind != domain.PhotoKind {
			continue
		}
		r, ok := d.Item.Record.(*domain.Photo)
		if !ok {
			voided = append(voided, d.Item.ID)
			continue
		}
		digest, err := hex.DecodeString(r.SHA256)
		if err != nil {
			return fmt.Errorf("photo %s: %w", d.Item.ID, err)
		}
		if seen[d.Item.ID] {
			continue
		}
		seen[d.Item.ID] = true
		photos, jobs = append(photos, d.Item.ID), append(jobs, r.JobID)
		devices, digests = append(devices, idArg(d.Item.DeviceID)), append(digests, digest)
		counts, taken = append(counts, r.BytesCount), append(taken, r.TakenAt)
	}
	if len(photos) > 0 {
		t.Queue(pictureInsertSQL, Args{"program_id": t.Program, "photos": photos, "jobs": jobs, "devices": devices, "digests": digests,
			"counts": counts, "taken": taken})
	}
	for _, id := range voided {
		t.Queue(pictureVoidSQL, Args{"program_id": t.Program, "id": id})
	}
	return nil
}

// JudgeAgain judges a job again for what its records do not tell and yet
// decides: pictures that arrived. The caller's transaction may have locked the
// job and nothing behind it in the order of locks. Nothing is written where
// nothing about pictures is asked.
func (t *Tx) JudgeAgain(job domain.UUID) error {
	plan := &plan{jobs: []domain.UUID{job}, carried: map[domain.UUID]bool{}}
	k, err := t.readPush(domain.Caller{Program: t.Program}, plan, &Push{})
	if err != nil {
		return err
	}
	k.rejudge[job] = true
	judged, err := k.judge(nil, nil, t.Now)
	if err != nil {
		return err
	}
	if len(judged) != 1 || judged[0].set == nil || !judged[0].set.AwaitsPictures() {
		return nil
	}
	head, err := t.lockHead()
	if err != nil {
		return err
	}
	if judged[0].touched.standing.Frozen {
		// No entry tells of the arrival: it counts from the next position on, so
		// that what was read at this one stays as it was.
		head.Position++
	}
	return t.writeResults(head, judged)
}

// LockJob queues the lock of all work on a job.
func (t *Tx) LockJob(job domain.UUID) {
	t.Queue(pushLockJobsSQL, Args{"program_id": t.Program, "jobs": []domain.UUID{job}})
}
