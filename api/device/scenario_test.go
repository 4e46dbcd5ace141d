package device_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ductledger/api"
	"ductledger/api/apitest"
	"ductledger/api/device"
	"ductledger/domain"
	"ductledger/storage"
)

// front is a service whose inside can be exchanged under running phones.
type front struct {
	*apitest.API
	inside atomic.Value // of http.Handler
}

func newFront(t *testing.T, change func(*api.Config)) *front {
	t.Helper()
	f := &front{API: apitest.Serve(t)}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f.inside.Load().(http.Handler).ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	f.URL = server.URL
	f.serve(t, f.DB, change)
	return f
}

func (f *front) serve(t *testing.T, db *storage.DB, change func(*api.Config)) {
	t.Helper()
	config := api.Config{DB: db, Now: f.Clock.Now, Log: slog.New(slog.DiscardHandler), Unlimited: true}
	if change != nil {
		change(&config)
	}
	handler, err := api.New(config)
	if err != nil {
		t.Fatal(err)
	}
	f.DB = db
	f.inside.Store(handler)
}

// scene is an agency of two contractors: phones 0 and 1 are the first's, each
// further one is made by the test.
func scene(t *testing.T, a *apitest.API) *agency {
	t.Helper()
	g := newAgency(t, a, "SCENE", rand.New(rand.NewPCG(7, 7)), 2, 0)
	g.phone("A", 0)
	g.phone("B", 0)
	return g
}

func all(phones ...*fieldPhone) {
	for _, p := range phones {
		p.sync()
	}
}

// last tells what the phone was answered last for a record.
func (p *fieldPhone) last(kind domain.Kind, id domain.UUID) (status string, version, position int64) {
	for _, a := range p.answers {
		if a.Item.Kind == kind && a.Item.ID == id {
			status, version, position = a.Answer.Status, a.Answer.Version, a.Answer.Position
		}
	}
	return status, version, position
}

// told lists what the phone was answered for a record.
func (p *fieldPhone) told(kind domain.Kind, id domain.UUID) (list []string) {
	for _, a := range p.answers {
		if a.Item.Kind == kind && a.Item.ID == id {
			list = append(list, strings.TrimSpace(fmt.Sprintf("%s %d", a.Answer.Status, a.Answer.Version)))
		}
	}
	return list
}

func (g *agency) head() (position int64) {
	g.t.Helper()
	var start struct {
		HeadPosition int64 `json:"head_position"`
	}
	g.office(http.MethodGet, "/v1/sync", nil).Into(&start)
	return start.HeadPosition
}

// feed reads what is new for a phone, without the phone.
func (p *fieldPhone) feed() (lines []string) {
	var page struct {
		Items []struct {
			Op, Kind, Reason string
			Position         int64
		}
	}
	p.agency.a.Send(p.options.Token, http.MethodGet, "/v1/changes?after="+p.Cursor(), nil).Want(http.StatusOK).Into(&page)
	for _, i := range page.Items {
		lines = append(lines, strings.Join(strings.Fields(fmt.Sprint(i.Op, " ", i.Kind, i.Reason, " ", i.Position)), " "))
	}
	return lines
}

func equal[T any](t *testing.T, what string, got, want T) {
	t.Helper()
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

// One job's evening: two phones change one component, a photograph comes before
// what it shows, a reply is lost, and the job goes to another contractor while
// one phone is still out of reach.
func TestAnEveningStepByStep(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a, b := g.phones[0], g.phones[1]
	third, other := g.phone("third", 0), g.phone("other", 1)
	job, elsewhere := g.newJob(0), g.newJob(1)
	k, o, early, photo := g.id(), g.id(), g.id(), g.id()
	all(a)
	a.write(k, boot(job, 1))
	all(a, b, third, other)
	h := g.head()

	width, depth := 0.5, 6.0
	wide, deep := boot(job, 1), boot(job, 1)
	wide.WidestGapIn, deep.InsideHeightIn = &width, &depth
	a.must(a.Put(k, wide))
	a.write(o, &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew})
	b.must(b.Put(k, deep))
	b.write(photo, &domain.Photo{JobID: job, SHA256: fmt.Sprintf("%064x", 1), BytesCount: 9, MediaType: "image/jpeg", WidthPx: 4, HeightPx: 3, TakenAt: g.a.Clock.Now(),
		Stage: domain.BeforeStage, Subjects: []domain.PhotoSubject{{Kind: domain.OpeningKind, ID: early}}})

	a.must(a.Push(t.Context()))
	status, version, position := a.last(domain.ComponentKind, k)
	equal(t, "A's component", fmt.Sprintf("%s %d %d", status, version, position-h), "updated 2 1")
	status, version, position = a.last(domain.OpeningKind, o)
	equal(t, "A's opening", fmt.Sprintf("%s %d %d", status, version, position-h), "created 1 2")

	b.must(b.Push(t.Context()))
	equal(t, "B's component", b.told(domain.ComponentKind, k), []string{"conflict 0", "updated 3"})
	equal(t, "B's photograph", b.told(domain.PhotoKind, photo), []string{"waiting 0"})
	equal(t, "open", len(g.held("open")), 0)
	equal(t, "closed", len(g.held("closed")), 1)
	var merged domain.Component
	g.read(domain.ComponentKind, k, &merged)
	if merged.WidestGapIn == nil || merged.InsideHeightIn == nil {
		t.Errorf("merged: %+v", merged)
	}

	third.write(early, &domain.Opening{JobID: job, In: domain.InWrap, Origin: domain.ByCrew})
	third.must(third.Push(t.Context()))
	equal(t, "the head, with the photograph", g.head()-h, 5)
	equal(t, "applied", len(g.held("applied")), 1)

	late := g.id()
	a.write(late, boot(job, 2))
	a.link.LoseReply = 1
	if a.Push(t.Context()) == nil {
		t.Error("a lost reply is no success")
	}
	a.link.LoseReply = 0
	all(a)
	equal(t, "after the lost reply", a.told(domain.ComponentKind, late), []string{"replayed 1"})
	h = g.head()

	g.moveJob(job, func(j *domain.Job) { j.ContractorID = g.contractors[1] })
	equal(t, "A's feed", a.feed(), []string{fmt.Sprintf("drop reassigned %d", h+1)})
	all(a)
	equal(t, "A's jobs", len(a.Jobs()), 0)

	repair := g.id()
	b.write(repair, boot(job, 3))
	all(b)
	equal(t, "B's late work", b.told(domain.ComponentKind, repair), []string{"rejected 0"})
	held := g.held("open")
	if len(held) != 1 || held[0].Code != string(domain.JobNotAssigned) {
		t.Fatalf("held: %+v", held)
	}
	g.office(http.MethodPost, "/v1/held/"+held[0].HeldID+"/apply", `{"base_version":0}`).Want(http.StatusOK)
	equal(t, "the head", g.head(), h+2)

	lines := other.feed()
	equal(t, "the new contractor's feed", len(lines), 8) // job, home, K, O, the early opening, its photograph, A's last boot, B's
	equal(t, "its end", lines[len(lines)-1], fmt.Sprintf("put component %d", h+2))
	all(other)
	equal(t, "the new contractor's jobs", len(other.Jobs()), 2)
	_ = elsewhere
	g.quiet()
	g.check()
}

// A job that comes back to a contractor comes whole, though its phones once
// had it and were told to drop it.
func TestAJobThatComesBackComesWhole(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a, b := g.phones[0], g.phones[1]
	job := g.newJob(0)
	all(a, b)
	for i := range 3 {
		a.write(g.id(), boot(job, i+1))
	}
	all(a, b)
	g.moveJob(job, func(j *domain.Job) { j.ContractorID = g.contractors[1] })
	all(a) // B does not hear of it
	equal(t, "A's sums", len(a.Sums()), 0)
	g.moveJob(job, func(j *domain.Job) { j.ContractorID = g.contractors[0] })
	equal(t, "A's feed", len(a.feed()), 5) // job, home, three boots
	g.quiet()
	equal(t, "A's jobs", a.Jobs(), []domain.UUID{job})
	equal(t, "B's jobs", b.Jobs(), []domain.UUID{job})
	g.check()
}

// What was written before the acceptance and comes after it is taken, and
// marked as late.
func TestWorkAfterTheAcceptanceIsLate(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a, b := g.phones[0], g.phones[1]
	job := g.newJob(0)
	all(a, b)
	id := g.id()
	b.write(id, boot(job, 1))
	g.moveJob(job, func(j *domain.Job) { j.State = domain.InWork })
	all(a)
	a.must(a.Put(job, &domain.Job{HomeID: g.homes[0], ContractorID: g.contractors[0], PayBasis: domain.Measured, State: domain.SentIn, Outcome: domain.Completed}))
	all(a)
	g.review(job, domain.Accept).Want(http.StatusCreated)
	all(b)
	equal(t, "B's boot", b.told(domain.ComponentKind, id), []string{"created 1"})
	var e struct{ Late bool }
	g.office(http.MethodGet, "/v1/components/"+id.String(), nil).Into(&e)
	equal(t, "late", e.Late, true)
	g.quiet()
	equal(t, "B's jobs", len(b.Jobs()), 0)
	g.check()
}

// A closing phone may deliver and no longer pull; a revoked one forgets what
// was acknowledged.
func TestAPhoneEnds(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a := g.phones[0]
	job := g.newJob(0)
	all(a)
	id := g.id()
	a.write(id, boot(job, 1))
	state := func(s domain.DeviceState) {
		var stored domain.Device
		version := g.read(domain.DeviceKind, a.options.ID, &stored)
		stored.State = s
		g.put(a.options.ID, &stored, version).Want(http.StatusOK)
	}
	refused := func(want string) {
		t.Helper()
		var p *device.Problem
		if err := a.Sync(context.Background()); !errors.As(err, &p) || p.Code != want {
			t.Errorf("%v, want %s", err, want)
		}
	}
	state(domain.DeviceIsClosing)
	refused("device_closing")
	equal(t, "delivered while closing", a.told(domain.ComponentKind, id), []string{"created 1"})
	unsent := g.id()
	a.write(unsent, boot(job, 2))
	state(domain.DeviceIsRevoked)
	refused("device_revoked")
	if _, _, there := a.Record(domain.ComponentKind, id); there || a.Pending() != 1 {
		t.Errorf("acknowledged work is there: %v, %d pending", there, a.Pending())
	}
	for _, k := range a.Kept() {
		if k.Resident != nil {
			t.Errorf("the contact of %s is there", k.ID)
		}
	}
}

// A contact has its time: a phone without a signal deletes it, one that pulls
// keeps it. An erased one goes at once.
func TestAContactHasItsTime(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a := g.phones[0]
	g.newJob(0)
	contact := func() string {
		for _, k := range a.Kept() {
			if k.ID == g.homes[0] {
				return string(k.Resident)
			}
		}
		return ""
	}
	all(a)
	first := contact()
	if first == "" {
		t.Fatal("no contact came")
	}
	for range 3 { // polled every four days
		g.a.Clock.Move(4 * 24 * time.Hour)
		all(a)
		equal(t, "polled", contact(), first)
	}
	a.link.LoseReply = 1
	g.a.Clock.Move(8 * 24 * time.Hour)
	all(a)
	equal(t, "out of reach", contact(), "")
	a.link.LoseReply = 0
	all(a)
	equal(t, "back", contact(), first)
	g.office(http.MethodPost, "/v1/homes/"+g.homes[0].String()+"/resident/erase", nil).Want(http.StatusOK)
	all(a)
	equal(t, "erased", contact(), "")
}

// Who waits for news is answered when another phone pushes.
func TestWaitingEndsWithNews(t *testing.T) {
	g := scene(t, apitest.Serve(t))
	a, b := g.phones[0], g.phones[1]
	job := g.newJob(0)
	all(a, b)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, g.a.URL+"/v1/changes?wait_s=25&after="+b.Cursor(), nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+b.options.Token)
	answer := make(chan int, 1)
	go func() {
		var page struct{ Items []json.RawMessage }
		if response, err := http.DefaultClient.Do(request); err == nil {
			_ = json.NewDecoder(response.Body).Decode(&page)
			_ = response.Body.Close()
		}
		answer <- len(page.Items)
	}()
	a.write(g.id(), boot(job, 1))
	all(a)
	equal(t, "items", <-answer, 1)
}

// An app that is too old to pull can always deliver.
func TestAnOldAppStillDelivers(t *testing.T) {
	f := newFront(t, nil)
	g := scene(t, f.API)
	a := g.phones[0]
	a.options.Client.Schema = 1
	a.restart()
	job := g.newJob(0)
	all(a)
	id := g.id()
	a.write(id, boot(job, 1))
	f.serve(t, f.DB, func(c *api.Config) { c.MinimumSchema = 2 })
	var p *device.Problem
	if err := a.Sync(t.Context()); !errors.As(err, &p) || p.Status != http.StatusUpgradeRequired || p.Code != string(domain.ClientTooOld) {
		t.Errorf("%v", err)
	}
	equal(t, "delivered", a.told(domain.ComponentKind, id), []string{"created 1"})
	a.options.Client.Schema = 2 // the app is updated, and says so with its next push
	a.restart()
	a.write(g.id(), boot(job, 2))
	all(a)
	equal(t, "cured", a.cured(), 0)
}

func (p *fieldPhone) cured() int {
	n, err := p.Check(context.Background())
	p.must(err)
	return n
}
