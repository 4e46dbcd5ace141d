// Package inspections decides which jobs are open to inspectors.
//
// A draw is a record that only the service writes, in two steps: its frame with
// all chances and the seed's digest are published, and later the seed draws. All
// is decided under the lock of the program's head, so that two requests never
// draw twice and no job comes between the frame and the draw.
package inspections

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/domain/stat"
	"ductledger/storage"

	"github.com/google/uuid"
)

// An Ask is one step: with SeedSHA256 a frame is published, with Seed it is drawn
// from, with AsSentIn both under a seed of the service's own, with JobID a job is
// opened by hand.
type Ask struct {
	Month        domain.Month
	ContractorID domain.UUID
	AsSentIn     bool
	SharePercent *int // nil: as the program's rules say, as of the two below
	TopUp        *float64
	VisitPercent *int
	SeedSHA256   string
	Seed         []byte
	JobID        domain.UUID
	ReasonCodes  []string
	InspectorID  domain.UUID
}

// Answer names the record that holds the draw.
type Answer struct {
	ID              domain.UUID
	Created, Replay bool
}

type desk struct {
	t      *storage.Tx
	ledger *storage.Ledger
	caller domain.Caller
	ask    *Ask
}

// Draw does one step. The same request again changes nothing.
func Draw(ctx context.Context, db *storage.DB, caller domain.Caller, ask Ask) (out Answer, err error) {
	err = db.In(ctx, caller.Program, storage.Writing, func(t *storage.Tx) error {
		ledger, err := t.LockLedger()
		if err != nil {
			return err
		}
		d := desk{t, ledger, caller, &ask}
		if err := d.inspectorIsOne(); err != nil {
			return err
		}
		if !ask.JobID.IsZero() {
			out, err = d.byHand()
			return err
		}
		out, err = d.step()
		return err
	})
	return out, err
}

// recordID is that of a draw, made of what it is a draw of: so it is made once.
func (d *desk) recordID(of string) domain.UUID { return recordID(d.t.Program, of) }

func recordID(program domain.UUID, of string) domain.UUID {
	return domain.UUID(uuid.NewSHA1(uuid.UUID(program), []byte("inspection_draw/"+of)))
}

func monthKey(month domain.Month, contractor domain.UUID) string {
	if contractor.IsZero() {
		return string(month)
	}
	return string(month) + "/" + contractor.String()
}

const inspectorSQL = `
SELECT count(*) AS count FROM person WHERE program_id = @program_id AND person_id = @person_id AND role = 'inspector' AND ended_at IS NULL`

func (d *desk) inspectorIsOne() error {
	if d.ask.InspectorID.IsZero() {
		return nil
	}
	var row *struct{ Count int64 }
	storage.One(d.t, &row, inspectorSQL, storage.Args{"program_id": d.t.Program, "person_id": d.ask.InspectorID})
	if err := d.t.Flush(); err != nil {
		return err
	}
	if row.Count == 0 {
		return refused("/inspector_id", "not_an_inspector", "this person is no inspector of the program", "name a person with the role inspector, or nobody")
	}
	return nil
}

func refused(pointer, code, detail, fix string) error {
	return domain.InvalidFields([]domain.Fault{{Pointer: pointer, Code: code, Detail: detail, Fix: fix}})
}

// stored is a draw as it stands.
type stored struct {
	domain.Entry
	draw *domain.InspectionDraw
}

const drawsSQL = `
SELECT` + storage.EntryColumns + `
FROM entry AS e
WHERE e.program_id = @program_id AND e.kind = 'inspection_draw' AND e.record_id = ANY (@ids::uuid[]) AND e.until_position IS NULL`

func (d *desk) read(ids ...domain.UUID) (map[domain.UUID]stored, error) {
	var rows []storage.EntryRow
	storage.All(d.t, &rows, drawsSQL, storage.Args{"program_id": d.t.Program, "ids": ids})
	if err := d.t.Flush(); err != nil {
		return nil, err
	}
	entries, err := storage.Entries(rows, true)
	if err != nil {
		return nil, err
	}
	all := map[domain.UUID]stored{}
	for _, e := range entries {
		all[e.ID] = stored{e, e.Record.(*domain.InspectionDraw)}
	}
	return all, nil
}

// write appends the next version and opens jobs at its position.
func (d *desk) write(id domain.UUID, before stored, draw *domain.InspectionDraw, open []domain.UUID) (Answer, error) {
	position, err := d.ledger.Append(d.caller, id, draw, before.Version+1, before.Position)
	if err != nil {
		return Answer{}, err
	}
	if len(open) > 0 {
		d.t.Queue(openSQL, storage.Args{"program_id": d.t.Program, "jobs": open, "inspector_id": d.ask.InspectorID, "position": position, "at": d.t.Now,
			"by_hand": !d.ask.JobID.IsZero()})
	}
	return Answer{ID: id, Created: before.Version == 0}, nil
}

const openSQL = `
INSERT INTO inspection_draw (program_id, job_id, inspector_id, granted_position, drawn_at, by_hand_position)
SELECT @program_id::uuid, x.job_id, @inspector_id::uuid, @position::bigint, @at::timestamptz, CASE WHEN @by_hand::boolean THEN @position::bigint END FROM unnest(@jobs::uuid[]) AS x(job_id)
ON CONFLICT (program_id, job_id) DO UPDATE SET during_work = false, inspector_id = excluded.inspector_id, granted_position = excluded.granted_position,
    drawn_at = excluded.drawn_at, closed_at = NULL, ended_position = NULL`

type jobRow struct {
	Void bool
	Open bool
}

const byHandSQL = `
SELECT j.void, EXISTS (SELECT FROM inspection_draw AS d WHERE d.program_id = @program_id AND d.job_id = j.id AND d.closed_at IS NULL) AS open
FROM job AS j WHERE j.program_id = @program_id AND j.id = @job_id`

// byHand opens one job, with a reason. It is never drawn by that: no estimate
// counts it.
func (d *desk) byHand() (Answer, error) {
	var row *jobRow
	storage.One(d.t, &row, byHandSQL, storage.Args{"program_id": d.t.Program, "job_id": d.ask.JobID})
	id := d.recordID("by_hand/" + d.ask.JobID.String())
	all, err := d.read(id)
	switch {
	case err != nil:
		return Answer{}, err
	case row == nil:
		return Answer{}, storage.NotFound(domain.JobKind)
	case row.Void:
		return Answer{}, refused("/job_id", "void", "the job is void: there is nothing to inspect", "open another job")
	case len(d.ask.ReasonCodes) == 0:
		return Answer{}, refused("/reason_codes", "required", "a job that is opened by hand needs a reason", "say why, in short codes such as resident_complained")
	}
	before := all[id]
	draw := &domain.InspectionDraw{State: domain.DrawByHand, Jobs: []domain.DrawJob{{JobID: d.ask.JobID}}, ReasonCodes: d.ask.ReasonCodes,
		InspectorID: storage.OrNull(d.ask.InspectorID)}
	if row.Open && before.Version > 0 && slices.Equal(before.draw.ReasonCodes, draw.ReasonCodes) && storage.OrZero(before.draw.InspectorID) == d.ask.InspectorID {
		return Answer{ID: id, Replay: true}, nil
	}
	return d.write(id, before, draw, []domain.UUID{d.ask.JobID})
}

// step publishes the frame of a month, or draws from it.
func (d *desk) step() (Answer, error) {
	program, err := d.t.Settings()
	if err != nil {
		return Answer{}, err
	}
	zone, err := program.Zone()
	if err != nil {
		return Answer{}, err
	}
	from, err := time.ParseInLocation("2006-01", string(d.ask.Month), zone)
	if err != nil {
		return Answer{}, refused("/month", "format", "a month is written as 2026-10", "send year and month")
	}
	m := month{from: from, before: from.AddDate(0, 1, 0)}
	m.over = !d.t.Now.Before(m.before)
	if err := d.readMonth(&m); err != nil {
		return Answer{}, err
	}
	m.id = d.recordID(monthKey(d.ask.Month, d.ask.ContractorID))
	others := []domain.UUID{m.id, d.recordID(monthKey(d.ask.Month, domain.UUID{}))}
	for _, r := range m.frame {
		others = append(others, d.recordID(monthKey(d.ask.Month, r.ContractorID)))
	}
	all, err := d.read(others...)
	if err != nil {
		return Answer{}, err
	}
	for other, there := range all {
		if narrow := there.draw.ContractorID != nil; other != m.id && (narrow || !d.ask.ContractorID.IsZero()) {
			return Answer{}, refused("/contractor_id", "drawn_otherwise", "jobs of this month stand in another draw: no job is drawn twice",
				"go on with the draw "+other.String())
		}
	}
	m.stored = all[m.id]
	if before := m.stored.draw; before != nil && before.AsSentIn != d.ask.AsSentIn {
		if before.AsSentIn {
			return Answer{}, refused("/as_sent_in", "drawn_otherwise", "the jobs of this month are drawn as they are sent in, by a seed that the service made", "go on with as_sent_in")
		}
		return Answer{}, refused("/as_sent_in", "drawn_otherwise", "the frame of this month is published under a promised seed", "go on with that seed")
	}
	switch {
	case d.ask.AsSentIn:
		return d.asSentIn(&m)
	case d.ask.Seed != nil:
		return d.draw(&m)
	}
	return d.publish(&m)
}

// month is what a step needs to know of the month it is about.
type month struct {
	id           domain.UUID // of the draw
	from, before time.Time
	over         bool
	stored
	frame []frameRow
	// As the rules have it that are in force today or, once it is over, on its last day.
	share, visits int
	topUp         float64
}

// readMonth reads the month's frame, and how the program draws.
func (d *desk) readMonth(m *month) error {
	var rules []*domain.RuleSet
	storage.All(d.t, &m.frame, frameSQL, storage.Args{"program_id": d.t.Program, "from": m.from, "before": m.before, "contractor_id": d.ask.ContractorID})
	d.t.QueueRuleSets(&rules, storage.Newest)
	if err := d.t.Flush(); err != nil {
		return err
	}
	day := domain.DateOf(d.t.Now, m.from.Location())
	if last := domain.DateOf(m.before.AddDate(0, 0, -1), m.from.Location()); m.over {
		day = last
	}
	m.share, m.topUp, m.visits = domain.RuleSetOn(rules, day).Drawing()
	for _, asked := range []struct{ to, value *int }{{&m.share, d.ask.SharePercent}, {&m.visits, d.ask.VisitPercent}} {
		if asked.value != nil {
			*asked.to = *asked.value
		}
	}
	if d.ask.TopUp != nil {
		m.topUp = *d.ask.TopUp
	}
	return nil
}

type frameRow struct {
	JobID        [16]byte
	ContractorID [16]byte
	Risk         int64
	Begun        bool
}

// The jobs that were sent in for the first time in the month and are not void, with the
// questions that the screens asked. Begun: inspected after the work though nobody opened it.
const frameSQL = `
SELECT r.job_id, r.contractor_id, coalesce(cardinality(r.questions), 0)::bigint AS risk,
    EXISTS (SELECT FROM entry AS e WHERE e.program_id = @program_id AND e.job_id = r.job_id AND e.kind = 'inspection'
        AND e.until_position IS NULL AND e.voided_at IS NULL AND e.body::jsonb ->> 'purpose' <> 'in_progress')
    AND NOT EXISTS (SELECT FROM inspection_draw AS d WHERE d.program_id = @program_id AND d.job_id = r.job_id AND NOT d.during_work) AS begun
FROM job_result AS r JOIN job AS j ON j.program_id = r.program_id AND j.id = r.job_id
WHERE r.program_id = @program_id AND r.serial = 1 AND r.sent_in_at >= @from AND r.sent_in_at < @before
    AND r.outcome = 'completed' AND NOT j.void AND (@contractor_id::uuid IS NULL OR r.contractor_id = @contractor_id)
ORDER BY r.job_id`

// usable refuses a frame from which nothing can be drawn fairly.
func (d *desk) usable(frame []frameRow, over bool) error {
	for _, r := range frame {
		if r.Begun {
			return refused("/month", "inspections_begun", "the job "+domain.UUID(r.JobID).String()+" of this month was inspected before the draw: a draw now could be chosen to suit it",
				"open the jobs that are to be inspected by hand, outside the estimate")
		}
	}
	if over {
		return d.someJob(frame)
	}
	return nil
}

func (d *desk) someJob(frame []frameRow) error {
	if len(frame) == 0 {
		return refused("/month", "no_job", "no job was sent in for the first time in this month: there is nothing to draw from", "draw another month")
	}
	return nil
}

func (d *desk) publish(m *month) (Answer, error) {
	if m.Version > 0 {
		if m.stored.draw.SeedSHA256 != d.ask.SeedSHA256 {
			return Answer{}, refused("/seed_sha256", "seed_stands", "another seed was promised for this month: "+m.stored.draw.SeedSHA256,
				"keep it: a seed that is chosen anew can be chosen to suit the jobs")
		}
		if m.stored.draw.State == domain.DrawDrawn {
			return Answer{ID: m.id, Replay: true}, nil
		}
	}
	if err := d.usable(m.frame, m.over); err != nil {
		return Answer{}, err
	}
	draw := &domain.InspectionDraw{State: domain.DrawPublished, Month: d.ask.Month, ContractorID: storage.OrNull(d.ask.ContractorID), SeedSHA256: d.ask.SeedSHA256}
	return d.tell(m, draw)
}

// tell publishes the frame with its chances, as often as it has changed.
func (d *desk) tell(m *month, draw *domain.InspectionDraw) (Answer, error) {
	draw.SharePercent, draw.TopUpCount = m.share, m.topUp
	jobs, err := draws.Chances(candidatesOf(m.frame, d.ask.Month), draws.Design{SharePercent: m.share, TopUp: m.topUp, AsSentIn: draw.AsSentIn})
	if err != nil {
		return Answer{}, refusalOf(err)
	}
	draw.Jobs = published(jobs)
	draw.FrameSHA256 = frameSHA256(draw.Jobs)
	if b := m.stored.draw; b != nil && b.FrameSHA256 == draw.FrameSHA256 && b.SharePercent == draw.SharePercent && b.TopUpCount == draw.TopUpCount {
		return Answer{ID: m.id, Replay: true}, nil
	}
	return d.write(m.id, m.stored, draw, nil)
}

func candidatesOf(frame []frameRow, of domain.Month) []draws.Candidate {
	candidates := make([]draws.Candidate, len(frame))
	for i, r := range frame {
		candidates[i] = draws.Candidate{JobID: r.JobID, ContractorID: r.ContractorID, Month: string(of), Risk: float64(r.Risk)}
	}
	return candidates
}

func (d *desk) draw(m *month) (Answer, error) {
	before := m.stored
	if before.Version == 0 {
		return Answer{}, refused("/seed", "not_published", "nothing is published for this month: the frame and the seed's digest are told before the seed", "send seed_sha256 first")
	}
	digest := draws.SeedDigest(d.ask.Seed)
	if hex.EncodeToString(digest[:]) != before.draw.SeedSHA256 {
		return Answer{}, refused("/seed", "other_digest", "this seed's SHA-256 is not the one that was published: "+before.draw.SeedSHA256, "send the seed that was promised")
	}
	if before.draw.State == domain.DrawDrawn {
		return Answer{ID: m.id, Replay: true}, nil
	}
	if !m.over {
		return Answer{}, &domain.Error{Code: domain.UnfinishedPeriod, Detail: "the month has not ended: jobs can still come into the frame"}
	}
	if err := d.usable(m.frame, m.over); err != nil {
		return Answer{}, err
	}
	if faults := changed(before.draw.Jobs, m.frame); len(faults) > 0 {
		return Answer{}, domain.InvalidFields(faults)
	}
	candidates := make([]draws.Candidate, len(before.draw.Jobs))
	for i, j := range before.draw.Jobs {
		candidates[i] = draws.Candidate{JobID: j.JobID, ContractorID: j.ContractorID, Month: string(d.ask.Month), Risk: float64(j.RiskCount)}
	}
	jobs, err := draws.Draw(d.ask.Seed, candidates, draws.Design{SharePercent: before.draw.SharePercent, TopUp: before.draw.TopUpCount})
	if err != nil {
		return Answer{}, refusalOf(err)
	}
	draw := *before.draw
	draw.State, draw.Seed, draw.InspectorID, draw.Jobs = domain.DrawDrawn, hex.EncodeToString(d.ask.Seed), storage.OrNull(d.ask.InspectorID), published(jobs)
	return d.write(m.id, before, &draw, drawnOf(draw.Jobs))
}

// drawnOf are the jobs that are to be inspected.
func drawnOf(jobs []domain.DrawJob) (open []domain.UUID) {
	for i := range jobs {
		if j := &jobs[i]; j.Drawn() {
			open = append(open, j.JobID)
		}
	}
	return open
}

// changed names the jobs that came into the frame or left it since it was told.
func changed(told []domain.DrawJob, now []frameRow) (faults []domain.Fault) {
	fault := func(job domain.UUID, what string) {
		faults = append(faults, domain.Fault{Pointer: "/month", Code: "frame_changed", Detail: fmt.Sprintf("the job %s %s", job, what),
			Fix: "publish the frame again, with the same seed_sha256"})
	}
	were := map[domain.UUID]domain.UUID{}
	for _, j := range told {
		were[j.JobID] = j.ContractorID
	}
	for _, r := range now {
		contractor, known := were[r.JobID]
		switch {
		case !known:
			fault(r.JobID, "has come")
		case contractor != r.ContractorID:
			fault(r.JobID, "has another contractor")
		}
		delete(were, r.JobID)
	}
	for _, j := range told {
		if _, gone := were[j.JobID]; gone {
			fault(j.JobID, "has left")
		}
	}
	return faults
}

func published(jobs []draws.Job) []domain.DrawJob {
	list := make([]domain.DrawJob, len(jobs))
	for i, j := range jobs {
		list[i] = domain.DrawJob{JobID: j.JobID, ContractorID: j.ContractorID, RiskCount: int(j.Risk), StratumCount: j.StratumCount,
			StratumDrawnCount: j.StratumDrawn, ByRiskRatio: j.ByRisk, ChanceRatio: j.Chance, DrawnAtRandom: j.DrawnA, DrawnByRisk: j.DrawnB}
	}
	return list
}

func frameSHA256(jobs []domain.DrawJob) string {
	var lines []byte
	for _, j := range jobs {
		lines = fmt.Appendf(lines, "%s %s %d\n", j.JobID, j.ContractorID, j.RiskCount)
	}
	sum := sha256.Sum256(lines)
	return hex.EncodeToString(sum[:])
}

// refusalOf says what the kernel refuses in the words of the request.
func refusalOf(err error) error {
	var r *stat.Refusal
	if errors.As(err, &r) {
		return refused(r.Argument, r.Code, r.Detail, r.Fix)
	}
	return err
}
