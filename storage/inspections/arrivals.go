package inspections

import (
	"crypto/rand"
	"encoding/hex"
	"time"

	"ductledger/domain"
	"ductledger/domain/draws"
	"ductledger/storage"
)

// asSentIn begins to draw the jobs of a running month as they are sent in, by a seed that
// the service makes and nobody reads before the month is over; asked again then, it fills
// every stratum up to its share and tells the seed. Nobody could choose that seed to suit the
// jobs, so that a month whose inspections have begun, or whose frame has changed, hinders
// nothing.
func (d *desk) asSentIn(m *month) (Answer, error) {
	before := m.stored.draw
	switch {
	case !d.ask.ContractorID.IsZero():
		return Answer{}, refused("/contractor_id", "of_all", "jobs are drawn as they are sent in of all contractors", "leave contractor_id out")
	case !d.ask.InspectorID.IsZero():
		return Answer{}, refused("/inspector_id", "of_all", "a job that is drawn as it is sent in opens to every inspector", "leave inspector_id out")
	case before == nil && m.over:
		return Answer{}, refused("/month", "month_over", "the month is over: its jobs were sent in, and nobody drew them then", "promise a seed with seed_sha256, and draw with it")
	case before == nil && d.t.Now.Before(m.from):
		return Answer{}, refused("/month", "month_to_come", "the month has not begun", "begin its draw once it has")
	case before == nil:
		return d.begin(m)
	case d.asksOther(before):
		return Answer{}, refused("/share_percent", "draw_runs", "the draw of this month has begun, and its shares stand", "leave share_percent, visit_percent and top_up_count out")
	case before.State == domain.DrawDrawn || !m.over:
		return Answer{ID: m.id, Replay: true}, nil
	}
	return d.fillUp(m)
}

// asksOther tells whether the request names a share that the draw did not begin with.
func (d *desk) asksOther(draw *domain.InspectionDraw) bool {
	a := d.ask
	return a.SharePercent != nil && *a.SharePercent != draw.SharePercent || a.VisitPercent != nil && *a.VisitPercent != draw.VisitPercent ||
		a.TopUp != nil && *a.TopUp != draw.TopUpCount
}

const seedSQL = `
INSERT INTO inspection_seed (program_id, month, from_at, before_at, seed, inner_key, outer_key, below, visit_below)
VALUES (@program_id, @month, @from, @before, @seed, @inner, @outer, @below, @visit_below)`

// begin makes the seed, tells its digest, and draws from the jobs that came already.
func (d *desk) begin(m *month) (Answer, error) {
	seed := make([]byte, 32)
	_, _ = rand.Read(seed) // never fails, by its documentation
	digest := draws.SeedDigest(seed)
	inner, outer := draws.Keys(seed)
	d.t.Queue(seedSQL, storage.Args{"program_id": d.t.Program, "month": string(d.ask.Month), "from": m.from, "before": m.before, "seed": seed,
		"inner": inner, "outer": outer, "below": draws.Below(m.share), "visit_below": draws.Below(m.visits)})
	draw := &domain.InspectionDraw{State: domain.DrawPublished, Month: d.ask.Month, AsSentIn: true, VisitPercent: m.visits, SharePercent: m.share, TopUpCount: m.topUp,
		SeedSHA256: hex.EncodeToString(digest[:])}
	jobs, err := draws.Chances(candidatesOf(m.frame, d.ask.Month), design(draw))
	if err != nil {
		return Answer{}, refusalOf(err)
	}
	draw.Jobs = published(jobs)
	draw.FrameSHA256 = frameSHA256(draw.Jobs)
	var open []domain.UUID
	for i := range draw.Jobs {
		if id := draw.Jobs[i].JobID; draws.DrawnAsItComes(seed, id, m.share, false) {
			open = append(open, id)
		}
	}
	return d.write(m.id, m.stored, draw, open)
}

func design(draw *domain.InspectionDraw) draws.Design {
	return draws.Design{SharePercent: draw.SharePercent, TopUp: draw.TopUpCount, AsSentIn: draw.AsSentIn}
}

type seedRow struct{ Seed []byte }

const seedOfSQL = `
SELECT x.seed FROM inspection_seed AS x WHERE x.program_id = @program_id AND x.month = @month`

type begunRow struct{ JobID, ContractorID [16]byte }

// The jobs that a crew began in the month.
const begunSQL = `
SELECT j.id AS job_id, j.contractor_id FROM job AS j
WHERE j.program_id = @program_id AND j.began_at > @began AND j.began_at < @before AND NOT j.void
ORDER BY j.id`

type openedRow struct{ JobID [16]byte }

// Jobs that were drawn as they came: they are not opened again.
const openedSQL = `
SELECT d.job_id FROM inspection_draw AS d
WHERE d.program_id = @program_id AND d.job_id = ANY (@jobs::uuid[]) AND NOT d.during_work AND d.by_hand_position IS NULL`

// fillUp ends the draw of a month that is over.
func (d *desk) fillUp(m *month) (Answer, error) {
	if err := d.someJob(m.frame); err != nil {
		return Answer{}, err
	}
	var seed *seedRow
	var begun []begunRow
	draw := *m.stored.draw
	args := storage.Args{"program_id": d.t.Program, "month": string(d.ask.Month), "before": m.before, "began": later(m.from, m.stored.RecordedAt)}
	storage.One(d.t, &seed, seedOfSQL, args)
	storage.All(d.t, &begun, begunSQL, args)
	if err := d.t.Flush(); err != nil {
		return Answer{}, err
	}
	if seed == nil {
		return Answer{}, domain.Errorf(domain.Internal, "the seed of %s is not there", d.ask.Month)
	}
	jobs, err := draws.Draw(seed.Seed, candidatesOf(m.frame, d.ask.Month), design(&draw))
	if err != nil {
		return Answer{}, refusalOf(err)
	}
	draw.State, draw.Seed, draw.Jobs = domain.DrawDrawn, hex.EncodeToString(seed.Seed), published(jobs)
	draw.FrameSHA256 = frameSHA256(draw.Jobs)
	for _, r := range begun {
		draw.Visits = append(draw.Visits, domain.DrawVisit{JobID: r.JobID, ContractorID: r.ContractorID, Drawn: draws.DrawnAsItComes(seed.Seed, r.JobID, draw.VisitPercent, true)})
	}
	open := drawnOf(draw.Jobs)
	var opened []openedRow
	storage.All(d.t, &opened, openedSQL, storage.Args{"program_id": d.t.Program, "jobs": open})
	if err := d.t.Flush(); err != nil {
		return Answer{}, err
	}
	there := map[domain.UUID]bool{}
	for _, r := range opened {
		there[r.JobID] = true
	}
	fresh := open[:0]
	for _, id := range open {
		if !there[id] {
			fresh = append(fresh, id)
		}
	}
	return d.write(m.id, m.stored, &draw, fresh)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
