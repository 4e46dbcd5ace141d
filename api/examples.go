package api

import (
	"time"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"ductledger/domain"
)

// Example gives a record of a kind as PUT takes it. It refers to what every
// demo makes alike.
func Example(kind domain.Kind) (jsontext.Value, error) {
	record, known := exampleRecords[kind]
	if !known {
		return nil, domain.Errorf(domain.NotFound, "there is no kind %q", kind)
	}
	return json.Marshal(record, json.Deterministic(true))
}

// exampleID is one of the ids that examples and demos share.
func exampleID(last byte) domain.UUID {
	return domain.UUID{0x01, 0x98, 0xb1, 0xc4, 0x7a, 0x10, 0x7c, 0x3e, 0x9d, 0x55, 0x3f, 0x2a, 0x6b, 0x8c, 0x0d, last}
}

// exampleAt is a moment of the day of work that the examples tell of.
func exampleAt(hour, minute int) time.Time {
	const offset = -7 * 60 * 60 // s
	return time.Date(2026, time.October, 14, hour, minute, 0, 0, time.FixedZone("", offset))
}

// exampleRecords are one invented job, seen from each kind.
var exampleRecords = map[domain.Kind]domain.Record{
	domain.RuleSetKind: &domain.RuleSet{
		Name: "Invented program 2026", FromOn: "2026-07-01",
		Rules:        []domain.RuleSetting{{Rule: "wide_gap_reinforced", Parameters: map[string]float64{"reinforce_over_in": 0.25}}, {Rule: "pan_target", Severity: "must_fix"}},
		MethodsAsked: []domain.Method{"fan_total"}, PayBasis: "measured", AssignNeeds: []domain.AssignNeed{domain.NeedsPermission},
		Prices: []domain.Price{{Line: "cfm25_removed", AmountCents: 250, FloorCents: new(int64(15000)), CapCents: new(int64(90000)), FundSource: "state_fund", Category: "labor"}},
		EnergyFigures: []domain.EnergyFigure{{SectionCount: new(2), Source: "Invented figures of this example", Typical: &domain.TypicalHeating{Quantity: "total", SupplyLeakRatio: 0.5,
			FanFlowCFM: 1000, HeatingOutputBtuH: 60000, IndoorF: 70, SupplyAmbientF: 40, SupplyAreaFt2: 200, SupplyRValue: new(4.0), HeatingEnergyKWh: new(9000.0)}}},
	},
	domain.ContractorKind: &domain.Contractor{
		Name: "Invented Sealing Co. 1", StartedOn: "2025-09-01",
	},
	domain.CrewMemberKind: &domain.CrewMember{
		ContractorID: exampleID(0x11), Name: "Invented Lead 1", HomesLedBeforeCount: new(41),
	},
	domain.CredentialKind: &domain.Credential{
		CrewMemberID: new(exampleID(0x12)), Credential: "duct_sealing_certificate", Number: "X-0041", ValidFromOn: "2025-03-01",
		ValidUntilOn: "2027-02-28",
	},
	domain.TrainingEventKind: &domain.TrainingEvent{
		CrewMemberID: exampleID(0x12), HeldOn: "2026-05-06", Topic: "Closing trunk ends",
		Rules: []string{"end_closure_clear_of_outlets"}, TrainerName: "Invented Trainer",
	},
	domain.InstrumentKind: &domain.Instrument{
		ContractorID: new(exampleID(0x11)), Instrument: "duct_fan", Serial: "INV-0007", CalibratedOn: "2026-04-30",
		CalibratedUntilOn: "2027-04-30",
		FlowEquations:     []domain.FlowEquation{{Range: "ring 2", Coefficient: 21.5, Exponent: 0.5, LowestPa: new(10.0), HighestPa: new(250.0), StatedOn: "2026-04-30"}},
		FlowAccuracyRatio: new(0.03), PressureAccuracyRatio: new(0.01),
	},
	domain.DeviceKind: &domain.Device{
		ContractorID: new(exampleID(0x11)), Name: "Crew phone 1", State: "active",
	},
	domain.HomeKind: &domain.Home{
		SectionCount: 2, DuctedSections: []domain.Section{"A", "B"}, JoistDirection: "crosswise", FurnaceKind: "electric",
		FurnaceAirflow: "down", FurnaceSection: "A", FurnacePositionFt: new(20.0), FurnaceAccess: "below",
		ReturnKind: "closet_grille", WrapKind: "fabric", WrapState: "torn", CombustionAppliances: []string{},
		FloorAreaFt2: new(1568.0), ElevationFt: new(1200.0), GroundCover: new(false), CoilPresent: new(false),
	},
	domain.ApplicationKind: &domain.Application{
		HomeID: exampleID(0x20), AppliedOn: "2026-08-03", State: domain.ApplicationWaiting,
		PriorityFacts: []domain.PriorityFact{domain.PriorityElderly, domain.PriorityHighBurden},
	},
	domain.JobKind: &domain.Job{
		HomeID: exampleID(0x20), ContractorID: exampleID(0x11), PayBasis: "measured", State: "assigned", DueOn: "2026-10-30",
		Priority: "normal",
	},
	domain.AppointmentKind: &domain.Appointment{
		JobID: exampleID(0x21), PlannedOn: "2026-10-14", FromAt: new(exampleAt(8, 0)), UntilAt: new(exampleAt(10, 0)), State: domain.AppointmentMade,
	},
	domain.CallBackKind: &domain.CallBack{
		JobID: exampleID(0x21), ReportedOn: "2026-11-16", Reason: "No air from the rear bedroom register.",
		Component: "trunk_end", AtFault: "crew",
	},
	domain.VisitKind: &domain.Visit{
		JobID: exampleID(0x21), VisitedOn: "2026-10-14", LeadID: new(exampleID(0x12)),
		CrewIDs: []domain.UUID{exampleID(0x12), exampleID(0x13)}, ArrivedAt: new(exampleAt(8, 10)),
		LeftAt: new(exampleAt(15, 40)), Stops: []domain.Stop{},
	},
	domain.ComponentKind: &domain.Component{
		JobID: exampleID(0x21), Component: "boot", Section: "A", Number: new(2), Found: "detached", PositionFt: new(11.0),
		WidestGapIn: new(0.5),
	},
	domain.CrossoverKind: &domain.Crossover{
		JobID: exampleID(0x21), FromSection: "A", ToSection: "B", Crossover: "flex_round", Action: "replaced",
		TakenDownAt: new(exampleAt(11, 20)),
		Ends:        []domain.CrossoverEnd{{Section: "A", PositionFt: new(24.0), CollarDiameterIn: new(12.0), CollarSealed: new(true), TabsFolded: new(true), FastenersCount: new(4), InnerBandNew: new(true), InnerBandToolTightened: new(true), OuterBandNew: new(true), OuterBandToolTightened: new(true), LinerTurnsCount: new(2.0)}},
		ClearanceIn: new(2.5), Support: "straps", SupportSpacingFt: new(4.0), DuctDiameterIn: new(12.0), InsulationR: new(8.0),
		DamageCause: "animals",
	},
	domain.OpeningKind: &domain.Opening{
		JobID: exampleID(0x21), In: "duct", Origin: "crew", Target: &domain.Subject{Kind: "component", ID: exampleID(0x30)},
		Section: "A", PositionFt: new(20.4), WidthIn: new(8.0), LengthIn: new(8.0), MadeAt: new(exampleAt(9, 58)),
		ClosedAt: new(exampleAt(11, 5)), EdgesTaped: new(true),
		Closure: &domain.Closure{PatchWidthIn: new(10.0), PatchLengthIn: new(10.0), PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true), ThicknessReached: new(true)},
	},
	domain.RepairKind: &domain.Repair{
		JobID: exampleID(0x21), Repair: "boot", ComponentIDs: []domain.UUID{exampleID(0x31), exampleID(0x32)}, Access: "above",
		DoneAt: exampleAt(13, 40), Materials: []domain.Material{"mesh", "mastic"}, WidestGapIn: new(0.5),
		Fasteners: []domain.Fasteners{{Kind: "nail", Count: 12}},
	},
	domain.EnergyIsolationKind: &domain.EnergyIsolation{
		JobID: exampleID(0x21), IsolatedAt: new(exampleAt(9, 40)), VerifiedAt: new(exampleAt(9, 42)),
		VerifiedByID: new(exampleID(0x12)), PointsFoundCount: new(2), PointsCount: new(2), AllPoints: new(true), MeterProven: new(true), RuleWorkedUnder: "29 CFR 1926.417",
		ReleasedAt: new(exampleAt(14, 45)), ReleasedByID: new(exampleID(0x12)), FurnaceRan: new(true),
	},
	domain.MeasurementKind: &domain.Measurement{
		JobID: exampleID(0x21), Method: "fan_total", Stage: "before", InstrumentID: exampleID(0x14), TakenAt: exampleAt(9, 20),
		Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(318.0)}},
		SetUp:    []string{"registers_sealed", "filter_out", "blower_off", "gauge_zeroed"},
	},
	domain.PhotoKind: &domain.Photo{
		JobID: exampleID(0x21), SHA256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", BytesCount: 248000,
		MediaType: "image/jpeg", WidthPx: 1600, HeightPx: 1200, TakenAt: exampleAt(9, 59), Stage: "before",
		Subjects: []domain.PhotoSubject{{Kind: "opening", ID: exampleID(0x33), Shows: "open"}},
	},
	domain.ReviewKind: &domain.Review{
		JobID: exampleID(0x21), Decision: "answer",
		Finding: &domain.FindingRef{Rule: "wide_gap_reinforced", Subjects: []domain.Subject{{Kind: "component", ID: exampleID(0x31)}}},
		Text:    "The mesh is seen on the photo.",
	},
	domain.WaiverKind: &domain.Waiver{
		JobID:   exampleID(0x21),
		Finding: domain.FindingRef{Rule: "energy_isolated", Subjects: []domain.Subject{{Kind: "opening", ID: exampleID(0x33)}}},
		Reason:  "Isolation came after the cut.", AgreedConsequence: "The lead repeats the lesson on isolation.",
	},
	domain.InspectionDrawKind: &domain.InspectionDraw{
		State: domain.DrawPublished, Month: "2026-10", SharePercent: 5, SeedSHA256: "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		FrameSHA256: "5891b5b522d5df086d0ff0b110fbd9d21bb4fc7163af34d08286a2e846f6be03",
		Jobs:        []domain.DrawJob{{JobID: exampleID(0x21), ContractorID: exampleID(0x11), StratumCount: 1, StratumDrawnCount: 1, ChanceRatio: 1}},
	},
	domain.InspectionKind: &domain.Inspection{
		JobID: exampleID(0x21), Purpose: "final", InspectedOn: "2026-10-21", InspectorName: "Invented Inspector",
		Verdicts: []domain.RuleVerdict{{Rule: "crossover_off_ground", Verdict: "holds"}}, Result: "passed",
	},
}
