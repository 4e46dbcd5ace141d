package storage

import (
	"fmt"
	"time"

	"ductledger/domain"
	"ductledger/domain/leakage"
	"ductledger/domain/month"
	"ductledger/domain/rules"
)

// A Past is what stands outside the jobs of a program, with its history: what
// counted at a position can be picked for one job after another. It grows with
// the program's people, papers and instruments, not with its jobs.
type Past struct {
	Sets map[domain.UUID]PastSet

	zone *time.Location
	// Versions of each record, oldest first, by contractor; the agency's own
	// stand under the zero id.
	records map[domain.UUID][][]domain.Entry
}

// A PastSet is a rule set of the program; the zero one asks what every program
// asks.
type PastSet struct {
	Record *domain.RuleSet
	set    rules.Set
}

// Judge judges an assembled job by the set; open is what would stop its
// acceptance.
func (s PastSet) Judge(job *rules.Assembled) (result rules.Result, verdict rules.Verdict, open []domain.Fault) {
	if s.Record == nil {
		s.set = rules.DefaultSet()
	}
	result, verdict = rules.ComputeAndJudge(s.set, job)
	return result, verdict, openFaults(s.Record, job, verdict, 0)
}

// Pay is what the job would be paid by the set's prices, nothing taken back yet;
// result is what the set computed.
func (s PastSet) Pay(job *rules.Assembled, result *rules.Result) (month.Pay, error) {
	record := job.Job.Record
	work := month.Work{
		Figures: month.Figures{Outcome: record.Outcome, PayBasis: record.PayBasis, FundSource: s.Record.Fund(record.FundSource), Method: result.Method,
			Undecided: result.Quality == leakage.Undecided, BeforeTenths: result.BeforeTenths, AfterTenths: result.AfterTenths},
		Sections: 1, WorkShown: result.Shown.Work, TripShown: result.Shown.Trip, PicturesOwed: int64(result.PicturesOwed),
	}
	if home := job.Home.Record; home != nil {
		work.Sections = int64(home.SectionCount)
	}
	for _, c := range job.Crossovers {
		if c.Record.Action == domain.Replaced {
			work.Crossovers++
		}
	}
	return month.PayOf(s.Record, &work)
}

const pastRecordsSQL = `
SELECT` + EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind IN ('contractor', 'crew_member', 'credential', 'instrument', 'rule_set')
ORDER BY e.kind, e.record_id, e.version`

// ReadPast reads what stands outside the jobs, with its history.
func (t *Tx) ReadPast(zone *time.Location) (*Past, error) {
	var rows []EntryRow
	All(t, &rows, pastRecordsSQL, Args{"program_id": t.Program})
	if err := t.Flush(); err != nil {
		return nil, err
	}
	p := &Past{zone: zone, Sets: map[domain.UUID]PastSet{}, records: map[domain.UUID][][]domain.Entry{}}
	var versions []domain.Entry
	for i := range rows {
		e, err := rows[i].Entry(true)
		if err != nil {
			return nil, err
		}
		if record, ok := e.Record.(*domain.RuleSet); ok {
			set, faults := rules.NewSet(e.ID, record)
			if len(faults) > 0 {
				return nil, fmt.Errorf("rule set %s: %w", e.ID, domain.InvalidFields(faults))
			}
			p.Sets[e.ID] = PastSet{record, set}
			continue
		}
		versions = append(versions, e)
		if i+1 == len(rows) || rows[i+1].Kind != rows[i].Kind || rows[i+1].RecordID != rows[i].RecordID {
			owner := IDOf(rows[i].ContractorID) // as the newest version says
			p.records[owner] = append(p.records[owner], versions)
			versions = nil
		}
	}
	return p, nil
}

// at picks what of a contractor and of the agency stood at a position.
func (p *Past) at(contractor domain.UUID, position int64) (list []domain.Entry) {
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

// A JobAt names a job at a position, and whose it was.
type JobAt struct {
	JobID        domain.UUID
	ContractorID domain.UUID
	Position     int64
}

type pastEntryRow struct {
	EntryRow
	ForJobID [16]byte
}

// A picture that arrives makes no entry. It counts from the next position on, so
// that what is read at one says the same whenever it is read.
const pastColumns = entryOwn + entryNumber + `
    CASE WHEN e.kind = 'photo' THEN (SELECT CASE WHEN x.stored_at <= a.as_of THEN 'stored' WHEN x.erased_at <= a.as_of THEN 'erased' ELSE 'awaited' END
        FROM picture AS x WHERE x.program_id = e.program_id AND x.photo_id = e.record_id) END AS bytes_state,` + EntryTexts

// What stood at each job's own position, of its records and its home.
const pastEntriesSQL = `
WITH asked AS (
    SELECT x.job_id, x.position, j.home_id,
        (SELECT p.recorded_at FROM entry AS p WHERE p.program_id = @program_id AND p.position = x.position) AS as_of
    FROM unnest(@jobs::uuid[], @positions::bigint[]) AS x(job_id, position)
    JOIN job AS j ON j.program_id = @program_id AND j.id = x.job_id
)
SELECT` + pastColumns + `, a.job_id AS for_job_id
FROM asked AS a
JOIN entry AS e ON e.program_id = @program_id AND e.job_id = a.job_id
    AND e.position <= a.position AND (e.until_position IS NULL OR e.until_position > a.position)
UNION ALL
SELECT` + pastColumns + `, a.job_id
FROM asked AS a
JOIN entry AS e ON e.program_id = @program_id AND e.kind = 'home' AND e.record_id = a.home_id
    AND e.position <= a.position AND (e.until_position IS NULL OR e.until_position > a.position)
ORDER BY for_job_id, position`

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
	Match    []byte
	JobID    [16]byte
}

// Where else the pictures of these jobs had been sent by then, as far as they
// still stand.
const pastPhotosSQL = `
SELECT x.job_id AS for_job_id, x.match, e.job_id
FROM unnest(@photo_jobs::uuid[], @matches::bytea[], @photo_positions::bigint[]) AS x(job_id, match, position)
JOIN entry AS e ON e.program_id = @program_id AND e.match = x.match AND e.job_id <> x.job_id AND e.position <= x.position
JOIN job AS j ON j.program_id = @program_id AND j.id = e.job_id
JOIN job AS own ON own.program_id = @program_id AND own.id = x.job_id AND own.home_id <> j.home_id
ORDER BY x.job_id, x.match, e.job_id`

// JobsAt assembles a few jobs, each as it stood at its position, in two round
// trips. Which devices still held work then is not history and is left out.
func (t *Tx) JobsAt(p *Past, asked []JobAt) ([]*rules.Assembled, error) {
	entries, outside := make([][]domain.Entry, len(asked)), make([]rules.Outside, len(asked))
	places := make(map[domain.UUID]int, len(asked))
	ids, positions := make([]domain.UUID, len(asked)), make([]int64, len(asked))
	for i, a := range asked {
		ids[i], positions[i], places[a.JobID] = a.JobID, a.Position, i
		outside[i] = rules.Outside{Zone: p.zone, Entries: p.at(a.ContractorID, a.Position), HomesLed: map[domain.UUID]int{}}
	}
	args := Args{"program_id": t.Program, "jobs": ids, "positions": positions}
	var rows []pastEntryRow
	All(t, &rows, pastEntriesSQL, args)
	var replaced []EntryRow
	t.ReadReplaced(&replaced, ids, positions)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	earlierVersions, err := Entries(replaced, true)
	if err != nil {
		return nil, err
	}
	for _, e := range earlierVersions {
		o := &outside[places[e.JobID]]
		o.Past = append(o.Past, e)
	}
	ask := pastQuestions{pictures: map[string]string{}}
	for i := range rows {
		e, err := rows[i].Entry(true)
		if err != nil {
			return nil, err
		}
		place := places[rows[i].ForJobID]
		if e.Kind == domain.HomeKind {
			outside[place].Entries = append(outside[place].Entries, e)
		} else {
			entries[place] = append(entries[place], e)
		}
		ask.about(&e, ids[place], positions[place])
	}
	args["leads"], args["lead_jobs"], args["lead_positions"] = ask.leads, ask.leadJobs, ask.leadPositions
	args["matches"], args["photo_jobs"], args["photo_positions"] = ask.matches, ask.photoJobs, ask.photoPositions
	var led []pastLedRow
	var earlier []pastEarlierRow
	var photos []pastPhotoRow
	All(t, &led, pastLedSQL, args)
	All(t, &earlier, pastEarlierSQL, args)
	All(t, &photos, pastPhotosSQL, args)
	if err := t.Flush(); err != nil {
		return nil, err
	}
	for _, r := range led {
		outside[places[r.ForJobID]].HomesLed[r.CrewLeadID] = int(r.Count)
	}
	for _, r := range earlier {
		o := &outside[places[r.ForJobID]]
		o.Earlier = append(o.Earlier, rules.EarlierJob{JobID: r.JobID, AcceptedOn: domain.DateOf(r.AcceptedAt, p.zone)})
	}
	for _, r := range photos {
		addSamePhoto(&outside[places[r.ForJobID]], ask.pictures[string(r.Match)], r.JobID)
	}
	jobs := make([]*rules.Assembled, len(asked))
	for i, id := range ids {
		job, err := rules.Assemble(id, entries[i], outside[i])
		if err != nil {
			return nil, fmt.Errorf("assemble job %s: %w", id, err)
		}
		jobs[i] = job
	}
	return jobs, nil
}

// pastQuestions gathers what has to be asked of other jobs.
type pastQuestions struct {
	leads, leadJobs, photoJobs    []domain.UUID
	leadPositions, photoPositions []int64
	matches                       [][]byte
	pictures                      map[string]string // SHA-256 by match
}

func (q *pastQuestions) about(e *domain.Entry, job domain.UUID, position int64) {
	switch r := e.Record.(type) {
	case *domain.Visit:
		if r.LeadID != nil {
			q.leads, q.leadJobs, q.leadPositions = append(q.leads, *r.LeadID), append(q.leadJobs, job), append(q.leadPositions, position)
		}
	case *domain.Photo:
		match := domain.Match(r)
		q.matches, q.photoJobs, q.photoPositions = append(q.matches, match), append(q.photoJobs, job), append(q.photoPositions, position)
		q.pictures[string(match)] = r.SHA256
	}
}
