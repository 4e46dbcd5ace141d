package storage

import (
	"encoding/hex"
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// past is what stands outside the jobs of a program, with its history: what
// counted at a position can be picked for one job after another. It grows with
// the program's people, papers and instruments, not with its jobs.
type past struct {
	zone *time.Location
	sets map[domain.UUID]pastSet
	// Versions of each record, oldest first, by contractor; the agency's own
	// stand under the zero id.
	records map[domain.UUID][][]domain.Entry
}

type pastSet struct {
	set    rules.Set
	record *domain.RuleSet
}

// judge gives the verdict in numbers and whole. A set that is not known asks
// what every program asks.
func (s pastSet) judge(job *rules.Assembled) (PreviewSide, rules.Verdict) {
	if s.record == nil {
		s.set = rules.DefaultSet()
	}
	_, verdict := rules.ComputeAndJudge(s.set, job)
	side := PreviewSide{Counts: verdict.Counts}
	j := judgedJob{set: s.record, assembled: job, verdict: verdict}
	if problem := j.notAcceptable(0); problem != nil {
		side.Open = len(problem.Faults)
	}
	return side, verdict
}

type pastRow struct {
	entryRow
	Owner *[16]byte
}

const pastRecordsSQL = `
SELECT` + ledgerColumns + `, h.contractor_id AS owner
FROM record_head AS h
JOIN ledger AS l ON l.program_id = h.program_id AND l.kind = h.kind AND l.record_id = h.record_id
WHERE h.program_id = @program_id AND h.job_id IS NULL AND h.kind IN ('contractor', 'crew_member', 'credential', 'instrument', 'rule_set')
ORDER BY h.kind, h.record_id, l.version`

func (t *tx) readPast(zone *time.Location) (*past, error) {
	var rows []pastRow
	all(t, &rows, pastRecordsSQL, named{"program_id": t.program})
	if err := t.flush(); err != nil {
		return nil, err
	}
	p := &past{zone: zone, sets: map[domain.UUID]pastSet{}, records: map[domain.UUID][][]domain.Entry{}}
	for i := range rows {
		e, err := rows[i].entry(true)
		if err != nil {
			return nil, err
		}
		if record, ok := e.Record.(*domain.RuleSet); ok {
			set, faults := rules.NewSet(e.ID, record)
			if len(faults) > 0 {
				return nil, fmt.Errorf("rule set %s: %w", e.ID, domain.InvalidFields(faults))
			}
			p.sets[e.ID] = pastSet{set, record}
			continue
		}
		owner := idOf(rows[i].Owner)
		list := p.records[owner]
		if n := len(list); n > 0 && list[n-1][0].Kind == e.Kind && list[n-1][0].ID == e.ID {
			list[n-1] = append(list[n-1], e)
		} else {
			p.records[owner] = append(list, []domain.Entry{e})
		}
	}
	return p, nil
}

// at picks what of a contractor and of the agency stood at a position.
func (p *past) at(contractor domain.UUID, position int64) (list []domain.Entry) {
	for _, owner := range []domain.UUID{contractor, {}} {
		for _, versions := range p.records[owner] {
			for i := len(versions) - 1; i >= 0; i-- {
				if versions[i].Position <= position {
					list = append(list, versions[i])
					break
				}
			}
		}
	}
	return list
}

// pastJob is a job's records and facts as they counted at its acceptance.
type pastJob struct {
	entries []domain.Entry
	outside rules.Outside
}

type pastEntryRow struct {
	entryRow
	ForJobID [16]byte
}

// The newest versions at each job's own position, of its records and its home.
const pastEntriesSQL = `
WITH asked AS (
    SELECT x.job_id, x.position, j.home_id
    FROM unnest(@jobs::uuid[], @positions::bigint[]) AS x(job_id, position)
    JOIN job AS j ON j.program_id = @program_id AND j.id = x.job_id
), wanted AS (
    SELECT a.job_id, a.position, h.kind, h.record_id FROM asked AS a
    JOIN record_head AS h ON h.program_id = @program_id AND h.job_id = a.job_id
    UNION ALL
    SELECT a.job_id, a.position, 'home', a.home_id FROM asked AS a
)
SELECT` + ledgerColumns + `, w.job_id AS for_job_id
FROM wanted AS w
JOIN ledger AS l ON l.program_id = @program_id AND l.kind = w.kind AND l.record_id = w.record_id
    AND l.version = (SELECT max(v.version) FROM ledger AS v
        WHERE v.program_id = @program_id AND v.kind = w.kind AND v.record_id = w.record_id AND v.position <= w.position)
WHERE l.program_id = @program_id
ORDER BY w.job_id, l.position`

type pastLedRow struct {
	ForJobID   [16]byte
	CrewLeadID [16]byte
	Count      int64
}

// Homes that the job's leads had led by then, on accepted jobs.
const pastLedSQL = `
SELECT x.job_id AS for_job_id, x.lead_id AS crew_lead_id, count(DISTINCT r.home_id) AS count
FROM unnest(@lead_jobs::uuid[], @leads::uuid[], @lead_positions::bigint[]) AS x(job_id, lead_id, position)
JOIN job_result AS r ON r.program_id = @program_id AND r.crew_lead_id = x.lead_id AND r.job_id <> x.job_id
    AND r.accepted_position <= x.position AND (r.until_position IS NULL OR r.until_position > x.position)
GROUP BY x.job_id, x.lead_id`

type pastEarlierRow struct {
	ForJobID   [16]byte
	JobID      [16]byte
	AcceptedAt time.Time
}

const pastEarlierSQL = `
SELECT x.job_id AS for_job_id, r.job_id, r.accepted_at
FROM unnest(@jobs::uuid[], @positions::bigint[]) AS x(job_id, position)
JOIN job AS j ON j.program_id = @program_id AND j.id = x.job_id
JOIN job_result AS r ON r.program_id = @program_id AND r.home_id = j.home_id AND r.job_id <> x.job_id
    AND r.accepted_position <= x.position AND (r.until_position IS NULL OR r.until_position > x.position)
ORDER BY x.job_id, r.accepted_at, r.job_id`

type pastPhotoRow struct {
	ForJobID [16]byte
	SHA256   []byte `db:"sha256"`
	JobID    [16]byte
}

// Where else the pictures of these jobs had been sent by then.
const pastPhotosSQL = `
SELECT x.job_id AS for_job_id, p.sha256, p.job_id
FROM unnest(@photo_jobs::uuid[], @digests::bytea[], @photo_positions::bigint[]) AS x(job_id, sha256, position)
JOIN photo AS p ON p.program_id = @program_id AND p.sha256 = x.sha256 AND p.job_id <> x.job_id AND NOT p.void
JOIN ledger AS l ON l.program_id = @program_id AND l.kind = 'photo' AND l.record_id = p.id AND l.version = 1 AND l.position <= x.position
JOIN job AS j ON j.program_id = @program_id AND j.id = p.job_id
JOIN job AS own ON own.program_id = @program_id AND own.id = x.job_id AND own.home_id <> j.home_id
ORDER BY x.job_id, p.sha256, p.job_id`

// readPastJobs reads a batch of jobs, each as it stood at its acceptance, in
// two round trips. Which devices still held work then is not history and is
// left out.
func (t *tx) readPastJobs(p *past, rows []previewRow) ([]pastJob, error) {
	jobs := make([]pastJob, len(rows))
	places := make(map[domain.UUID]int, len(rows))
	ids, positions := make([]domain.UUID, len(rows)), make([]int64, len(rows))
	for i, r := range rows {
		ids[i], positions[i], places[r.JobID] = r.JobID, r.AcceptedPosition, i
		jobs[i].outside = rules.Outside{Zone: p.zone, Entries: p.at(r.ContractorID, r.AcceptedPosition), HomesLed: map[domain.UUID]int{}}
	}
	args := named{"program_id": t.program, "jobs": ids, "positions": positions}
	var entries []pastEntryRow
	all(t, &entries, pastEntriesSQL, args)
	if err := t.flush(); err != nil {
		return nil, err
	}
	var ask pastQuestions
	for i := range entries {
		e, err := entries[i].entry(true)
		if err != nil {
			return nil, err
		}
		place := places[entries[i].ForJobID]
		if j := &jobs[place]; e.Kind == domain.HomeKind {
			j.outside.Entries = append(j.outside.Entries, e)
		} else {
			j.entries = append(j.entries, e)
		}
		ask.about(&e, ids[place], positions[place])
	}
	args["leads"], args["lead_jobs"], args["lead_positions"] = ask.leads, ask.leadJobs, ask.leadPositions
	args["digests"], args["photo_jobs"], args["photo_positions"] = ask.digests, ask.photoJobs, ask.photoPositions
	var led []pastLedRow
	var earlier []pastEarlierRow
	var photos []pastPhotoRow
	all(t, &led, pastLedSQL, args)
	all(t, &earlier, pastEarlierSQL, args)
	all(t, &photos, pastPhotosSQL, args)
	if err := t.flush(); err != nil {
		return nil, err
	}
	for _, r := range led {
		jobs[places[r.ForJobID]].outside.HomesLed[r.CrewLeadID] = int(r.Count)
	}
	for _, r := range earlier {
		o := &jobs[places[r.ForJobID]].outside
		o.Earlier = append(o.Earlier, rules.EarlierJob{JobID: r.JobID, AcceptedOn: domain.DateOf(r.AcceptedAt, p.zone)})
	}
	for _, r := range photos {
		o, digest := &jobs[places[r.ForJobID]].outside, hex.EncodeToString(r.SHA256)
		if n := len(o.SamePhotos); n > 0 && o.SamePhotos[n-1].SHA256 == digest {
			o.SamePhotos[n-1].JobIDs = append(o.SamePhotos[n-1].JobIDs, r.JobID)
		} else {
			o.SamePhotos = append(o.SamePhotos, rules.SamePhoto{SHA256: digest, JobIDs: []domain.UUID{r.JobID}})
		}
	}
	return jobs, nil
}

// pastQuestions gathers what has to be asked of other jobs.
type pastQuestions struct {
	leads, leadJobs, photoJobs    []domain.UUID
	leadPositions, photoPositions []int64
	digests                       [][]byte
}

func (q *pastQuestions) about(e *domain.Entry, job domain.UUID, position int64) {
	switch r := e.Record.(type) {
	case *domain.Visit:
		if r.LeadID != nil {
			q.leads, q.leadJobs, q.leadPositions = append(q.leads, *r.LeadID), append(q.leadJobs, job), append(q.leadPositions, position)
		}
	case *domain.Photo:
		if digest, err := hex.DecodeString(r.SHA256); err == nil { // the schema lets nothing else in
			q.digests, q.photoJobs, q.photoPositions = append(q.digests, digest), append(q.photoJobs, job), append(q.photoPositions, position)
		}
	}
}
