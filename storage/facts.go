package storage

import (
	"encoding/hex"
	"time"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/domain/rules"
)

// facts are what stands outside a job and yet decides about it: the home, the
// people with their papers, the instruments, the rule sets, what happened at
// the home before, and what other jobs have in common with this one.
type facts struct {
	zone    *time.Location
	entries []domain.Entry // of all jobs that were asked for
	led     map[domain.UUID]int
	earlier []earlierRow
	photos  []samePhotoRow
	pending []pendingRow
	tests   []sameTestRow
	visits  []otherVisitRow

	rows    []entryRow
	ledRows []ledRow
}

// Records that belong to no job and that the asked jobs use.
const factsEntriesSQL = `
WITH firms AS (
    SELECT contractor_id FROM unnest(@contractors::uuid[]) AS x(contractor_id)
    UNION
    SELECT contractor_id FROM job WHERE program_id = @program_id AND id = ANY (@jobs)
), places AS (
    SELECT home_id FROM unnest(@homes::uuid[]) AS x(home_id)
    UNION
    SELECT home_id FROM job WHERE program_id = @program_id AND id = ANY (@jobs)
), wanted AS (
    SELECT x.position FROM firms CROSS JOIN LATERAL (SELECT h.position FROM record_head AS h
        WHERE h.program_id = @program_id AND h.job_id IS NULL AND h.contractor_id = firms.contractor_id
            AND h.kind IN ('contractor', 'crew_member', 'credential', 'instrument') OFFSET 0) AS x
    UNION ALL
    SELECT h.position FROM record_head AS h
        WHERE h.program_id = @program_id AND h.job_id IS NULL AND h.contractor_id IS NULL AND h.kind IN ('instrument', 'rule_set')
    UNION ALL
    SELECT x.position FROM places CROSS JOIN LATERAL (SELECT h.position FROM record_head AS h
        WHERE h.program_id = @program_id AND h.record_id = places.home_id AND h.kind = 'home' OFFSET 0) AS x
)
SELECT` + ledgerColumns + `
FROM wanted AS h` + ledgerAtSQL + ``

type ledRow struct {
	CrewLeadID [16]byte
	Count      int64
}

// Homes led since the program records them, on accepted jobs.
const factsLedSQL = `
WITH firms AS (
    SELECT contractor_id FROM unnest(@contractors::uuid[]) AS x(contractor_id)
    UNION
    SELECT contractor_id FROM job WHERE program_id = @program_id AND id = ANY (@jobs)
)
SELECT m.id AS crew_lead_id, r.count
FROM firms
CROSS JOIN LATERAL (SELECT x.id FROM crew_member AS x
    WHERE x.program_id = @program_id AND x.contractor_id = firms.contractor_id OFFSET 0) AS m
CROSS JOIN LATERAL (SELECT count(DISTINCT x.home_id) AS count FROM job_result AS x
    WHERE x.program_id = @program_id AND x.crew_lead_id = m.id AND x.accepted_position IS NOT NULL AND x.until_position IS NULL
        AND x.job_id <> ALL (@jobs)) AS r
WHERE r.count > 0`

type earlierRow struct {
	HomeID     [16]byte
	JobID      [16]byte
	AcceptedAt time.Time
}

const factsEarlierSQL = `
SELECT r.home_id, r.job_id, r.accepted_at
FROM job_result AS r
WHERE r.program_id = @program_id AND r.accepted_position IS NOT NULL AND r.until_position IS NULL
    AND r.home_id IN (SELECT home_id FROM unnest(@homes::uuid[]) AS x(home_id)
        UNION SELECT home_id FROM job WHERE program_id = @program_id AND id = ANY (@jobs))
ORDER BY r.accepted_at, r.job_id`

type samePhotoRow struct {
	SHA256 []byte `db:"sha256"`
	JobID  [16]byte
	HomeID [16]byte
}

// Where else the pictures of these jobs were sent.
const factsPhotosSQL = `
WITH own AS (
    SELECT digest FROM unnest(@photo_digests::bytea[]) AS x(digest)
    UNION
    SELECT q.sha256 FROM record_head AS h CROSS JOIN LATERAL (SELECT p.sha256 FROM photo AS p
        WHERE p.program_id = @program_id AND p.id = h.record_id OFFSET 0) AS q
    WHERE h.program_id = @program_id AND h.job_id = ANY (@jobs) AND h.kind = 'photo'
)
SELECT p.sha256, p.job_id, j.home_id
FROM own
CROSS JOIN LATERAL (SELECT q.sha256, q.job_id FROM photo AS q
    WHERE q.program_id = @program_id AND q.sha256 = own.digest AND NOT q.void OFFSET 0) AS p
CROSS JOIN LATERAL (SELECT k.home_id FROM job AS k WHERE k.program_id = @program_id AND k.id = p.job_id OFFSET 0) AS j
ORDER BY p.sha256, p.job_id`

type pendingRow struct {
	DeviceID            [16]byte
	PendingRecordsCount int32
	PendingPhotosCount  int32
	PendingJobIDs       [][16]byte `db:"pending_job_ids"`
}

const factsPendingSQL = `
SELECT device_id, coalesce(pending_records_count, 0) AS pending_records_count, coalesce(pending_photos_count, 0) AS pending_photos_count, pending_job_ids
FROM device_sign
WHERE program_id = @program_id AND pending_job_ids && @jobs
ORDER BY device_id`

// readFacts queues the reading; decode makes it usable after the flush. args
// must hold jobs and homes.
func (t *tx) readFacts(f *facts, plan *plan, args named) {
	args["contractors"], args["photo_digests"] = idArgs(plan.contractors), plan.photoDigests
	all(t, &f.rows, factsEntriesSQL, args)
	if len(plan.jobs) == 0 {
		return // nothing is judged
	}
	all(t, &f.ledRows, factsLedSQL, args)
	all(t, &f.earlier, factsEarlierSQL, args)
	all(t, &f.photos, factsPhotosSQL, args)
	all(t, &f.pending, factsPendingSQL, args)
	all(t, &f.tests, factsTestsSQL, args)
	all(t, &f.visits, factsVisitsSQL, args)
}

func (f *facts) decode(zone *time.Location) (err error) {
	f.zone = zone
	f.led = make(map[domain.UUID]int, len(f.ledRows))
	for _, r := range f.ledRows {
		f.led[r.CrewLeadID] = int(r.Count)
	}
	f.entries, err = entriesOf(f.rows, true)
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
	o := rules.Outside{Zone: f.zone, HomesLed: f.led}
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
	own := map[string]bool{}
	for i := range entries {
		if photo, ok := entries[i].Record.(*domain.Photo); ok {
			own[photo.SHA256] = true
		}
	}
	for _, r := range f.photos {
		digest := hex.EncodeToString(r.SHA256)
		if domain.UUID(r.HomeID) == job.HomeID || !own[digest] {
			continue
		}
		if n := len(o.SamePhotos); n > 0 && o.SamePhotos[n-1].SHA256 == digest {
			o.SamePhotos[n-1].JobIDs = append(o.SamePhotos[n-1].JobIDs, r.JobID)
			continue
		}
		o.SamePhotos = append(o.SamePhotos, rules.SamePhoto{SHA256: digest, JobIDs: []domain.UUID{r.JobID}})
	}
	for _, r := range f.pending {
		for _, id := range r.PendingJobIDs {
			if domain.UUID(id) == jobID {
				o.Pending = append(o.Pending, rules.PendingDevice{DeviceID: r.DeviceID, RecordsCount: int(r.PendingRecordsCount), PhotosCount: int(r.PendingPhotosCount)})
			}
		}
	}
	f.elsewhere(jobID, &o)
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
		if r, ok := e.Record.(*domain.RuleSet); ok && e.Void == nil && ratherInForce(r, set, day) {
			id, set = e.ID, r
		}
	}
	return id, set
}

func ratherInForce(a, b *domain.RuleSet, day domain.Date) bool {
	switch {
	case b == nil:
		return true
	case (a.FromOn <= day) != (b.FromOn <= day):
		return a.FromOn <= day
	case a.FromOn <= day:
		return a.FromOn > b.FromOn
	}
	return a.FromOn < b.FromOn
}

// photoDigestsOf are the digests of an item's photo.
func photoDigestsOf(item *intake.Item) [][]byte {
	photo, ok := item.Record.(*domain.Photo)
	if !ok {
		return nil
	}
	digest, err := hex.DecodeString(photo.SHA256)
	if err != nil {
		return nil // the schema lets nothing else in
	}
	return [][]byte{digest}
}
