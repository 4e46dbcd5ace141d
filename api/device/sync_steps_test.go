package device_test

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"ductledger/api/device/book"
	"ductledger/domain"
)

// step does one thing that happens in the field or in the office.
func (g *agency) step() {
	p := g.phones[g.r.IntN(len(g.phones))]
	switch n := g.r.IntN(100); {
	case n < 42:
		p.work()
	case n < 66:
		p.sync()
	case n < 70:
		if err := p.Push(context.Background()); err != nil {
			g.note("%s: push: %v", p.name, err)
		}
	case n < 73:
		p.restart()
	case n < 76:
		g.a.Clock.Move(time.Duration(g.r.IntN(30)) * time.Hour)
	default:
		g.decide()
	}
}

// work writes something on a phone, with a signal or without.
func (p *fieldPhone) work() {
	g := p.agency
	jobs := p.Jobs()
	if len(jobs) == 0 {
		return
	}
	job := jobs[g.r.IntN(len(jobs))]
	switch n := g.r.IntN(20); {
	case n < 5:
		p.write(g.id(), boot(job, 1+g.r.IntN(30)))
	case n < 7:
		opening := &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}
		if c, ok := g.some(domain.ComponentKind, job); ok { // may be another phone's, not sent yet
			opening.Target = &domain.Subject{Kind: domain.ComponentKind, ID: c.id}
		}
		p.write(g.id(), opening)
	case n < 9:
		p.measure(job)
	case n == 9:
		if o, ok := g.some(domain.OpeningKind, job); ok {
			p.write(g.id(), &domain.Photo{JobID: job, SHA256: fmt.Sprintf("%064x", g.r.Uint64()), BytesCount: 1000, MediaType: "image/jpeg", WidthPx: 4, HeightPx: 3,
				TakenAt: g.a.Clock.Now(), Stage: domain.BeforeStage, Subjects: []domain.PhotoSubject{{Kind: domain.OpeningKind, ID: o.id}}})
		}
	case n == 10:
		wrong := boot(job, 1)
		wrong.Found = "crooked"
		p.write(g.id(), wrong)
	case n < 15:
		if c, ok := g.some(domain.ComponentKind, job); ok {
			p.edit(c.id)
		}
	case n < 17:
		if c, ok := g.some([]domain.Kind{domain.ComponentKind, domain.OpeningKind, domain.MeasurementKind}[g.r.IntN(3)], job); ok {
			if _, _, there := p.Record(c.kind, c.id); there {
				g.note("%s: voids %s %s", p.name, c.kind, short(c.id))
				p.must(p.Void(c.kind, c.id, fmt.Sprintf("reason %d", g.r.IntN(1000))))
			}
		}
	case n < 19:
		p.move(job)
	default:
		p.surveyHome(job)
	}
}

func (p *fieldPhone) must(err error) {
	p.agency.t.Helper()
	if err != nil {
		p.agency.t.Fatal(err)
	}
}

func (p *fieldPhone) write(id domain.UUID, record domain.Record) {
	p.agency.note("%s: writes %s %s of job %s", p.name, record.Kind(), short(id), short(record.Job()))
	p.must(p.Put(id, record))
	p.agency.parts = append(p.agency.parts, part{record.Kind(), id, record.Job()})
}

// some is a record of the job that somebody wrote.
func (g *agency) some(kind domain.Kind, job domain.UUID) (part, bool) {
	var of []part
	for _, x := range g.parts {
		if x.kind == kind && x.job == job {
			of = append(of, x)
		}
	}
	if len(of) == 0 {
		return part{}, false
	}
	return of[g.r.IntN(len(of))], true
}

func (p *fieldPhone) measure(job domain.UUID) {
	g := p.agency
	pressure, flow := 25.0, float64(50+g.r.IntN(400))
	m := &domain.Measurement{JobID: job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: g.instruments[p.contractor], TakenAt: g.a.Clock.Now(),
		Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}}
	if old, ok := g.some(domain.MeasurementKind, job); ok && g.r.IntN(2) == 0 {
		m.Replaces, m.Reason = &old.id, "gauge slipped"
	}
	p.write(g.id(), m)
}

// edit changes one field of a component as the phone has it.
func (p *fieldPhone) edit(id domain.UUID) {
	text, _, there := p.Record(domain.ComponentKind, id)
	if !there {
		return
	}
	var c domain.Component
	p.must(json.Unmarshal(text, &c))
	value := float64(1 + p.agency.r.IntN(9))
	switch p.agency.r.IntN(3) {
	case 0:
		c.WidestGapIn = &value
	case 1:
		c.PositionFt = &value
	default:
		c.Found = []domain.Found{domain.FoundTight, domain.FoundLeaky, domain.FoundDetached}[p.agency.r.IntN(3)]
	}
	p.agency.note("%s: edits %s", p.name, short(id))
	p.must(p.Put(id, &c))
}

// move brings a job into its next state.
func (p *fieldPhone) move(id domain.UUID) {
	text, _, there := p.Record(domain.JobKind, id)
	if !there {
		return
	}
	var job domain.Job
	p.must(json.Unmarshal(text, &job))
	job.State = domain.InWork
	if p.agency.r.IntN(2) == 0 {
		job.State, job.Outcome = domain.SentIn, domain.Completed
	}
	p.agency.note("%s: job %s is %s", p.name, short(id), job.State)
	p.must(p.Put(id, &job))
}

func (p *fieldPhone) surveyHome(id domain.UUID) {
	text, _, there := p.Record(domain.JobKind, id)
	if !there {
		return
	}
	var job domain.Job
	p.must(json.Unmarshal(text, &job))
	if text, _, there = p.Record(domain.HomeKind, job.HomeID); !there {
		return
	}
	var home domain.Home
	p.must(json.Unmarshal(text, &home))
	area := float64(700 + p.agency.r.IntN(500))
	home.FloorAreaFt2 = &area
	p.agency.note("%s: surveys home %s", p.name, short(job.HomeID))
	p.must(p.Put(job.HomeID, &home))
}

// decide does something in the office.
func (g *agency) decide() {
	job := g.jobs[g.r.IntN(len(g.jobs))]
	switch n := g.r.IntN(24); {
	case n < 2 && len(g.jobs) < 6:
		g.newJob(g.r.IntN(len(g.contractors)))
	case n < 7:
		to := g.contractors[g.r.IntN(len(g.contractors))]
		g.moveJob(job, func(j *domain.Job) { j.ContractorID = to })
	case n < 10:
		g.review(job, domain.Accept)
	case n < 12:
		g.review(job, domain.Return)
	case n < 14:
		g.review(job, domain.Reopen)
	case n == 14:
		g.review(job, domain.Defer)
	case n == 15:
		if version := g.read(domain.JobKind, job, &domain.Job{}); version > 0 {
			g.office(http.MethodPost, "/v1/jobs/"+job.String()+"/void", `{"reason":"entered twice"}`, "If-Match", fmt.Sprintf("%q", fmt.Sprint(version)))
		}
	case n < 18:
		if c, ok := g.some(domain.ComponentKind, job); ok {
			var stored domain.Component
			if version := g.read(c.kind, c.id, &stored); version > 0 {
				stored.FoundReason = fmt.Sprintf("reason %d", g.r.IntN(100))
				g.put(c.id, &stored, version)
			}
		}
	case n < 21:
		g.settle()
	case n == 21:
		g.office(http.MethodPut, "/v1/homes/"+g.homes[g.r.IntN(len(g.homes))].String()+"/resident", fmt.Sprintf(`{"name":"Invented Resident %d"}`, g.r.IntN(100)))
	case n == 22:
		g.office(http.MethodPost, "/v1/homes/"+g.homes[g.r.IntN(len(g.homes))].String()+"/resident/erase", nil)
	default:
		g.callBack(job)
	}
}

// callBack opens one on an accepted job, or closes it.
func (g *agency) callBack(job domain.UUID) {
	if c, ok := g.some(domain.CallBackKind, job); ok {
		var stored domain.CallBack
		if version := g.read(c.kind, c.id, &stored); version > 0 && stored.ClosedOn == "" {
			stored.ClosedOn = domain.DateOf(g.a.Clock.Now(), time.UTC)
			g.put(c.id, &stored, version)
		}
		return
	}
	var stored domain.Job
	if g.read(domain.JobKind, job, &stored) > 0 && stored.State == domain.Accepted {
		id := g.id()
		g.put(id, &domain.CallBack{JobID: job, ReportedOn: domain.DateOf(g.a.Clock.Now(), time.UTC), Reason: "no air"}, 0)
		g.parts = append(g.parts, part{domain.CallBackKind, id, job})
	}
}

// settle applies or dismisses something that is held.
func (g *agency) settle() {
	items := g.held("open")
	if len(items) == 0 {
		return
	}
	item := items[g.r.IntN(len(items))]
	if g.r.IntN(3) == 0 {
		g.office(http.MethodPost, "/v1/held/"+item.HeldID+"/dismiss", nil)
		return
	}
	var any json.RawMessage
	id, _ := domain.ParseUUID(item.ID)
	var version int64
	if row, known := domain.RowOf(domain.Kind(item.Kind)); known {
		version = g.read(row.Kind, id, &any)
	}
	g.office(http.MethodPost, "/v1/held/"+item.HeldID+"/apply", fmt.Sprintf(`{"base_version":%d}`, version))
}

// held lists what is held in a state.
func (g *agency) held(state string) []book.Held {
	g.t.Helper()
	list, err := book.HeldIn(g.get, state)
	if err != nil {
		g.t.Fatal(err)
	}
	return list
}
