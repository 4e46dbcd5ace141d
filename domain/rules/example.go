package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"

	"ductledger/domain"
)

// The ids of the invented job. The same ones stand in the examples of the
// contract, so that an example can be tried as it is.
const (
	exampleContractor = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d11"
	exampleLead       = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d12"
	exampleMember     = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d13"
	exampleInstrument = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d14"
	exampleCredential = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d15"
	exampleHome       = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d20"
	exampleJob        = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d21"
	exampleSeries     = "0198b1c4-7a10-7c3e-9d55-3f2a6b8e0000" // of all other records, counted up in its last four digits
)

// The day and the offset of the invented job.
const (
	exampleDay           = "2026-10-14"
	exampleOffsetSeconds = -7 * 60 * 60
)

// example collects the records of an invented job. Its methods give the ids
// that other records refer to.
type example struct {
	items []Item
	next  uint16
	job   domain.UUID
}

func (e *example) put(id string, r domain.Record) domain.UUID {
	u, _ := domain.ParseUUID(id)
	e.items = append(e.items, Item{r.Kind(), u, r})
	return u
}

// add puts a record under the next id of the series.
func (e *example) add(r domain.Record) domain.UUID {
	u, _ := domain.ParseUUID(exampleSeries)
	e.next++
	u[14], u[15] = byte(e.next>>8), byte(e.next)
	e.items = append(e.items, Item{r.Kind(), u, r})
	return u
}

// at is a time of the invented day, "09:58".
func at(clock string) time.Time {
	t, _ := time.ParseInLocation("2006-01-02 15:04", exampleDay+" "+clock, time.FixedZone("", exampleOffsetSeconds))
	return t
}

func when(clock string) *time.Time { t := at(clock); return &t }

// ExampleEvaluation is an invented job of two sections, electric, that breaks
// exactly three rules: the trunk was opened before energy was cut, one blank
// stands before the last register, and a collar has three screws in place of
// four. Its names are invented. The fan test cannot see the misplaced blank:
// closing off a leaky register makes the figure better.
func ExampleEvaluation() Evaluation {
	e := &example{}
	e.people()
	ducts := e.ducts()
	e.openings(ducts)
	e.repairs(ducts)
	e.tests()
	e.photos(ducts)
	return Evaluation{RulesOn: exampleDay, Items: e.items}
}

func (e *example) people() {
	contractor := e.put(exampleContractor, &domain.Contractor{Name: "Invented Contractor 1", StartedOn: "2025-01-06"})
	lead := e.put(exampleLead, &domain.CrewMember{ContractorID: contractor, Name: "Invented Lead 1", HomesLedBeforeCount: new(41)})
	member := e.put(exampleMember, &domain.CrewMember{ContractorID: contractor, Name: "Invented Member 2", HomesLedBeforeCount: new(3)})
	e.put(exampleCredential, &domain.Credential{CrewMemberID: &lead, Credential: domain.DuctSealingCertificate,
		Number: "X-0041", ValidFromOn: "2025-03-01", ValidUntilOn: "2027-02-28"})
	e.put(exampleInstrument, &domain.Instrument{ContractorID: &contractor, Instrument: domain.DuctFan, Serial: "INV-7",
		CalibratedOn: "2026-04-30", CalibratedUntilOn: "2027-04-30"})
	home := e.put(exampleHome, &domain.Home{
		SectionCount: 2, DuctedSections: []domain.Section{"A", "B"}, JoistDirection: domain.Crosswise,
		FurnaceKind: domain.ElectricFurnace, FurnaceAirflow: "down", FurnaceSection: "A", FurnacePositionFt: new(20.0),
		FurnaceAccess: domain.FromBelow, ReturnKind: "closet_grille", WrapKind: domain.FabricWrap, WrapState: "torn",
		CombustionAppliances: []string{}, FloorAreaFt2: new(1568.0), GroundCover: new(false), CoilPresent: new(false),
		Permission: &domain.Permission{Kind: domain.ByOwner, GivenOn: "2026-09-30", Reference: "P-0117"},
	})
	e.job = e.put(exampleJob, &domain.Job{HomeID: home, ContractorID: contractor,
		PayBasis: domain.Measured, FundSource: "state_fund", State: domain.SentIn, Outcome: domain.Completed,
		ConsentOn: exampleDay, ConsentKind: "written"})
	e.add(&domain.Visit{JobID: e.job, VisitedOn: exampleDay, LeadID: &lead, CrewIDs: []domain.UUID{lead, member},
		ArrivedAt: when("08:10"), LeftAt: when("15:40"), Stops: []domain.Stop{}, Air: &domain.AirCheck{FeltAt: when("14:50"), EveryOutlet: new(true)}})
	e.add(&domain.EnergyIsolation{JobID: e.job, IsolatedAt: when("10:04"), VerifiedAt: when("10:06"), VerifiedByID: &lead,
		PointsFoundCount: new(2), PointsCount: new(2), AllPoints: new(true), MeterProven: new(true), RuleWorkedUnder: "29 CFR 1926.417",
		ReleasedAt: when("14:45"), ReleasedByID: &lead, FurnaceRan: new(true)})
}

// exampleDucts are the parts that openings, repairs and photos name.
type exampleDucts struct {
	furnaceJoint domain.UUID
	trunk        map[domain.Section]domain.UUID
	boots        map[domain.Section][]domain.UUID
	ends         map[domain.Section]map[domain.End]domain.UUID
	crossover    domain.UUID
	openings     []domain.UUID
}

func (e *example) ducts() *exampleDucts {
	d := &exampleDucts{
		trunk: map[domain.Section]domain.UUID{}, boots: map[domain.Section][]domain.UUID{},
		ends: map[domain.Section]map[domain.End]domain.UUID{},
	}
	d.furnaceJoint = e.add(&domain.Component{JobID: e.job, Component: domain.FurnaceJoint, Section: "A", Found: domain.FoundLeaky})
	for _, s := range []struct {
		section  domain.Section
		trunk    domain.Found
		boots    []float64
		detached []int
	}{
		{"A", domain.FoundLeaky, []float64{4, 11, 18, 26, 34, 43, 51}, []int{2, 5}},
		{"B", domain.FoundTight, []float64{4, 12, 20, 28, 36, 44, 51}, []int{3}},
	} {
		d.trunk[s.section] = e.add(&domain.Component{JobID: e.job, Component: domain.Trunk, Section: s.section, Found: s.trunk,
			Material: domain.MetalTrunk, BootsCount: new(len(s.boots)), TakeoffsCount: new(0), StartFt: new(1.0), EndFt: new(55.0), InsideWidthIn: new(14.0), InsideHeightIn: new(5.0)})
		for i, at := range s.boots {
			found := domain.FoundLeaky
			for _, number := range s.detached {
				if number == i+1 {
					found = domain.FoundDetached
				}
			}
			d.boots[s.section] = append(d.boots[s.section], e.add(&domain.Component{JobID: e.job, Component: domain.Boot,
				Section: s.section, Number: new(i + 1), Found: found, PositionFt: new(at)}))
		}
		d.ends[s.section] = map[domain.End]domain.UUID{
			domain.Front: e.add(&domain.Component{JobID: e.job, Component: domain.TrunkEnd, Section: s.section, End: domain.Front, Found: domain.FoundLeaky}),
			domain.Rear:  e.add(&domain.Component{JobID: e.job, Component: domain.TrunkEnd, Section: s.section, End: domain.Rear, Found: domain.FoundMissing}),
		}
	}
	end := func(section domain.Section, screws int, turns float64) domain.CrossoverEnd {
		return domain.CrossoverEnd{Section: section, PositionFt: new(24.0), CollarDiameterIn: new(12.0), CollarFound: domain.FoundLeaky,
			CollarSealed: new(true), TabsFolded: new(true), FastenersCount: new(screws),
			InnerBandNew: new(true), InnerBandToolTightened: new(true), OuterBandNew: new(true), OuterBandToolTightened: new(true),
			LinerTurnsCount: new(turns)}
	}
	d.crossover = e.add(&domain.Crossover{JobID: e.job, FromSection: "A", ToSection: "B", Crossover: domain.FlexRound, Action: domain.Replaced,
		TakenDownAt: when("11:20"), Ends: []domain.CrossoverEnd{end("A", 3, 2), end("B", 4, 3)},
		ClearanceIn: new(2.5), Support: domain.Straps, SupportSpacingFt: new(4.0),
		DuctDiameterIn: new(12.0), InsulationR: new(8.0), DamageCause: "animals", LinerMastic: new(false)})
	return d
}

func (e *example) openings(d *exampleDucts) {
	wrap := domain.Closure{WrapMaterial: string(domain.FabricWrap), WrapJoining: clinchedStaples, InsulationBack: new(true)}
	joint := &domain.Subject{Kind: domain.ComponentKind, ID: d.furnaceJoint}
	crossover := &domain.Subject{Kind: domain.CrossoverKind, ID: d.crossover}
	first, last := wrap, wrap
	d.openings = []domain.UUID{
		e.add(&domain.Opening{JobID: e.job, In: domain.InWrap, Origin: domain.ByCrew, Target: joint, Section: "A", PositionFt: new(20.0),
			MadeAt: when("09:45"), ClosedAt: when("14:20"), InsulationFound: new(true), Closure: &first}),
		e.add(&domain.Opening{JobID: e.job, In: domain.InDuct, Origin: domain.ByCrew, Target: joint, Section: "A", PositionFt: new(20.4),
			WidthIn: new(8.0), LengthIn: new(8.0), MadeAt: when("09:58"), ClosedAt: when("11:05"), EdgesTaped: new(true),
			Closure: &domain.Closure{PatchWidthIn: new(10.0), PatchLengthIn: new(10.0), PatchLapIn: new(1.0),
				MasticUnder: new(true), MasticOver: new(true), ThicknessReached: new(true)}}),
		e.add(&domain.Opening{JobID: e.job, In: domain.InWrap, Origin: domain.FoundOpen, Section: "B", PositionFt: new(40.0)}),
		e.add(&domain.Opening{JobID: e.job, In: domain.InWrap, Origin: domain.FoundEnlarged, Target: crossover, Section: "B", PositionFt: new(24.0),
			MadeAt: when("11:15"), ClosedAt: when("14:30"), InsulationFound: new(true), Closure: &last}),
	}
}

func (e *example) repairs(d *exampleDucts) {
	boots := func(section domain.Section, numbers ...int) (ids []domain.UUID) {
		for _, n := range numbers {
			ids = append(ids, d.boots[section][n-1])
		}
		return ids
	}
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairFurnaceJoint, ComponentIDs: []domain.UUID{d.furnaceJoint}, Access: domain.FromBelow,
		DoneAt: at("10:40"), Materials: []domain.Material{domain.SheetMetal, domain.Mesh, domain.Mastic}, WidestGapIn: new(0.75), TabsFolded: new(true)})
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairTrunkSeam, ComponentIDs: []domain.UUID{d.trunk["A"]}, Access: domain.FromBelow,
		DoneAt: at("10:50"), Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.125)})
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairBoot, ComponentIDs: append(boots("A", 1, 3, 4, 6, 7), boots("B", 1, 2, 4, 5, 6, 7)...),
		Access: domain.FromAbove, DoneAt: at("13:10"), Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.25)})
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairBoot, ComponentIDs: append(boots("A", 2, 5), boots("B", 3)...),
		Access: domain.FromAbove, DoneAt: at("13:40"), Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.5),
		Fasteners: []domain.Fasteners{{Kind: "nail", Count: 12}}, FastenersEach: new(4)})
	setBlank := func(section domain.Section, end domain.End, ft float64, clock string) {
		e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairTrunkEnd, ComponentIDs: []domain.UUID{d.ends[section][end]},
			DoneAt: at(clock), Materials: []domain.Material{domain.SheetMetal, domain.Mastic},
			EndClosure: &domain.EndClosure{Form: domain.SlopedBlank, Material: domain.SheetMetalBlank, PositionFt: new(ft), ScrewsCount: new(6), BackToEndWall: new(true), Sealed: new(true)}})
	}
	setBlank("A", domain.Front, 2.5, "12:20")
	setBlank("A", domain.Rear, 53, "12:35")
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairTrunkEnd, ComponentIDs: []domain.UUID{d.ends["B"][domain.Front]},
		DoneAt: at("12:50"), Materials: []domain.Material{domain.DuctBoard, domain.Mastic},
		EndClosure: &domain.EndClosure{Form: domain.BoardPlug, PositionFt: new(2.5), Tapered: new(true), FoilToAir: new(true), MasticAllRound: new(true)}})
	setBlank("B", domain.Rear, 49, "13:00")
	e.add(&domain.Repair{JobID: e.job, Repair: domain.RepairCrossover, CrossoverID: &d.crossover, Access: domain.FromBelow,
		DoneAt: at("12:05"), Materials: []domain.Material{domain.FlexDuct, domain.Bands, domain.Mastic}})
}

func (e *example) tests() {
	setUp := []string{"registers_sealed", "filter_out", "blower_off", "gauge_zeroed"}
	instrument, _ := domain.ParseUUID(exampleInstrument)
	read := func(stage domain.Stage, clock string, cfm, pa float64) {
		e.add(&domain.Measurement{JobID: e.job, Method: domain.FanTotal, Stage: stage, InstrumentID: instrument, TakenAt: at(clock),
			Readings: []domain.Reading{{PressurePa: new(pa), FlowCFM: new(cfm)}}, SetUp: setUp})
	}
	read(domain.Before, "09:20", 318, 25.0)
	read(domain.After, "15:05", 121, 25.1)
}

// The size of the invented pictures, which do not exist.
const (
	exampleWidthPx  = 1600
	exampleHeightPx = 1200
	exampleBytes    = 250_000
)

func (e *example) photo(clock string, stage domain.PhotoStage, of domain.PhotoSubject) {
	digest := sha256.Sum256([]byte("invented photo " + strconv.Itoa(len(e.items))))
	e.add(&domain.Photo{JobID: e.job, SHA256: hex.EncodeToString(digest[:]), BytesCount: exampleBytes, MediaType: "image/jpeg",
		WidthPx: exampleWidthPx, HeightPx: exampleHeightPx, TakenAt: at(clock), Stage: stage, Subjects: []domain.PhotoSubject{of}})
}

func (e *example) photos(d *exampleDucts) {
	part := func(id domain.UUID, shows domain.Shows) domain.PhotoSubject {
		return domain.PhotoSubject{Kind: domain.ComponentKind, ID: id, Shows: shows}
	}
	opening := func(i int, shows domain.Shows) domain.PhotoSubject {
		return domain.PhotoSubject{Kind: domain.OpeningKind, ID: d.openings[i], Shows: shows}
	}
	crossover := func(shows domain.Shows, end domain.Section) domain.PhotoSubject {
		return domain.PhotoSubject{Kind: domain.CrossoverKind, ID: d.crossover, Shows: shows, Section: end}
	}
	first := func(kind domain.Kind, nth int) domain.UUID {
		for _, item := range e.items {
			if item.Kind == kind {
				if nth == 0 {
					return item.ID
				}
				nth--
			}
		}
		return domain.UUID{}
	}
	a, b := d.boots["A"], d.boots["B"]
	e.photo("08:40", domain.SurveyStage, part(a[1], domain.ShowsBothWays))
	e.photo("08:48", domain.SurveyStage, part(a[4], domain.ShowsBothWays))
	e.photo("08:57", domain.SurveyStage, part(b[1], domain.ShowsBothWays))
	e.photo("09:05", domain.SurveyStage, part(b[5], domain.ShowsBothWays))
	e.photo("10:15", domain.BeforeStage, part(d.furnaceJoint, ""))
	e.photo("10:45", domain.AfterStage, part(d.furnaceJoint, ""))
	e.photo("09:21", domain.BeforeStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: first(domain.MeasurementKind, 0), Shows: domain.ShowsGauge})
	e.photo("15:06", domain.AfterStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: first(domain.MeasurementKind, 1), Shows: domain.ShowsGauge})
	e.photo("09:46", domain.BeforeStage, opening(0, domain.ShowsOpen))
	e.photo("14:22", domain.AfterStage, opening(0, domain.ShowsClosed))
	e.photo("09:59", domain.BeforeStage, opening(1, domain.ShowsOpen))
	e.photo("11:07", domain.AfterStage, opening(1, domain.ShowsClosed))
	e.photo("10:06", domain.BeforeStage, domain.PhotoSubject{Kind: domain.EnergyIsolationKind, ID: first(domain.EnergyIsolationKind, 0), Shows: domain.ShowsLock})
	e.photo("11:16", domain.BeforeStage, opening(3, domain.ShowsOpen))
	e.photo("14:32", domain.AfterStage, opening(3, domain.ShowsClosed))
	e.photo("11:24", domain.BeforeStage, crossover(domain.ShowsBare, "A"))
	e.photo("11:27", domain.BeforeStage, crossover(domain.ShowsBare, "B"))
	e.photo("11:40", domain.CheckStage, crossover(domain.ShowsSealed, "A"))
	e.photo("11:46", domain.CheckStage, crossover(domain.ShowsSealed, "B"))
	e.photo("12:08", domain.AfterStage, crossover(domain.ShowsFinished, ""))
	e.photo("12:22", domain.AfterStage, part(d.ends["A"][domain.Front], ""))
	e.photo("12:37", domain.AfterStage, part(d.ends["A"][domain.Rear], ""))
	e.photo("12:52", domain.AfterStage, part(d.ends["B"][domain.Front], ""))
	e.photo("13:02", domain.AfterStage, part(d.ends["B"][domain.Rear], ""))
	for i, boot := range []domain.UUID{a[1], a[4], b[2]} {
		e.photo([]string{"13:30", "13:32", "13:34"}[i], domain.CheckStage, part(boot, ""))
		e.photo([]string{"13:44", "13:46", "13:48"}[i], domain.AfterStage, part(boot, ""))
	}
}
