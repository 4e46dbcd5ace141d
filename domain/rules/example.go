package rules

import (
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
		PayBasis: domain.Measured, State: domain.SentIn, Outcome: domain.Completed,
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
