//go:build linux

package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"ductledger/api/device"
	"ductledger/api/device/book"
	"ductledger/domain"
)

// app is a phone, or the office at its desk, with what it was told. Both work as
// the example field app does.
type app struct {
	*device.Device
	t       *trial
	program *program
	name    string
	r       *rand.Rand
	office  bool
	contractor,
	instrument domain.UUID
	options device.Options
	journal *mortal
	dies    float64 // how likely the app dies at a write of its journal
	told    []book.Told
	album   album
	broken  string // what the app itself found wrong
}

// mortal is a journal of an app that dies now and then while it writes: half of
// what it wrote is in the file, and nothing that it does after that is.
type mortal struct {
	device.File
	dies func() bool
	dead bool
}

var errDied = errors.New("the app died")

func (m *mortal) Append(lines ...[]byte) error {
	if m.dead {
		return errDied
	}
	if !m.dies() {
		return m.File.Append(lines...)
	}
	m.dead = true
	file, err := os.OpenFile(string(m.File), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	text := bytes.Join(lines, []byte("\n"))
	_, err = file.Write(text[:len(text)/2])
	return errors.Join(errDied, err, file.Close())
}

// album has the pictures that a phone took.
type album map[domain.UUID][]byte

// Picture gives one.
func (a album) Picture(photo domain.UUID) ([]byte, error) {
	if content := a[photo]; content != nil {
		return content, nil
	}
	return nil, device.ErrNoPicture
}

// pauseShare is how much of each pause an app really waits: its days are short.
const pauseShare = 0.02

// newApp makes one; what it keeps stands in a file.
func (t *trial) newApp(p *program, name, token string, id domain.UUID, part uint64) (*app, error) {
	a := &app{t: t, program: p, name: p.code + " " + name, r: t.chance(part), album: album{}}
	a.journal = &mortal{File: device.File(filepath.Join(t.folder, p.code+"-"+name+".journal")), dies: func() bool { return a.r.Float64() < a.dies }}
	dial := func(ctx context.Context, network, _ string) (net.Conn, error) { // any service will do
		return new(net.Dialer).DialContext(ctx, network, t.services[rand.IntN(len(t.services))].link.Address())
	}
	off := time.Duration(0)
	if a.r.IntN(3) == 0 { // a clock that is years off
		off = time.Duration(a.r.IntN(6*365*24)-3*365*24) * time.Hour
	}
	a.options = device.Options{URL: "http://ductledger.invalid", Token: token, ID: id, Journal: a.journal, Album: a.album, Tries: 4, Patience: 5 * time.Second,
		Link: &book.Log{Link: &http.Transport{DialContext: dial}, Note: func(told book.Told) { a.told = append(a.told, told) }},
		Now:  func() time.Time { return time.Now().Add(off) }, Rand: t.chance(part + 1000),
		Wait: func(ctx context.Context, pause time.Duration) error {
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(time.Duration(float64(pause) * pauseShare)):
				return nil
			}
		}}
	return a, a.open()
}

// open starts the app from its journal.
func (a *app) open() (err error) {
	a.journal.dead = false
	a.Device, err = device.Open(a.options)
	return err
}

// live works and syncs until it is stopped. A link that breaks is no failure; a
// journal that cannot be read is one.
func (a *app) live(ctx context.Context, stopped <-chan struct{}) {
	a.dies = 0.002
	for {
		select {
		case <-stopped:
			a.dies = 0
			return
		case <-ctx.Done():
			return
		case <-time.After(time.Duration(5+a.r.IntN(60)) * time.Millisecond):
		}
		for range 1 + a.r.IntN(4) {
			a.work()
		}
		_ = a.Sync(ctx) // tried again soon
		if a.r.IntN(3) == 0 {
			_ = a.SendPictures(ctx)
		}
		if a.journal.dead || a.r.IntN(50) == 0 {
			a.t.counts.appDeaths.Add(1)
			if err := a.open(); err != nil {
				a.broken = fmt.Sprintf("%s does not start again: %v", a.name, err)
				return
			}
		}
	}
}

// put notes a record; false where the app died.
func (a *app) put(id domain.UUID, record domain.Record) bool {
	return a.Put(id, record) == nil
}

// id is a new id of version 7, by the seed.
func (a *app) id() domain.UUID { return newID(a.r) }

func newID(r *rand.Rand) (id domain.UUID) {
	for i := range id {
		id[i] = byte(r.IntN(256))
	}
	id[6], id[8] = 0x70|id[6]&0x0f, 0x80|id[8]&0x3f
	return id
}

// work does one thing, in the field or in the office.
func (a *app) work() {
	if a.office {
		a.decide()
		return
	}
	jobs := a.Jobs()
	if len(jobs) == 0 {
		return
	}
	job := jobs[a.r.IntN(len(jobs))]
	switch n := a.r.IntN(20); {
	case n < 7:
		a.write(a.id(), a.boot(job))
	case n < 9:
		opening := &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew}
		if c, ok := a.program.some(a.r, domain.ComponentKind, job); ok { // may be another phone's, not sent yet
			opening.Target = &domain.Subject{Kind: domain.ComponentKind, ID: c}
		}
		a.write(a.id(), opening)
	case n < 11:
		pressure, flow := 25.0, float64(50+a.r.IntN(400))
		a.write(a.id(), &domain.Measurement{JobID: job, Method: domain.FanTotal, Stage: domain.Before, InstrumentID: a.instrument, TakenAt: a.options.Now(),
			Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}})
	case n == 11:
		a.photograph(job)
	case n == 12:
		wrong := a.boot(job)
		wrong.Found = crooked
		a.write(a.id(), wrong)
	case n < 17:
		if c, ok := a.program.some(a.r, domain.ComponentKind, job); ok {
			a.edit(c)
		}
	case n < 18:
		if c, ok := a.program.some(a.r, domain.ComponentKind, job); ok {
			if _, _, there := a.Record(domain.ComponentKind, c); there {
				_ = a.Void(domain.ComponentKind, c, fmt.Sprintf("reason %d", a.r.IntN(1000))) // the app may have died
			}
		}
	default:
		a.move(job)
	}
}

// crooked is no state in which a part is found: the service must refuse it, and
// keep it for a person.
const crooked = domain.Found("crooked")

func (a *app) boot(job domain.UUID) *domain.Component {
	number := 1 + a.r.IntN(30)
	return &domain.Component{JobID: job, Component: domain.Boot, Section: "A", Number: &number, Found: domain.FoundLeaky}
}

// write notes a record that others may refer to, also before it has come.
func (a *app) write(id domain.UUID, record domain.Record) {
	if a.put(id, record) {
		a.program.wrote(record.Kind(), id, record.Job())
	}
}

// photograph takes a small picture of the job.
func (a *app) photograph(job domain.UUID) {
	const wide, high = 64, 48
	m := image.NewRGBA(image.Rect(0, 0, wide, high))
	for i := range m.Pix {
		m.Pix[i] = byte(a.r.IntN(256)) | byte(i%4/3*255) // no pixel shows what is behind it
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		a.broken = err.Error()
		return
	}
	id, sum := a.id(), sha256.Sum256(b.Bytes())
	a.album[id] = b.Bytes()
	a.write(id, &domain.Photo{JobID: job, SHA256: hex.EncodeToString(sum[:]), BytesCount: int64(b.Len()), MediaType: "image/jpeg", WidthPx: wide, HeightPx: high,
		TakenAt: a.options.Now(), Stage: domain.BeforeStage, Subjects: []domain.PhotoSubject{{Kind: domain.JobKind, ID: job}}})
}

// edit changes one field of a component, as this app has it.
func (a *app) edit(id domain.UUID) {
	text, _, there := a.Record(domain.ComponentKind, id)
	var c domain.Component
	if !there || json.Unmarshal(text, &c) != nil {
		return
	}
	value := float64(1 + a.r.IntN(100))
	if a.r.IntN(2) == 0 {
		c.PositionFt = &value
	} else {
		c.StartFt = &value
	}
	a.put(id, &c)
}

// move brings a job into its next state.
func (a *app) move(id domain.UUID) {
	text, _, there := a.Record(domain.JobKind, id)
	var job domain.Job
	if !there || json.Unmarshal(text, &job) != nil {
		return
	}
	switch job.State {
	case domain.Assigned, domain.Returned:
		job.State = domain.InWork
	case domain.InWork:
		job.State, job.Outcome = domain.SentIn, domain.Completed
	default:
		return
	}
	a.put(id, &job)
}

// decide does something in the office: gives jobs out, reviews those that were
// sent in, corrects a component under a crew's hands.
func (a *app) decide() {
	p := a.program
	jobs := p.list()
	job := jobs[a.r.IntN(len(jobs))]
	switch n := a.r.IntN(12); {
	case n < 6:
		if c, ok := p.some(a.r, domain.ComponentKind, job); ok {
			a.edit(c)
		}
	case n < 8:
		a.review()
	case n < 9:
		a.assign(p.contractors[a.r.IntN(len(p.contractors))].id)
	case n < 11:
		a.t.askPackage(p)
	}
}

// review decides on one of the jobs that are sent in.
func (a *app) review() {
	var sentIn []domain.UUID
	for _, job := range a.Jobs() {
		var stands domain.Job
		if text, _, there := a.Record(domain.JobKind, job); there && json.Unmarshal(text, &stands) == nil && stands.State == domain.SentIn {
			sentIn = append(sentIn, job)
		}
	}
	if len(sentIn) == 0 {
		return
	}
	review := &domain.Review{JobID: sentIn[a.r.IntN(len(sentIn))], Decision: domain.Accept}
	if a.r.IntN(3) == 0 {
		review.Decision, review.ReasonCodes = domain.Return, []string{"wrong_reading"}
	}
	a.put(a.id(), review)
}

// assign makes a job at a home of its own.
func (a *app) assign(contractor domain.UUID) {
	home, job := a.id(), a.id()
	if a.put(home, &domain.Home{SectionCount: 1, DuctedSections: []domain.Section{"A"}}) &&
		a.put(job, &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: domain.Assigned}) {
		a.program.mu.Lock()
		defer a.program.mu.Unlock()
		a.program.jobs = append(a.program.jobs, job)
	}
}

// program is one of the two agencies.
type program struct {
	code        string
	token       string // the office's
	contractors []contractor
	apps        []*app // the office first

	mu    sync.Mutex
	jobs  []domain.UUID
	parts map[domain.UUID][]part // of each job
}

type contractor struct{ id, instrument domain.UUID }

// part is a record of a job that somebody wrote.
type part struct {
	kind domain.Kind
	id   domain.UUID
}

func (p *program) wrote(kind domain.Kind, id, job domain.UUID) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.parts[job] = append(p.parts[job], part{kind, id})
}

// some is one of a job's newest records of a kind.
func (p *program) some(r *rand.Rand, kind domain.Kind, job domain.UUID) (id domain.UUID, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var of []domain.UUID
	for _, x := range p.parts[job] {
		if x.kind == kind {
			of = append(of, x.id)
		}
	}
	const newest = 20
	of = of[max(0, len(of)-newest):]
	if len(of) == 0 {
		return id, false
	}
	return of[r.IntN(len(of))], true
}

// list are the newest jobs.
func (p *program) list() []domain.UUID {
	p.mu.Lock()
	defer p.mu.Unlock()
	const newest = 12
	return p.jobs[max(0, len(p.jobs)-newest):]
}
