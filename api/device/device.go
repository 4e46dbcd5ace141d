package device

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"time"

	"ductledger/api/wire"
	"ductledger/domain"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
)

// Options of a device. URL and Token are needed.
type Options struct {
	URL     string
	Token   string
	ID      domain.UUID       // the device's own, as the token names it
	Journal Journal           // nil: nothing survives the process
	Link    http.RoundTripper // nil: http.DefaultTransport
	Now     func() time.Time  // the phone's clock; nil: time.Now
	Rand    *rand.Rand        // for jitter; nil: seeded by chance
	// Wait pauses before a new try; nil: it sleeps.
	Wait        func(ctx context.Context, pause time.Duration) error
	Client      wire.Client
	Album       Album         // nil: no picture is sent
	PictureLink func() bool   // whether pictures may go over the link of now; nil: over any
	BatchItems  int           // at most 500, the default
	BatchBytes  int           // aimed at; 64 KiB by default
	Tries       int           // in a row without success before Sync gives up until the next signal; 8 by default
	Patience    time.Duration // for one answer; 60 s by default
}

// Device is a phone with what it keeps.
type Device struct {
	o     Options
	http  *http.Client
	notes map[key]*note
	mark  mark
	// What the service found about each job, as the last push told: the crew
	// sees it while it is still there.
	counts map[domain.UUID]wire.JobCounts
	// What of its pictures the service still waited for when the link broke.
	picturesOwed []wire.Upload
}

// key names a record.
type key struct {
	kind domain.Kind
	id   domain.UUID
}

func (k key) String() string { return string(k.kind) + "/" + k.id.String() }

// mark is where the device stands with the service.
type mark struct {
	Epoch   string `json:"epoch,omitzero"`
	Cursor  string `json:"cursor,omitzero"`  // of the feed; empty: never pulled
	Receipt string `json:"receipt,omitzero"` // of the newest push
	Told    int64  `json:"told,omitzero"`    // the highest position that any answer told of
}

func (m *mark) toldOf(position int64) { m.Told = max(m.Told, position) }

// Open reads what the journal kept.
func Open(o Options) (*Device, error) {
	if o.URL == "" || o.Token == "" {
		return nil, fmt.Errorf("a device needs the service's address and a token")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.New(rand.NewPCG(rand.Uint64(), rand.Uint64()))
	}
	if o.Wait == nil {
		o.Wait = sleep
	}
	o.URL = strings.TrimSuffix(o.URL, "/")
	o.BatchItems = min(orElse(o.BatchItems, 500), 500)
	o.BatchBytes = orElse(o.BatchBytes, 64<<10)
	o.Tries = orElse(o.Tries, 8)
	o.Patience = orElse(o.Patience, 60*time.Second)
	d := &Device{o: o, http: &http.Client{Transport: o.Link, Timeout: o.Patience}, notes: map[key]*note{}, counts: map[domain.UUID]wire.JobCounts{}}
	return d, d.load()
}

func orElse[T comparable](value, otherwise T) T {
	var none T
	if value == none {
		return otherwise
	}
	return value
}

func sleep(ctx context.Context, pause time.Duration) error {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// Put notes what the crew wrote. It is durable when Put returns, and goes out
// with the next Sync.
func (d *Device) Put(id domain.UUID, record domain.Record) error {
	body, err := json.Marshal(record, json.Deterministic(true))
	if err != nil {
		return err
	}
	job := record.Job()
	if record.Kind() == domain.JobKind {
		job = id
	}
	return d.write(key{record.Kind(), id}, job, draft{Record: body})
}

// Void notes that a record no longer counts.
func (d *Device) Void(kind domain.Kind, id domain.UUID, reason string) error {
	var job domain.UUID
	if n := d.notes[key{kind, id}]; n != nil {
		job = n.JobID
	}
	return d.write(key{kind, id}, job, draft{Void: reason})
}

func (d *Device) write(k key, job domain.UUID, next draft) error {
	n := d.note(k)
	n.JobID = job
	next.WrittenAt = d.o.Now()
	next.Base, next.From = n.Version, n.Record
	if n.Draft != nil { // not sent yet: the newest content takes its place
		next.Base, next.From, next.Resolves = n.Draft.Base, n.Draft.From, n.Draft.Resolves
	}
	n.Draft, n.Problem = &next, nil
	return d.save(n)
}

// Record is the newest content that the device has of a record.
func (d *Device) Record(kind domain.Kind, id domain.UUID) (content jsontext.Value, version int64, ok bool) {
	n := d.notes[key{kind, id}]
	if n == nil || n.Dropped != nil {
		return nil, 0, false
	}
	content = n.newest()
	return content, n.Version, content != nil
}

// Jobs are the ids of the jobs on the device, in order.
func (d *Device) Jobs() (ids []domain.UUID) {
	for k, n := range d.notes {
		if k.kind == domain.JobKind && n.Dropped == nil && n.newest() != nil {
			ids = append(ids, k.id)
		}
	}
	slices.SortFunc(ids, domain.UUID.Compare)
	return ids
}

// Counts are the findings of a job in numbers, as the newest push told.
func (d *Device) Counts(job domain.UUID) (counts wire.JobCounts, told bool) {
	counts, told = d.counts[job]
	return counts, told
}

// Trouble is a record that a person must look at.
type Trouble struct {
	Kind      domain.Kind
	ID        domain.UUID
	Problem   jsontext.Value // why it was refused
	Contested []Contest      // fields that somebody else changed too
}

// Troubles lists what the crew must be shown.
func (d *Device) Troubles() (list []Trouble) {
	troubled := func(n *note) bool { return n.Problem != nil || len(n.Contested) > 0 }
	for _, n := range d.which(troubled) {
		list = append(list, Trouble{n.Kind, n.ID, n.Problem, n.Contested})
	}
	return list
}

// Pending counts the records that are not answered yet.
func (d *Device) Pending() (count int) {
	for _, n := range d.notes {
		if n.owes() {
			count++
		}
	}
	return count
}

// Sync delivers what the device has and takes in what is new.
func (d *Device) Sync(ctx context.Context) error {
	if err := d.Push(ctx); err != nil {
		return err
	}
	if err := d.Pull(ctx); err != nil {
		return err
	}
	return d.Push(ctx) // what the pull marked as unsent
}
