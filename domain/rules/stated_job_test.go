package rules

import (
	"testing"

	"ductledger/domain"
)

// statedPlan is a home whose crew says what it can in statements and kits.
type statedPlan struct {
	sections []domain.Section
	furnace  domain.FurnaceSort
	in       domain.Section // that holds the furnace
	material domain.TrunkMaterial
	joists   domain.JoistDirection
}

// statedJob is what a crew sends in, without fault: of each section its trunk,
// five of six boots in one statement, one loose boot, and both ends.
type statedJob struct {
	*jobUnderTest
	statedPlan
	joint     domain.UUID
	boots     map[domain.Section]domain.UUID // the statement
	loose     map[domain.Section]domain.UUID
	ends      map[domain.Section][2]domain.UUID
	crossings []domain.UUID
}

const (
	statedBoots     = 6
	statedLoose     = 3 // the number of the loose boot
	statedFurnaceFt = 16.0
	statedCrossFt   = 25.0
)

func newStatedJob(t testing.TB, p statedPlan) *statedJob {
	e := &example{}
	e.people()
	e.items = e.items[:5] // contractor, two members, a credential and an instrument
	e.next = 0x2000
	j := &statedJob{jobUnderTest: &jobUnderTest{TB: t, example: e, void: map[domain.UUID]bool{}}, statedPlan: p,
		boots: map[domain.Section]domain.UUID{}, loose: map[domain.Section]domain.UUID{}, ends: map[domain.Section][2]domain.UUID{}}
	home := e.put(exampleHome, &domain.Home{SectionCount: len(p.sections), DuctedSections: p.sections, JoistDirection: p.joists,
		FurnaceKind: p.furnace, FurnaceSection: p.in, FurnacePositionFt: new(statedFurnaceFt), FurnaceAccess: domain.FromBelow,
		ReturnKind: "closet_grille", WrapKind: domain.FabricWrap, WrapState: "torn", CombustionAppliances: []string{}, FloorAreaFt2: new(700.0 * float64(len(p.sections)))})
	contractor, _ := domain.ParseUUID(exampleContractor)
	e.job = e.put(exampleJob, &domain.Job{HomeID: home, ContractorID: contractor, PayBasis: domain.Measured, State: domain.SentIn, Outcome: domain.Completed})
	lead, member := j.lead(), j.member()
	e.add(&domain.Visit{JobID: e.job, VisitedOn: exampleDay, LeadID: &lead, CrewIDs: []domain.UUID{lead, member}, ArrivedAt: when("08:05"), LeftAt: when("15:30"),
		Stops: []domain.Stop{}, Air: &domain.AirCheck{FeltAt: when("14:45"), EveryOutlet: new(true)}})
	if p.furnace == domain.GasFurnace {
		j.gas()
	}
	lock := e.add(&domain.EnergyIsolation{JobID: e.job, IsolatedAt: when("09:20"), VerifiedAt: when("09:24"), VerifiedByID: &lead, PointsFoundCount: new(2), PointsCount: new(2), MeterProven: new(true),
		RuleWorkedUnder: "29 CFR 1926.417", ReleasedAt: when("14:40"), ReleasedByID: &lead, FurnaceRan: new(true)})
	j.photo("09:25", domain.BeforeStage, domain.PhotoSubject{Kind: domain.EnergyIsolationKind, ID: lock, Shows: domain.ShowsLock})
	j.read(domain.Before, "09:10", 280)
	for _, section := range p.sections {
		j.describe(section)
	}
	j.furnaceJoint()
	for i := range len(p.sections) - 1 {
		j.cross(p.sections[i], p.sections[i+1])
	}
	j.sealBoots()
	for _, section := range p.sections {
		j.closeEnds(section)
	}
	j.read(domain.After, "14:50", 96)
	return j
}

func (j *statedJob) lead() domain.UUID   { id, _ := domain.ParseUUID(exampleLead); return id }
func (j *statedJob) member() domain.UUID { id, _ := domain.ParseUUID(exampleMember); return id }

func (j *statedJob) read(stage domain.Stage, clock string, cfm float64) {
	instrument, _ := domain.ParseUUID(exampleInstrument)
	id := j.add(&domain.Measurement{JobID: j.job, Method: domain.FanTotal, Stage: stage, InstrumentID: instrument, TakenAt: at(clock),
		Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(cfm)}}, SetUp: []string{"registers_sealed", "filter_out"}})
	j.photo(clock, domain.BeforeStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge})
}

// describe says what was found in one section before anything was opened.
func (j *statedJob) describe(section domain.Section) {
	part := func(c domain.Component) domain.UUID {
		who := j.lead()
		c.JobID, c.Section, c.MemberID, c.StatedAt = j.job, section, &who, when("08:50")
		return j.add(&c)
	}
	part(domain.Component{Component: domain.Trunk, Found: domain.FoundTight, Material: j.material,
		BootsCount: new(statedBoots), TakeoffsCount: new(0)})
	j.boots[section] = part(domain.Component{Component: domain.Boot, Numbers: []int{1, 2, 4, 5, 6}, Count: new(statedBoots), Found: domain.FoundLeaky})
	j.loose[section] = part(domain.Component{Component: domain.Boot, Number: new(statedLoose), Found: domain.FoundDetached})
	j.ends[section] = [2]domain.UUID{
		part(domain.Component{Component: domain.TrunkEnd, End: domain.Front, Found: domain.FoundLeaky}),
		part(domain.Component{Component: domain.TrunkEnd, End: domain.Rear, Found: domain.FoundMissing})}
	for _, number := range []int{2, 5} {
		j.photo("08:40", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: j.boots[section], Shows: domain.ShowsBothWays, Number: new(number)})
	}
}

// furnaceJoint is reached through a hole in the wrap and one in the trunk.
func (j *statedJob) furnaceJoint() {
	j.joint = j.add(&domain.Component{JobID: j.job, Component: domain.FurnaceJoint, Section: j.in, Found: domain.FoundLeaky})
	target := &domain.Subject{Kind: domain.ComponentKind, ID: j.joint}
	j.wrap(target, j.in, 16.2, "09:30", "14:10")
	cut := j.add(&domain.Opening{JobID: j.job, In: domain.InDuct, Origin: domain.ByCrew, Target: target, Section: j.in, PositionFt: new(16.4),
		WidthIn: new(8.0), LengthIn: new(8.0), MadeAt: when("09:40"), ClosedAt: when("11:00"), EdgesTaped: new(true),
		Closure: &domain.Closure{PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true), PatchFastened: new(true), ThicknessReached: new(true), KitConfirmed: new(true)}})
	j.shown(domain.OpeningKind, cut, "", "09:41", "11:02", domain.ShowsOpen, domain.ShowsClosed)
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairFurnaceJoint, ComponentIDs: []domain.UUID{j.joint}, Access: domain.FromBelow, DoneAt: at("10:40"),
		Materials: []domain.Material{domain.SheetMetal, domain.Mesh, domain.Mastic}, WidestGapIn: new(0.75), TabsFolded: j.tabs(), FastenersApartIn: j.apart()})
	j.shown(domain.ComponentKind, j.joint, "", "09:50", "10:45", "", "")
	trunk, id := j.part(domain.Trunk, j.in, 0, "")
	trunk.Found = domain.FoundLeaky
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairTrunkSeam, ComponentIDs: []domain.UUID{id}, Access: domain.FromBelow, DoneAt: at("10:50"),
		Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.125)})
}

// tabs and apart are what holds the furnace joint: tabs of metal, or fasteners
// in duct board.
func (j *statedJob) tabs() *bool {
	if j.material == domain.BoardTrunk {
		return nil
	}
	return new(true)
}

func (j *statedJob) apart() *float64 {
	if j.material != domain.BoardTrunk {
		return nil
	}
	return new(6.0)
}

// wrap is a hole in the wrap that the crew made and closed.
func (j *statedJob) wrap(target *domain.Subject, section domain.Section, ft float64, made, closed string) {
	id := j.add(&domain.Opening{JobID: j.job, In: domain.InWrap, Origin: domain.ByCrew, Target: target, Section: section, PositionFt: new(ft), MadeAt: when(made), ClosedAt: when(closed),
		InsulationFound: new(true), Closure: &domain.Closure{WrapMaterial: string(domain.FabricWrap), WrapJoining: clinchedStaples, InsulationBack: new(true), KitConfirmed: new(true)}})
	j.shown(domain.OpeningKind, id, "", made, closed, domain.ShowsOpen, domain.ShowsClosed)
}

// shown adds a photo before and one after.
func (j *statedJob) shown(kind domain.Kind, id domain.UUID, section domain.Section, before, after string, first, last domain.Shows) {
	j.photo(before, domain.BeforeStage, domain.PhotoSubject{Kind: kind, ID: id, Shows: first, Section: section})
	j.photo(after, domain.AfterStage, domain.PhotoSubject{Kind: kind, ID: id, Shows: last, Section: section})
}

func (j *statedJob) cross(from, to domain.Section) {
	end := func(section domain.Section) domain.CrossoverEnd {
		return domain.CrossoverEnd{Section: section, PositionFt: new(statedCrossFt), CollarDiameterIn: new(12.0), CollarFound: domain.FoundLeaky, CollarSealed: new(true),
			TabsFolded: new(true), FastenersCount: new(4), InnerBandNew: new(true), InnerBandToolTightened: new(true), OuterBandNew: new(true), OuterBandToolTightened: new(true),
			TurnsFelt: new(true), KitConfirmed: new(true)}
	}
	id := j.add(&domain.Crossover{JobID: j.job, FromSection: from, ToSection: to, Crossover: domain.FlexRound, Action: domain.Replaced, TakenDownAt: when("11:20"),
		Ends: []domain.CrossoverEnd{end(from), end(to)}, HandPassesUnder: new(true), Support: domain.Straps, SupportSpacingFt: new(4.0), Sag: domain.NoSag,
		DuctDiameterIn: new(12.0), InsulationR: new(8.0)})
	j.crossings = append(j.crossings, id)
	j.wrap(&domain.Subject{Kind: domain.CrossoverKind, ID: id}, to, statedCrossFt, "11:15", "14:20")
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairCrossover, CrossoverID: &id, Access: domain.FromBelow, DoneAt: at("12:05"),
		Materials: []domain.Material{domain.FlexDuct, domain.Bands, domain.Mastic}})
	for _, section := range []domain.Section{from, to} {
		j.shown(domain.CrossoverKind, id, section, "11:24", "11:40", domain.ShowsBare, domain.ShowsSealed)
	}
	j.photo("12:08", domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
}

// sealBoots says in one repair what was done to all boots of the statements,
// and in another what was done to the loose ones.
func (j *statedJob) sealBoots() {
	var many, loose []domain.UUID
	for _, section := range j.sections {
		many, loose = append(many, j.boots[section]), append(loose, j.loose[section])
	}
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairBoot, ComponentIDs: many, Access: domain.FromAbove, DoneAt: at("13:10"),
		Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.125)})
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairBoot, ComponentIDs: loose, Access: domain.FromAbove, DoneAt: at("13:30"),
		Materials: []domain.Material{domain.Mesh, domain.Mastic}, WidestGapIn: new(0.5), FastenersEach: new(4)})
	for _, id := range loose {
		j.photo("13:25", domain.CheckStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
		j.photo("13:35", domain.AfterStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
	}
}

func (j *statedJob) closeEnds(section domain.Section) {
	for _, id := range j.ends[section] {
		closure := &domain.EndClosure{Form: domain.SlopedBlank, Material: domain.SheetMetalBlank, BeyondOutletIn: new(12.0), ScrewsCount: new(6), BackToEndWall: new(true), Sealed: new(true), KitConfirmed: new(true)}
		materials := []domain.Material{domain.SheetMetal, domain.Mastic}
		if j.material == domain.BoardTrunk {
			closure = &domain.EndClosure{Form: domain.BoardPlug, BeyondOutletIn: new(12.0), Tapered: new(true), FoilToAir: new(true), MasticAllRound: new(true), KitConfirmed: new(true)}
			materials = []domain.Material{domain.DuctBoard, domain.Mastic}
		}
		j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairTrunkEnd, ComponentIDs: []domain.UUID{id}, DoneAt: at("12:40"), Materials: materials, EndClosure: closure})
		j.photo("12:45", domain.AfterStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
	}
}
