package world

import (
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

// Work is what a crew recorded at one home.
type Work struct {
	Sent []rules.Item // as it is sent in
	Cure []rules.Item // what is sent after the job was returned: corrections and what was missing
}

// work collects the records of one job on one day.
type work struct {
	*Plan
	dice
	items  []rules.Item
	cure   []rules.Item
	shift  time.Duration // the day begins a little earlier or later
	joint  domain.UUID
	trunks map[domain.Section]domain.UUID
	boots  map[domain.Section][]domain.UUID
	loose  []domain.UUID // boots that were found detached
	ends   map[domain.Section][2]domain.UUID
	cross  []domain.UUID
}

// Work gives the records of the job, the same ones each time.
func (p *Plan) Work() Work {
	d := newDice(p.seed^0x9e3779b97f4a7c15, p.number)
	w := &work{Plan: p, dice: d, shift: time.Duration(d.between(-15, 15)) * time.Minute,
		trunks: map[domain.Section]domain.UUID{}, boots: map[domain.Section][]domain.UUID{}, ends: map[domain.Section][2]domain.UUID{}}
	w.visit()
	if p.Deferred {
		return Work{Sent: w.items}
	}
	w.parts()
	w.isolation()
	w.openings()
	w.crossovers()
	w.repairs()
	w.tests()
	w.spoil()
	if p.fixedParts {
		return Work{Sent: begun(w.items)}
	}
	return Work{Sent: w.items, Cure: w.cure}
}

// begun is what stands on the phone at noon: nothing is closed or read again.
func begun(items []rules.Item) (kept []rules.Item) {
	for _, item := range items {
		switch r := item.Record.(type) {
		case *domain.Visit:
			r.LeftAt, r.Air = nil, nil
		case *domain.Opening:
			if item.ID != fixed(FixedOpening) {
				continue
			}
			r.ClosedAt, r.Closure = nil, nil
		case *domain.EnergyIsolation:
			r.ReleasedAt, r.ReleasedByID, r.FurnaceRan = nil, nil, nil
		case *domain.Measurement:
			if r.Stage != domain.Before {
				continue
			}
		case *domain.Photo:
			if r.Stage != domain.SurveyStage {
				continue
			}
		case *domain.Repair, *domain.Crossover:
			continue
		}
		kept = append(kept, item)
	}
	return kept
}

// add puts a record under a drawn id.
func (w *work) add(r domain.Record) domain.UUID { return w.put(w.id(w.worked.Add(Morning)), r) }

func (w *work) put(id domain.UUID, r domain.Record) domain.UUID {
	w.items = append(w.items, rules.Item{Kind: r.Kind(), ID: id, Record: r})
	return id
}

// at is a moment of the day, as the phone writes it.
func (w *work) at(hour, minute int) time.Time {
	m := w.worked
	return time.Date(m.Year(), m.Month(), m.Day(), hour, minute, 0, 0, m.Location()).Add(w.shift)
}

func (w *work) when(hour, minute int) *time.Time { t := w.at(hour, minute); return &t }

func (w *work) visit() {
	v := &domain.Visit{JobID: w.JobID, VisitedOn: domain.DateOf(w.at(12, 0), w.worked.Location()), LeadID: &w.Crew.Lead,
		CrewIDs: []domain.UUID{w.Crew.Lead, w.Crew.Member}, ArrivedAt: w.when(8, 10), LeftAt: w.when(15, 40),
		Air: &domain.AirCheck{FeltAt: w.when(14, 50), EveryOutlet: new(true)}}
	switch {
	case w.Deferred:
		v.LeftAt, v.Air = w.when(8, 50), nil
		v.Stops = []domain.Stop{{Reason: w.stoppedBy(), At: w.at(8, 40)}}
	case len(w.Home.CombustionAppliances) > 0:
		v.Combustion = &domain.CombustionCheck{AmbientCOPpm: new(float64(w.between(0, 3))), AmbientCOAt: w.when(8, 12),
			TestedAt: w.when(15, 20), TestResult: "passed", CredentialID: &w.Crew.Tester}
	}
	w.add(v)
}

// stoppedBy is what stopped the work before it began.
func (p *Plan) stoppedBy() string { return []string{"sewage", "wet_wiring", "animals"}[p.number%3] }

// DeferCodes say the same of a deferred job.
func (p *Plan) DeferCodes() []domain.DeferCode {
	return []domain.DeferCode{[]domain.DeferCode{domain.DeferSewage, domain.DeferWiring, domain.DeferAnimals}[p.number%3]}
}

// parts describes the ducts as they were found.
func (w *work) parts() {
	joint := &domain.Component{JobID: w.JobID, Component: domain.FurnaceJoint, Section: "A", Found: domain.FoundLeaky}
	if w.fixedParts {
		w.joint = w.put(fixed(FixedJoint), joint)
	} else {
		w.joint = w.add(joint)
	}
	for _, section := range w.layout.sections {
		found := domain.FoundTight
		if section == "A" { // whose seam is sealed
			found = domain.FoundLeaky
		}
		w.trunks[section] = w.add(&domain.Component{JobID: w.JobID, Component: domain.Trunk, Section: section, StartFt: new(1.0), EndFt: new(w.layout.lengthFt - 1),
			InsideWidthIn: &w.layout.widthIn, InsideHeightIn: &w.layout.heightIn, Found: found,
			Material: domain.MetalTrunk, BootsCount: new(len(w.layout.boots[section])), TakeoffsCount: new(0)})
		detached := w.IntN(len(w.layout.boots[section])) // each section has one
		for i, ft := range w.layout.boots[section] {
			boot := &domain.Component{JobID: w.JobID, Component: domain.Boot, Section: section, Number: new(i + 1), Found: domain.FoundLeaky, PositionFt: &ft}
			if i == detached {
				boot.Found, boot.WidestGapIn = domain.FoundDetached, new(0.5)
			}
			id := w.id(w.worked.Add(Morning))
			if w.fixedParts && section == "A" && i < 2 {
				id = fixed([]string{FixedBoot, FixedOtherBoot}[i])
			}
			w.put(id, boot)
			if i == detached {
				w.loose = append(w.loose, id)
			}
			w.boots[section] = append(w.boots[section], id)
		}
		var ends [2]domain.UUID
		for i, end := range []domain.End{domain.Front, domain.Rear} {
			ends[i] = w.add(&domain.Component{JobID: w.JobID, Component: domain.TrunkEnd, Section: section, End: end, Found: pick(w.dice, domain.FoundLeaky, domain.FoundMissing)})
		}
		w.ends[section] = ends
		for i := range 2 {
			w.photo(w.at(8, 25+5*i+w.between(0, 3)), domain.SurveyStage, part(w.boots[section][1+3*i], domain.ShowsBothWays))
		}
	}
}

func (w *work) isolation() {
	points := w.between(1, 3)
	id := w.add(&domain.EnergyIsolation{JobID: w.JobID, IsolatedAt: w.when(9, 30), VerifiedAt: w.when(9, 33), VerifiedByID: &w.Crew.Lead,
		PointsFoundCount: &points, PointsCount: &points, AllPoints: new(true), RuleWorkedUnder: "29 CFR 1926.417",
		ReleasedAt: w.when(14, 45), ReleasedByID: &w.Crew.Lead, FurnaceRan: new(true)})
	w.photo(w.at(9, 34), domain.BeforeStage, domain.PhotoSubject{Kind: domain.EnergyIsolationKind, ID: id, Shows: domain.ShowsLock})
}

func (w *work) tests() {
	if w.Job.PayBasis == domain.Deemed && w.chance(0.5) {
		return
	}
	before, after := w.drawLeakage(w.dice)
	w.test(domain.Before, w.at(9, 20), before, w.Crew.fanOn(domain.DateOf(w.at(9, 20), w.worked.Location())))
	w.test(domain.After, w.at(15, 5), after, w.Crew.fanOn(domain.DateOf(w.at(15, 5), w.worked.Location())))
}

func (w *work) test(stage domain.Stage, at time.Time, cfm25 float64, fan domain.UUID) {
	pressure, flow := fanReading(w.dice, cfm25)
	id := w.add(&domain.Measurement{JobID: w.JobID, Method: domain.FanTotal, Stage: stage, InstrumentID: fan, TakenAt: at,
		Readings: []domain.Reading{{PressurePa: &pressure, FlowCFM: &flow}}, SetUp: setUp()})
	photoStage := domain.BeforeStage
	if stage == domain.After {
		photoStage = domain.AfterStage
	}
	w.photo(at.Add(time.Minute), photoStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge})
}

func setUp() []string {
	return []string{"registers_sealed", "filter_out", "blower_off", "gauge_zeroed"}
}

func part(id domain.UUID, shows domain.Shows) domain.PhotoSubject {
	return domain.PhotoSubject{Kind: domain.ComponentKind, ID: id, Shows: shows}
}

// photo records a picture that does not exist.
func (w *work) photo(at time.Time, stage domain.PhotoStage, of domain.PhotoSubject) domain.UUID {
	id := w.id(w.worked.Add(Morning))
	digest := sha256.Sum256(slices.Concat([]byte("DEMO photo "), id[:]))
	return w.put(id, &domain.Photo{JobID: w.JobID, SHA256: hex.EncodeToString(digest[:]), BytesCount: int64(1000 * w.between(180, 320)), MediaType: "image/jpeg",
		WidthPx: 1600, HeightPx: 1200, TakenAt: at, Stage: stage, Subjects: []domain.PhotoSubject{of}, DeviceID: &w.Crew.Device})
}
