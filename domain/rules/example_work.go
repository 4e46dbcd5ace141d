package rules

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"

	"ductledger/domain"
)

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
