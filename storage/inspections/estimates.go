package inspections

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/rules"
	"ductledger/storage"

	"github.com/go-json-experiment/json"
)

// Estimates are what the inspections of drawn jobs tell, as they stood at a position.
type Estimates struct {
	Position int64
	AsOfAt   time.Time
	Figures  draws.FailureFigures
	Months   []MonthDrawn
	Visits   Visits
}

// Visits count what came of the jobs that were drawn for a visit during the work.
type Visits struct{ Begun, Drawn, Made, Failed, Announced int }

// MonthDrawn tells how far the draw of one month is.
type MonthDrawn struct {
	Month  domain.Month
	DrawID domain.UUID // zero: there is none
	State  domain.DrawState
}

// Estimate reads the draws of the months that begin in a period of days. A draw that was
// made counts with all of its jobs, whatever became of them since.
func Estimate(ctx context.Context, db *storage.DB, program domain.UUID, from, before domain.Date, position int64) (out Estimates, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		r, err := readerAt(t, from, before, position)
		if err != nil {
			return err
		}
		out.Position, out.AsOfAt = r.Position, r.AsOfAt
		jobs, begun, months, err := r.drawn(from, before)
		if err != nil {
			return err
		}
		looks, err := r.looks(jobs)
		if err != nil {
			return err
		}
		out.Months = months
		if out.Visits, err = r.visits(begun); err != nil {
			return err
		}
		out.Figures, err = draws.Failures(jobs, looks, r.names)
		return err
	})
	return out, err
}

// Course is what one contractor's inspections tell in their order.
type Course struct {
	Position int64
	AsOfAt   time.Time
	draws.Course
}

// ReadCourse follows one contractor through the draws of the months that begin in a period.
func ReadCourse(ctx context.Context, db *storage.DB, program, contractor domain.UUID, from, before domain.Date, position int64) (out Course, err error) {
	err = db.In(ctx, program, storage.Survey, func(t *storage.Tx) error {
		r, err := readerAt(t, from, before, position)
		if err != nil {
			return err
		}
		name, known := r.names[contractor]
		if !known {
			return storage.NotFound(domain.ContractorKind)
		}
		out.Position, out.AsOfAt = r.Position, r.AsOfAt
		jobs, _, _, err := r.drawn(from, before)
		if err != nil {
			return err
		}
		looks, err := r.looks(jobs)
		if err != nil {
			return err
		}
		out.Course, err = draws.CourseOf(jobs, looks, contractor, name)
		return err
	})
	return out, err
}

// reader reads what stood at one position.
type reader struct {
	storage.Window
	t     *storage.Tx
	names map[domain.UUID]string
	sets  []*domain.RuleSet
}

func readerAt(t *storage.Tx, from, before domain.Date, position int64) (*reader, error) {
	window, err := t.Window(from, before, position)
	if err != nil {
		return nil, err
	}
	r := &reader{Window: window, t: t}
	t.QueueRuleSets(&r.sets, r.Position)
	r.names, err = t.ContractorNames(r.Position)
	return r, err
}

const drawsAtSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'inspection_draw' AND e.record_id = ANY (@ids::uuid[])
    AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position)`

// drawn are the frames of the draws, by month; of a month there is one draw, or one for
// each contractor.
func (r *reader) drawn(from, before domain.Date) (jobs []draws.Job, begun []domain.DrawVisit, months []MonthDrawn, err error) {
	monthOf := map[domain.UUID]domain.Month{}
	var ids []domain.UUID
	for _, month := range monthsOf(from, before) {
		for contractor := range r.names {
			id := recordID(r.t.Program, monthKey(month, contractor))
			monthOf[id], ids = month, append(ids, id)
		}
		id := recordID(r.t.Program, monthKey(month, domain.UUID{}))
		monthOf[id], ids = month, append(ids, id)
		months = append(months, MonthDrawn{Month: month})
	}
	var rows []storage.EntryRow
	storage.All(r.t, &rows, drawsAtSQL, storage.Args{"program_id": r.t.Program, "ids": ids, "position": r.Position})
	if err := r.t.Flush(); err != nil {
		return nil, nil, nil, err
	}
	entries, err := storage.Entries(rows, true)
	if err != nil {
		return nil, nil, nil, err
	}
	slices.SortFunc(entries, func(a, b domain.Entry) int { return a.ID.Compare(b.ID) })
	for _, e := range entries {
		draw := e.Record.(*domain.InspectionDraw)
		at := slices.IndexFunc(months, func(m MonthDrawn) bool { return m.Month == monthOf[e.ID] })
		months[at].DrawID, months[at].State = e.ID, draw.State
		if draw.State == domain.DrawDrawn {
			jobs, begun = append(jobs, framed(draw)...), append(begun, draw.Visits...)
		}
	}
	return jobs, begun, months, nil
}

// Inspections during the work as they stood at the position.
const visitsSQL = `
SELECT e.job_id, e.body
FROM unnest(@jobs::uuid[]) AS x(job_id)
JOIN entry AS e ON e.program_id = @program_id AND e.job_id = x.job_id AND e.kind = 'inspection'
    AND e.position <= @position AND (e.until_position IS NULL OR e.until_position > @position) AND e.voided_at IS NULL
WHERE e.body::jsonb ->> 'purpose' = 'in_progress'
ORDER BY e.position`

type visitRow struct {
	JobID [16]byte
	Body  string
}

// visits count what came of the drawn visits; of a job the first that was finished speaks.
func (r *reader) visits(begun []domain.DrawVisit) (v Visits, err error) {
	var drawn []domain.UUID
	for _, b := range begun {
		v.Begun++
		if b.Drawn {
			drawn = append(drawn, b.JobID)
		}
	}
	v.Drawn = len(drawn)
	var rows []visitRow
	storage.All(r.t, &rows, visitsSQL, storage.Args{"program_id": r.t.Program, "jobs": drawn, "position": r.Position})
	if err := r.t.Flush(); err != nil {
		return v, err
	}
	seen := map[domain.UUID]bool{}
	for _, row := range rows {
		found := new(domain.Inspection)
		if err := json.Unmarshal([]byte(row.Body), found); err != nil {
			return v, fmt.Errorf("inspection of job %s: %w", domain.UUID(row.JobID), err)
		}
		if found.Result != domain.InspectionPassed && found.Result != domain.InspectionFailed || seen[row.JobID] {
			continue
		}
		seen[row.JobID] = true
		v.Made++
		if found.Result == domain.InspectionFailed {
			v.Failed++
		}
		if found.Unannounced == nil || !*found.Unannounced {
			v.Announced++
		}
	}
	return v, nil
}

// framed are a draw's jobs as the estimators take them.
func framed(draw *domain.InspectionDraw) []draws.Job {
	jobs := make([]draws.Job, len(draw.Jobs))
	for i, j := range draw.Jobs {
		jobs[i] = draws.Job{
			Candidate:    draws.Candidate{JobID: j.JobID, ContractorID: j.ContractorID, Month: string(draw.Month), Risk: float64(j.RiskCount)},
			StratumCount: j.StratumCount, StratumDrawn: j.StratumDrawnCount, ByRisk: j.ByRiskRatio, DrawnA: j.DrawnAtRandom, DrawnB: j.DrawnByRisk,
		}
		jobs[i].Chance = jobs[i].ChanceOf()
	}
	return jobs
}

// monthsOf are those that begin in the period.
func monthsOf(from, before domain.Date) (months []domain.Month) {
	day, err := time.Parse(time.DateOnly, string(from))
	if err != nil {
		return nil // the query was checked
	}
	if day.Day() > 1 {
		day = day.AddDate(0, 1, 1-day.Day())
	}
	for ; domain.Date(day.Format(time.DateOnly)) < before; day = day.AddDate(0, 1, 0) {
		months = append(months, domain.Month(day.Format("2006-01")))
	}
	return months
}

// What was recorded of drawn jobs: inspections and their readings, what was said of
// them, the jobs and the instruments that were read.
const looksSQL = `
WITH taken AS MATERIALIZED (
    SELECT t.position, t.kind, t.body::jsonb ->> 'stage' AS stage, (t.body::jsonb ->> 'instrument_id')::uuid AS instrument_id
    FROM unnest(@jobs::uuid[]) AS x(job_id)
    JOIN entry AS t ON t.program_id = @program_id AND t.job_id = x.job_id AND t.kind IN ('job', 'inspection', 'measurement', 'review')
        AND t.position <= @position AND (t.until_position IS NULL OR t.until_position > @position) AND t.voided_at IS NULL
), wanted AS (
    SELECT position FROM taken WHERE kind <> 'measurement' OR stage = 'inspection'
    UNION
    SELECT i.position
    FROM (SELECT DISTINCT instrument_id AS id FROM taken WHERE stage = 'inspection') AS m
    JOIN entry AS i ON i.program_id = @program_id AND i.kind = 'instrument' AND i.record_id = m.id
        AND i.position <= @position AND (i.until_position IS NULL OR i.until_position > @position)
)
SELECT` + storage.EntryColumns + `
FROM wanted AS w
JOIN entry AS e ON e.program_id = @program_id AND e.position = w.position`

type crewRow struct {
	JobID  [16]byte
	Method string
	Tenths int64
}

// The crews' own readings after, as accepted.
const crewAfterSQL = `
SELECT r.job_id, r.method, r.after_tenths AS tenths
FROM unnest(@jobs::uuid[]) AS x(job_id)
JOIN job_result AS r ON r.program_id = @program_id AND r.job_id = x.job_id
    AND r.accepted_position <= @position AND (r.until_position IS NULL OR r.until_position > @position)
WHERE r.after_tenths > 0 AND r.method IS NOT NULL AND NOT r.below_range`

// looks tell what came of each drawn job.
func (r *reader) looks(jobs []draws.Job) (map[domain.UUID]draws.Look, error) {
	var drawn []domain.UUID
	for i := range jobs {
		if jobs[i].Drawn() {
			drawn = append(drawn, jobs[i].JobID)
		}
	}
	args := storage.Args{"program_id": r.t.Program, "jobs": drawn, "position": r.Position}
	var rows []storage.EntryRow
	var crews []crewRow
	storage.All(r.t, &rows, looksSQL, args)
	storage.All(r.t, &crews, crewAfterSQL, args)
	if err := r.t.Flush(); err != nil {
		return nil, err
	}
	entries, err := storage.Entries(rows, true)
	if err != nil {
		return nil, err
	}
	ofJob, instruments := map[domain.UUID][]domain.Entry{}, []domain.Entry{}
	for _, e := range entries {
		if e.Kind == domain.InstrumentKind {
			instruments = append(instruments, e)
			continue
		}
		ofJob[e.JobID] = append(ofJob[e.JobID], e)
	}
	looks := make(map[domain.UUID]draws.Look, len(drawn))
	for job, of := range ofJob {
		looks[job] = r.look(of)
	}
	for _, c := range crews {
		look, known := looks[c.JobID]
		if !known {
			continue
		}
		look.CrewTenths = c.Tenths
		if look.InspectorTenths, err = rules.InspectorTenths(c.JobID, domain.Method(c.Method), ofJob[c.JobID], instruments); err != nil {
			return nil, err
		}
		looks[c.JobID] = look
	}
	return looks, nil
}

// look reads one job's inspections. The first finished one after the work speaks: what a
// later one finds was mended meanwhile. Without any the last that was tried says why.
func (r *reader) look(of []domain.Entry) (look draws.Look) {
	var list []domain.Entry
	for _, e := range of {
		if i, ok := e.Record.(*domain.Inspection); ok && i.Purpose != domain.DuringWork {
			list = append(list, e)
		}
	}
	slices.SortFunc(list, func(a, b domain.Entry) int {
		return cmp.Or(cmp.Compare(a.Record.(*domain.Inspection).InspectedOn, b.Record.(*domain.Inspection).InspectedOn), a.ID.Compare(b.ID))
	})
	look.Outcome = draws.Owed
	for i := range list {
		found := list[i].Record.(*domain.Inspection)
		switch {
		case found.Result == "passed":
			look.Outcome, look.On, look.Verdicts = draws.Passed, found.InspectedOn, found.Verdicts
			return look
		case found.Result == "failed":
			look.Outcome, look.On, look.Verdicts = draws.Failed, found.InspectedOn, found.Verdicts
			r.right(&look, &list[i], of)
			return look
		case found.NotFinishedReason == domain.InspectionRefused:
			look.Outcome = draws.Refused
		case found.NotFinishedReason == domain.InspectionNoAccess:
			look.Outcome = draws.NoAccess
		default:
			look.Outcome = draws.NotFinished
		}
	}
	return look
}

// right says how far the contractor's right of reply is. It begins when the failure is
// recorded, anew with each version of it. A reply names the inspection among its subjects;
// it is settled by the office's answer to the same, or by a later move of the job.
func (r *reader) right(look *draws.Look, failed *domain.Entry, of []domain.Entry) {
	set := domain.RuleSetOn(r.sets, failed.Record.(*domain.Inspection).InspectedOn)
	last := domain.DateOf(failed.RecordedAt, r.Zone).AddWorkingDays(set.ReplyWorkingDays())
	replied, settled := int64(0), int64(0)
	for _, e := range of {
		review, ok := e.Record.(*domain.Review)
		if !ok || e.Position < failed.Position {
			continue
		}
		names := review.Finding != nil && slices.Contains(review.Finding.Subjects, domain.Subject{Kind: domain.InspectionKind, ID: failed.ID})
		switch review.Decision {
		case domain.Reply:
			if names {
				replied = max(replied, e.Position)
			}
		case domain.Answer:
			if names {
				settled = max(settled, e.Position)
			}
		case domain.Return, domain.Reopen, domain.Accept:
			settled = max(settled, e.Position)
		}
	}
	look.Disputed = replied > settled
	look.MayReply = replied == 0 && domain.DateOf(r.AsOfAt, r.Zone) <= last
}
