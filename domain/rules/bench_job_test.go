package rules

import (
	"slices"
	"testing"
	"time"

	"ductledger/domain"
)

// jobUnderTest is the invented job with its three faults put right, so that a
// case states only what it changes.
type jobUnderTest struct {
	testing.TB
	*example
	outside  Outside
	ruleSet  *domain.RuleSet
	received time.Time // when all records came in; zero: not known
	offset   *float64  // of the device's clock, s
	void     map[domain.UUID]bool
	since    map[domain.UUID]int64 // positions of what came after the rest, which stands at 1
}

func clean(t testing.TB) *jobUnderTest {
	e := &example{items: ExampleEvaluation().Items}
	for _, item := range e.items {
		if item.Kind == domain.JobKind {
			e.job = item.ID
		}
	}
	e.next = 0x1000 // new records come after those of the example
	j := &jobUnderTest{TB: t, example: e, void: map[domain.UUID]bool{}}
	i := j.isolation()
	i.IsolatedAt, i.VerifiedAt = when("09:40"), when("09:42")
	j.repair(7).EndClosure.PositionFt = new(53.0)
	j.crossing().Ends[0].FastenersCount = new(4)
	return j
}

// nth is the nth record of its kind, from 0, with its id.
func nth[T any](j *jobUnderTest, n int) (*T, domain.UUID) {
	j.Helper()
	for _, item := range j.items {
		if r, ok := any(item.Record).(*T); ok {
			if n == 0 {
				return r, item.ID
			}
			n--
		}
	}
	j.Fatalf("no such %T", *new(T))
	return nil, domain.UUID{}
}

func one[T any](j *jobUnderTest, n int) *T { r, _ := nth[T](j, n); return r }

func (j *jobUnderTest) home() *domain.Home                 { return one[domain.Home](j, 0) }
func (j *jobUnderTest) jobRecord() *domain.Job             { return one[domain.Job](j, 0) }
func (j *jobUnderTest) visit() *domain.Visit               { return one[domain.Visit](j, 0) }
func (j *jobUnderTest) isolation() *domain.EnergyIsolation { return one[domain.EnergyIsolation](j, 0) }
func (j *jobUnderTest) crossing() *domain.Crossover        { return one[domain.Crossover](j, 0) }
func (j *jobUnderTest) opening(n int) *domain.Opening      { return one[domain.Opening](j, n) }
func (j *jobUnderTest) repair(n int) *domain.Repair        { return one[domain.Repair](j, n) }
func (j *jobUnderTest) test(n int) *domain.Measurement     { return one[domain.Measurement](j, n) }

// part is a component by what it is.
func (j *jobUnderTest) part(sort domain.ComponentSort, section domain.Section, number int, end domain.End) (*domain.Component, domain.UUID) {
	j.Helper()
	for _, item := range j.items {
		c, ok := item.Record.(*domain.Component)
		if ok && c.Component == sort && c.Section == section && c.End == end && (number == 0 || c.Number != nil && *c.Number == number) {
			return c, item.ID
		}
	}
	j.Fatalf("no %s %s%d %s", sort, section, number, end)
	return nil, domain.UUID{}
}

func (j *jobUnderTest) boot(section domain.Section, number int) (*domain.Component, domain.UUID) {
	return j.part(domain.Boot, section, number, "")
}

// drop removes the records for which gone is true.
func (j *jobUnderTest) drop(gone func(Item) bool) {
	j.items = slices.DeleteFunc(slices.Clone(j.items), gone)
}

// dropAll removes all records of some kinds.
func (j *jobUnderTest) dropAll(kinds ...domain.Kind) {
	j.drop(func(i Item) bool { return slices.Contains(kinds, i.Kind) })
}

// dropPhotos removes the photos of one record, at one stage where it is named.
func (j *jobUnderTest) dropPhotos(of domain.UUID, stage domain.PhotoStage) {
	j.drop(func(i Item) bool {
		p, ok := i.Record.(*domain.Photo)
		return ok && p.Subjects[0].ID == of && (stage == "" || p.Stage == stage)
	})
}

func (j *jobUnderTest) photoOf(id domain.UUID, stage domain.PhotoStage) *domain.Photo {
	j.Helper()
	for _, i := range j.items {
		if p, ok := i.Record.(*domain.Photo); ok && p.Subjects[0].ID == id && p.Stage == stage {
			return p
		}
	}
	j.Fatal("no such photo")
	return nil
}

// pan adds a pan pass over all registers.
func (j *jobUnderTest) pan(stage domain.Stage, clock string, pa float64) *domain.Measurement {
	m := &domain.Measurement{JobID: j.job, Method: domain.Pan, Stage: stage, InstrumentID: one[domain.Measurement](j, 0).InstrumentID,
		TakenAt: at(clock), HousePressurePa: new(50.0), SetUp: []string{"blower_off"}}
	for _, item := range j.items {
		if c, ok := item.Record.(*domain.Component); ok && c.Component == domain.Boot {
			id := item.ID
			m.Readings = append(m.Readings, domain.Reading{ComponentID: &id, PanPa: new(pa)})
		}
	}
	id := j.add(m)
	j.photo(clock, domain.AfterStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge})
	return m
}

// asksPan makes the program ask for a fan test and a pan pass, both done.
func (j *jobUnderTest) asksPan() {
	j.ruleSet = &domain.RuleSet{MethodsAsked: []domain.Method{domain.FanTotal, domain.Pan}}
	j.pan(domain.Before, "09:25", 4)
	j.pan(domain.After, "15:10", 0.5)
}

// gas turns the home into one that burns gas, checked as asked.
func (j *jobUnderTest) gas() {
	h := j.home()
	h.FurnaceKind, h.CombustionAppliances = domain.GasFurnace, []string{"furnace"}
	paper := j.add(&domain.Credential{CrewMemberID: j.visit().LeadID, Credential: domain.CombustionTester, ValidFromOn: "2026-01-01", ValidUntilOn: "2026-12-31"})
	j.visit().Combustion = &domain.CombustionCheck{AmbientCOPpm: new(0.0), AmbientCOAt: when("08:12"),
		TestedAt: when("15:20"), TestResult: "passed", CredentialID: &paper}
}

func (j *jobUnderTest) entries() []domain.Entry {
	entries := make([]domain.Entry, len(j.items))
	for i, item := range j.items {
		entries[i] = domain.Entry{Kind: item.Kind, ID: item.ID, Version: 1, JobID: item.Record.Job(), ReceivedAt: j.received,
			ClockOffsetS: j.offset, Record: item.Record}
		if j.since != nil {
			entries[i].Position, entries[i].RecordedAt = max(1, j.since[item.ID]), at("18:00")
		}
		if j.void[item.ID] {
			entries[i].Void = &domain.Void{Reason: "a test"}
		}
	}
	return entries
}

func (j *jobUnderTest) set() Set {
	j.Helper()
	set, faults := NewSet(domain.UUID{}, j.ruleSet)
	if len(faults) > 0 {
		j.Fatal(faults)
	}
	return set
}

func (j *jobUnderTest) assemble() *Assembled {
	j.Helper()
	a, err := Assemble(j.job, j.entries(), j.outside)
	if err != nil {
		j.Fatal(err)
	}
	return a
}

func (j *jobUnderTest) judge() (Result, Verdict) {
	j.Helper()
	return ComputeAndJudge(j.set(), j.assemble())
}

// limit sets one parameter of a rule.
func (j *jobUnderTest) limit(rule, name string, value float64) {
	j.ruleSet = &domain.RuleSet{Rules: []domain.RuleSetting{{Rule: rule, Parameters: map[string]float64{name: value}}}}
}
