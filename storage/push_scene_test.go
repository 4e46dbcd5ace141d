package storage_test

import (
	"fmt"
	"reflect"
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/intake"
	"ductledger/storage/storagetest"

	"pgregory.net/rapid"
)

// scene is what happens on some jobs, in the order in which it is made.
type scene struct {
	ids   placeIDs
	steps []*step
}

// step is one version of one record.
type step struct {
	id      domain.UUID
	base    int64
	record  domain.Record // nil: void
	kind    domain.Kind
	byStaff bool
	after   []*step // what has to be answered before a device can send this one
}

func (s *step) ready(done map[*step]bool) bool {
	for _, before := range s.after {
		if !done[before] {
			return false
		}
	}
	return true
}

func (s *step) String() string {
	what := ""
	if s.record == nil {
		what = "!"
	}
	return fmt.Sprintf("%s/%s/%d%s", s.kind, s.id.String()[32:], s.base, what)
}

func (s *step) item(t testing.TB) *intake.Item {
	t.Helper()
	if s.record == nil {
		return voidItem(s.kind, s.id, s.base)
	}
	return storagetest.On(storagetest.Item(t, s.id, s.record), s.base)
}

// voidItem is the voiding of a record as it would arrive.
func voidItem(kind domain.Kind, id domain.UUID, base int64) *intake.Item {
	item := &intake.Item{Kind: kind, ID: id, BaseVersion: base,
		Raw: fmt.Appendf(nil, `{"kind":%q,"id":%q,"base_version":%d,"void":{"reason":"a mistake"}}`, kind, id, base)}
	item.TakeVoid("a mistake")
	return item
}

// sceneMaker draws a scene. Ids are counted up: they are the same in every run
// of one seed.
type sceneMaker struct {
	*rapid.T
	*scene
	next      uint16
	withStaff bool
	last      map[domain.UUID]*step // newest version by id
}

func drawScene(r *rapid.T) *scene {
	m := &sceneMaker{T: r, scene: &scene{}, last: map[domain.UUID]*step{}, withStaff: rapid.Bool().Draw(r, "with staff")}
	for _, id := range []*domain.UUID{&m.ids.ruleSet, &m.ids.contractor, &m.ids.lead, &m.ids.fan, &m.ids.deviceA, &m.ids.deviceB} {
		*id = m.id()
	}
	for range rapid.IntRange(1, 3).Draw(r, "homes") {
		m.home()
	}
	return m.scene
}

func (m *sceneMaker) id() (u domain.UUID) {
	m.next++
	u[0], u[6], u[8], u[14], u[15] = 1, 0x70, 0x80, byte(m.next>>8), byte(m.next)
	return u
}

func (m *sceneMaker) chance(percent int, label string) bool {
	return rapid.IntRange(0, 99).Draw(m.T, label) < percent
}

func (m *sceneMaker) float(low, high int, label string) *float64 {
	return new(float64(rapid.IntRange(low*4, high*4).Draw(m.T, label)) / 4)
}

// put adds a version of a record: the first, or one on the newest. The same
// content again makes no version, so a device has no base for one after it.
func (m *sceneMaker) put(id domain.UUID, byStaff bool, record domain.Record) *step {
	s := &step{id: id, record: record, kind: record.Kind(), byStaff: byStaff}
	if before := m.last[id]; before != nil {
		if reflect.DeepEqual(before.record, record) {
			return before
		}
		s.base, s.after = before.base+1, []*step{before}
	}
	m.last[id] = s
	m.steps = append(m.steps, s)
	return s
}

func (m *sceneMaker) void(id domain.UUID) {
	before := m.last[id]
	s := &step{id: id, kind: before.kind, base: before.base + 1, byStaff: before.byStaff, after: []*step{before}}
	m.last[id] = s
	m.steps = append(m.steps, s)
}

// home is a home with one job that a crew starts, or with some that staff assign.
func (m *sceneMaker) home() {
	assigned := m.withStaff && m.chance(50, "assigned")
	home := m.id()
	facts := func() *domain.Home {
		return &domain.Home{SectionCount: rapid.IntRange(1, 3).Draw(m.T, "sections"), DuctedSections: []domain.Section{"A"},
			FurnaceKind: domain.ElectricFurnace, FloorAreaFt2: m.float(600, 2000, "area")}
	}
	m.put(home, assigned, facts())
	jobs := 1
	if assigned {
		jobs = rapid.IntRange(1, 2).Draw(m.T, "jobs")
	}
	var first *step
	for range jobs {
		if s := m.job(home, assigned); first == nil {
			first = s
		}
	}
	if m.chance(50, "home changes") {
		s := m.put(home, assigned, facts())
		if !assigned {
			s.after = append(s.after, first) // a crew may change a home once it has a job there
		}
	}
}

// job is a job with its versions and children; what is given is its first step.
func (m *sceneMaker) job(home domain.UUID, assigned bool) *step {
	id := m.id()
	version := func(state domain.JobState, outcome domain.Outcome) *domain.Job {
		return &domain.Job{HomeID: home, ContractorID: m.ids.contractor, PayBasis: domain.Measured, State: state, Outcome: outcome,
			Priority: rapid.SampledFrom([]string{"", "high"}).Draw(m.T, "priority")}
	}
	var first *step
	begun := len(m.steps)
	if assigned {
		first = m.put(id, true, version(domain.Assigned, ""))
		if m.chance(80, "begun") {
			m.put(id, false, version(domain.InWork, ""))
		}
	} else {
		first = m.put(id, false, version(domain.InWork, ""))
	}
	k := &kids{sceneMaker: m, job: id}
	for range rapid.IntRange(0, 10).Draw(m.T, "children") {
		k.child()
	}
	if m.last[id].record.(*domain.Job).State == domain.InWork && m.chance(60, "sent in") {
		m.put(id, false, version(domain.SentIn, domain.Completed))
		if m.withStaff && m.chance(40, "returned") {
			m.returned(id, version(domain.InWork, ""), slices.Clone(m.steps[begun:]))
		}
	}
	return first
}

// returned is a review that sends the job back, and the crew's next version of
// the job on the one that the review made. Whether the crew changed a fact before
// or after its return is no matter of transport: what it did before is sent before.
func (m *sceneMaker) returned(job domain.UUID, next *domain.Job, before []*step) {
	review := m.put(m.id(), true, &domain.Review{JobID: job, Decision: domain.Return, ReasonCodes: []string{"photo"}})
	review.after = before
	s := m.put(job, false, next)
	s.base, s.after = s.base+1, []*step{review}
}
