package rules

import (
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// lazy is a way in which a crew leaves facts out or fakes them: what it does to the
// clean job, and what is said of it.
type lazy struct {
	name string
	// By kind of answer: the rules that are broken (must_fix, check, note) or lack a
	// fact that counts like must_fix (owes) or like check (asks), the questions, the
	// rules that could not judge (silent), and whether no work is paid. Only where
	// nothing else is said: that rules do not apply, which they say with the fact.
	said string
	do   func(j *jobUnderTest)
}

// nothingTells lists the lies that no record can tell from the truth.
var nothingTells = map[string]string{
	"the crew's cut in the wrap was found there, as a photo of it says": "a photo of the cut that is called one of the survey is told by who looks at it",
}

// Some 130 ways to get a job accepted without the work or without showing it: each
// is told. What is said was held against the rules' own texts, one by one.
func TestLazyCrews(t *testing.T) {
	for _, l := range lazyCrews() {
		t.Run(l.name, func(t *testing.T) {
			j := clean(t)
			l.do(j)
			if said := j.said(); said != l.said {
				t.Errorf("said: %s\nwant: %s", said, l.said)
			}
			if (l.said == "") != (nothingTells[l.name] != "") {
				t.Error("nothing is said of it, and no reason is listed, or the other way round")
			}
		})
	}
}

// said sums up what is said of a job beyond what is said of the clean one.
func (j *jobUnderTest) said() string {
	_, was := clean(j).judge()
	a := j.assemble()
	r, v := ComputeAndJudge(j.set(), a)
	said := map[string][]string{}
	add := func(kind, what string) {
		if !slices.Contains(said[kind], what) {
			said[kind] = append(said[kind], what)
		}
	}
	lacks := map[Severity]string{MustFix: "owes", Check: "asks", Note: "list"}
	for _, f := range v.Findings {
		if f.Outcome == NotRecorded {
			add(lacks[f.Severity], f.Rule)
		} else {
			add(string(f.Severity), f.Rule)
		}
	}
	for _, o := range v.Rules {
		before := was.Of(o.Rule)
		if o.Outcomes.NotJudged > before.Outcomes.NotJudged {
			add("silent", o.Rule)
		}
		if len(o.Because) > 0 && o.Outcomes.NotApplicable > before.Outcomes.NotApplicable {
			add("does not apply", o.Rule)
		}
	}
	for _, q := range Ask(a, r) {
		add("question", q.Screen)
	}
	if !r.Shown.Work {
		add("unpaid", "work")
	}
	var texts []string
	for _, kind := range []string{"must_fix", "check", "note", "owes", "asks", "list", "question", "silent", "unpaid"} {
		if len(said[kind]) > 0 {
			slices.Sort(said[kind])
			texts = append(texts, kind+" "+strings.Join(said[kind], " "))
		}
	}
	if len(texts) == 0 && len(said["does not apply"]) > 0 {
		return "does not apply"
	}
	return strings.Join(texts, "; ")
}

// each does something to each component of some sorts, of all where none is named.
func (j *jobUnderTest) each(do func(c *domain.Component, id domain.UUID), sorts ...domain.ComponentSort) {
	for _, i := range slices.Clone(j.items) {
		if c, ok := i.Record.(*domain.Component); ok && (len(sorts) == 0 || slices.Contains(sorts, c.Component)) {
			do(c, i.ID)
		}
	}
}

func (j *jobUnderTest) photos(do func(p *domain.Photo)) {
	for _, i := range j.items {
		if p, ok := i.Record.(*domain.Photo); ok {
			do(p)
		}
	}
}

func (j *jobUnderTest) only(kinds ...domain.Kind) {
	j.drop(func(i Item) bool { return !slices.Contains(kinds, i.Kind) })
}

func lazyCrews() []lazy {
	office := []domain.Kind{domain.JobKind, domain.HomeKind, domain.ContractorKind, domain.CrewMemberKind, domain.CredentialKind, domain.InstrumentKind}
	out := func(outcome domain.Outcome, reason string, codes ...domain.DeferCode) func(j *jobUnderTest) {
		return func(j *jobUnderTest) {
			r := j.jobRecord()
			r.Outcome, r.OutcomeReason, r.DeferCodes, r.DeferLiftedBy = outcome, reason, codes, ""
			if codes != nil {
				r.DeferLiftedBy = "when it is dry"
			}
		}
	}
	found := func(was domain.Found, reason string, sorts ...domain.ComponentSort) func(j *jobUnderTest) {
		return func(j *jobUnderTest) {
			j.each(func(c *domain.Component, _ domain.UUID) { c.Found, c.FoundReason = was, reason }, sorts...)
		}
	}
	hole := func(do func(o *domain.Opening)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) {
			o := &domain.Opening{JobID: j.job, In: domain.InDuct, Origin: domain.FoundOpen, Section: "B", PositionFt: new(33.0)}
			do(o)
			j.add(o)
		}
	}
	iso := func(do func(i *domain.EnergyIsolation)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { do(j.isolation()) }
	}
	visit := func(do func(v *domain.Visit)) func(j *jobUnderTest) { return func(j *jobUnderTest) { do(j.visit()) } }
	repair := func(n int, do func(r *domain.Repair)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { do(j.repair(n)) }
	}
	cross := func(do func(x *domain.Crossover)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { do(j.crossing()) }
	}
	open := func(n int, do func(o *domain.Opening)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { do(j.opening(n)) }
	}
	test := func(n int, do func(m *domain.Measurement)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { do(j.test(n)) }
	}
	home := func(do func(h *domain.Home)) func(j *jobUnderTest) { return func(j *jobUnderTest) { do(j.home()) } }
	all := func(list ...func(j *jobUnderTest)) func(j *jobUnderTest) {
		return func(j *jobUnderTest) {
			for _, do := range list {
				do(j)
			}
		}
	}
	foundWrap := open(0, func(o *domain.Opening) {
		*o = domain.Opening{JobID: o.JobID, In: o.In, Origin: domain.FoundOpen, Section: "A", PositionFt: new(20.0)}
	})
	without := func(kinds ...domain.Kind) func(j *jobUnderTest) {
		return func(j *jobUnderTest) { j.dropAll(kinds...) }
	}
	return []lazy{
		// What a job claims.
		{"nothing but home and job", "must_fix section_reached; check photos_complete; owes air_at_every_outlet furnace_joint_treated outcome_shown readings_in_order section_described; unpaid work", func(j *jobUnderTest) { j.only(office...) }},
		{"a visit and a photo", "must_fix section_reached; check outcome_shown; owes furnace_joint_treated readings_in_order section_described; unpaid work", func(j *jobUnderTest) {
			j.only(append(office, domain.VisitKind)...)
			j.photo("09:00", domain.SurveyStage, domain.PhotoSubject{Kind: domain.JobKind, ID: j.job})
		}},
		{"all out of reach, with one word", "check boot_sealed furnace_joint_treated trunk_end_treated trunk_sealed", all(without(domain.RepairKind, domain.OpeningKind), found(domain.FoundNotAccessible, "dark"))},
		{"all out of reach, not said why", "owes boot_sealed furnace_joint_treated trunk_end_treated trunk_sealed", all(without(domain.RepairKind, domain.OpeningKind), found(domain.FoundNotAccessible, ""))},
		{"all tight, no photo", "check photos_complete; owes energy_isolated furnace_joint_treated trunk_end_treated; unpaid work", all(without(domain.RepairKind, domain.OpeningKind, domain.PhotoKind, domain.EnergyIsolationKind), found(domain.FoundTight, ""))},
		{"all tight, photographed by the old photos", "does not apply", all(without(domain.RepairKind, domain.OpeningKind), found(domain.FoundTight, ""))},
		{"boots not said how found, none repaired", "owes boot_sealed", all(found("", "", domain.Boot), func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && r.Repair == domain.RepairBoot })
		})},
		{"the home holds no ducts", "owes ducted_sections_recorded", home(func(h *domain.Home) { h.DuctedSections = nil })},
		{"section B holds no ducts, and is described", "must_fix section_described; question section_without_ducts", home(func(h *domain.Home) { h.DuctedSections = []domain.Section{"A"} })},
		{"section B holds no ducts, and is left out", "question section_without_ducts", func(j *jobUnderTest) { oneSectionLeft(j); j.home().SectionCount = 2 }},
		{"the trunk feeds no boots", "must_fix section_described", func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "A", 0, ""); c.BootsCount = new(0) }},
		{"five boots of seven", "check survey_before_cutting; owes section_described", func(j *jobUnderTest) {
			j.drop(func(i Item) bool {
				c, ok := i.Record.(*domain.Component)
				return ok && c.Component == domain.Boot && *c.Number > 5
			})
		}},
		{"boots without numbers", "owes section_described", func(j *jobUnderTest) {
			j.each(func(c *domain.Component, _ domain.UUID) { c.Number = nil }, domain.Boot)
		}},
		{"boots without places", "owes end_closure_clear_of_outlets", func(j *jobUnderTest) {
			j.each(func(c *domain.Component, _ domain.UUID) { c.PositionFt = nil }, domain.Boot)
		}},
		{"the furnace without a place", "owes furnace_position_recorded; silent access_below_furnace", home(func(h *domain.Home) { h.FurnacePositionFt = nil })},
		{"collars without a place", "owes end_closure_clear_of_outlets; silent opening_has_target", cross(func(x *domain.Crossover) { x.Ends[0].PositionFt, x.Ends[1].PositionFt = nil, nil })},
		{"no trunk ends", "owes end_closure_clear_of_outlets trunk_end_treated", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { c, ok := i.Record.(*domain.Component); return ok && c.Component == domain.TrunkEnd })
		}},
		{"no furnace joint", "check opening_has_target; owes furnace_joint_treated", func(j *jobUnderTest) {
			j.drop(func(i Item) bool {
				c, ok := i.Record.(*domain.Component)
				return ok && c.Component == domain.FurnaceJoint
			})
		}},
		{"no crossover", "must_fix section_reached; check opening_has_target", without(domain.CrossoverKind)},
		{"no outcome", "owes outcome_shown", out("", "")},
		{"partial, not said why", "owes outcome_shown", out(domain.Partial, "")},
		{"put off, and worked on", "must_fix outcome_shown", out(domain.DeferredWork, "", domain.DeferWeather)},
		{"refused, and worked on", "must_fix outcome_shown", out(domain.Refused, "said no")},
		{"nothing to do, and worked on", "must_fix outcome_shown; question records_disagree", out(domain.NothingToDo, "tight")},
		{"not suitable, and worked on", "must_fix outcome_shown", out(domain.NotSuitable, "rotten")},
		{"put off, not said why", "owes outcome_shown; unpaid work", all(handsOff, out(domain.DeferredWork, ""))},
		{"put off for another cause, not said which", "owes outcome_shown; unpaid work", all(handsOff, out(domain.DeferredWork, "", domain.DeferOther))},
		{"nothing to do, no photo", "check photos_complete; owes outcome_shown; question records_disagree; unpaid work", all(handsOff, without(domain.PhotoKind), out(domain.NothingToDo, "tight"))},
		{"nothing to do, nobody was there", "owes outcome_shown; unpaid work", all(func(j *jobUnderTest) { j.only(office...) }, out(domain.NothingToDo, "tight"))},
		{"nothing to do, and parts are leaky", "question records_disagree; unpaid work", all(handsOff, out(domain.NothingToDo, "tight"))},
		{"a trip for weather, nobody was there", "unpaid work", all(func(j *jobUnderTest) { j.only(office...) }, out(domain.DeferredWork, "", domain.DeferWeather))},
		{"the left-out survey", "check photos_complete; asks survey_before_cutting", func(j *jobUnderTest) { dropSurvey(j) }},
		// Readings.
		{"no readings", "owes readings_in_order", without(domain.MeasurementKind)},
		{"no reading before", "owes readings_in_order", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.Before })
		}},
		{"no reading, and no reason, though deemed", "does not apply", all(without(domain.MeasurementKind), func(j *jobUnderTest) { j.jobRecord().PayBasis = domain.Deemed })},
		{"before read once the work was done", "must_fix readings_in_order", test(0, func(m *domain.Measurement) { m.TakenAt = at("13:55") })},
		{"after read before the belly was closed", "must_fix readings_in_order", test(1, func(m *domain.Measurement) { m.TakenAt = at("13:55") })},
		{"after read within minutes of before", "must_fix readings_in_order; question minutes_apart", test(1, func(m *domain.Measurement) { m.TakenAt = at("09:30") })},
		{"before inflated", "question extreme_reading extreme_reduction", test(0, func(m *domain.Measurement) { m.Readings[0].FlowCFM = new(1318.0) })},
		{"after a tenth", "question extreme_reading extreme_reduction", test(1, func(m *domain.Measurement) { m.Readings[0].FlowCFM = new(4.0) })},
		{"before and after alike", "question extreme_reduction", test(1, func(m *domain.Measurement) { m.Readings[0].FlowCFM = new(318.0) })},
		{"more after than before", "must_fix leakage_not_higher_after; question higher_after", test(1, func(m *domain.Measurement) { m.Readings[0].FlowCFM = new(420.0) })},
		{"another method after", "must_fix same_method_before_after", test(1, func(m *domain.Measurement) { m.Method = domain.FanOutside })},
		{"registers not sealed after", "must_fix same_method_before_after", test(1, func(m *domain.Measurement) { m.SetUp = []string{"gauge_zeroed"} })},
		{"nothing prepared, as far as is said", "owes same_method_before_after", func(j *jobUnderTest) { j.test(0).SetUp, j.test(1).SetUp = nil, nil }},
		{"read at 5 Pa", "question extreme_reduction", test(1, func(m *domain.Measurement) { m.Readings[0].PressurePa = new(5.0) })},
		{"calibration lapsed", "must_fix instrument_in_calibration; check instrument_in_calibration", func(j *jobUnderTest) { one[domain.Instrument](j, 0).CalibratedUntilOn = "2026-10-01" }},
		{"calibration not said", "owes instrument_in_calibration; asks instrument_in_calibration", func(j *jobUnderTest) { one[domain.Instrument](j, 0).CalibratedUntilOn = "" }},
		{"gauge not photographed", "check photos_complete", func(j *jobUnderTest) {
			j.drop(func(i Item) bool {
				p, ok := i.Record.(*domain.Photo)
				return ok && p.Subjects[0].Kind == domain.MeasurementKind
			})
		}},
		// Photos.
		{"no photo", "check photos_complete; asks survey_before_cutting; silent gap_checked_before_mastic; unpaid work", without(domain.PhotoKind)},
		{"one picture for all", "question one_picture", func(j *jobUnderTest) {
			first := one[domain.Photo](j, 0).SHA256
			j.photos(func(p *domain.Photo) { p.SHA256 = first })
		}},
		{"photos after of before the work", "note gap_checked_before_mastic; question records_disagree", func(j *jobUnderTest) {
			j.photos(func(p *domain.Photo) {
				if p.Stage == domain.AfterStage {
					p.TakenAt = at("08:30")
				}
			})
		}},
		{"all photos at the end of the day", "check survey_before_cutting; note gap_checked_before_mastic; question records_disagree", func(j *jobUnderTest) { j.photos(func(p *domain.Photo) { p.TakenAt = at("15:30") }) }},
		{"photos do not say what they show", "asks photos_complete survey_before_cutting", func(j *jobUnderTest) { j.photos(func(p *domain.Photo) { p.Subjects[0].Shows = "" }) }},
		{"photos of another day", "check survey_before_cutting; question outside_visits records_disagree", func(j *jobUnderTest) { j.photos(func(p *domain.Photo) { p.TakenAt = p.TakenAt.AddDate(0, 0, 3) }) }},
		// Holes.
		{"a hole left open", "must_fix hole_in_duct_sealed", hole(func(*domain.Opening) {})},
		{"a hole closed, not said how", "asks duct_patch_coated duct_patch_overlap; silent mastic_thickness", hole(func(o *domain.Opening) { o.ClosedAt = when("12:30") })},
		{"a hole out of reach, no photo", "owes hole_in_duct_sealed", hole(func(o *domain.Opening) { o.NotReachedReason = "behind a drain" })},
		{"a hole closed once energy was back", "check energy_isolated; silent mastic_thickness", hole(func(o *domain.Opening) {
			o.ClosedAt = when("14:48")
			o.Closure = &domain.Closure{PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true)}
		})},
		{"a trunk missing, nothing repairs it", "must_fix trunk_sealed", func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "B", 0, ""); c.Found = domain.FoundMissing }},
		{"a trunk holed, no hole on record", "owes trunk_sealed", func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "B", 0, ""); c.Found = domain.FoundHoled }},
		{"a riser holed", "must_fix boot_sealed", func(j *jobUnderTest) {
			j.add(&domain.Component{JobID: j.job, Component: domain.Riser, Section: "B", Number: new(3), Found: domain.FoundHoled})
		}},
		{"the lap claimed, the sizes deny it", "must_fix duct_patch_overlap", open(1, func(o *domain.Opening) { o.WidthIn, o.LengthIn = new(9.5), new(9.5) })},
		{"the patch not coated", "must_fix duct_patch_coated", open(1, func(o *domain.Opening) { o.Closure.MasticOver = new(false) })},
		{"the patch not described", "asks duct_patch_coated duct_patch_overlap; silent mastic_thickness", open(1, func(o *domain.Opening) { o.Closure = nil })},
		{"the crew's cut in the duct left out", "does not apply", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InDuct })
		}},
		{"the crew's cuts in the wrap left out", "asks wrap_cut_recorded", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InWrap })
		}},
		{"the crew's cut in the wrap was found there", "asks wrap_cut_recorded", foundWrap},
		{"the crew's cut in the wrap was found there, as a photo of it says", "", func(j *jobUnderTest) {
			foundWrap(j)
			_, id := nth[domain.Opening](j, 0)
			j.photoOf(id, domain.BeforeStage).Stage = domain.SurveyStage
		}},
		{"the crew's cut in the duct was found there", "does not apply", open(1, func(o *domain.Opening) { o.Origin, o.MadeAt, o.Target = domain.FoundOpen, nil, nil })},
		{"the wrap not closed", "must_fix crew_opening_closed", open(0, func(o *domain.Opening) { o.ClosedAt, o.Closure = nil, nil })},
		{"the wrap closed with tape", "check wrap_closure_material", open(0, func(o *domain.Opening) { o.Closure.WrapJoining = "tape" })},
		{"no wrap is there", "question records_disagree", home(func(h *domain.Home) { h.WrapKind = "none" })},
		{"no insulation was there", "does not apply", open(0, func(o *domain.Opening) { o.InsulationFound, o.Closure.InsulationBack = new(false), nil })},
		{"insulation not said", "asks insulation_put_back", open(0, func(o *domain.Opening) { o.Closure.InsulationBack = nil })},
		// Energy.
		{"no isolation", "owes energy_isolated", without(domain.EnergyIsolationKind)},
		{"one point of two", "must_fix energy_isolated", iso(func(i *domain.EnergyIsolation) { i.PointsCount = new(1) })},
		{"three points of two", "must_fix energy_isolated", iso(func(i *domain.EnergyIsolation) { i.PointsCount = new(3) })},
		{"all points, as they say, and none counted", "owes energy_isolated", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.PointsFoundCount = nil, nil })},
		{"no word of points", "owes energy_isolated", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.PointsFoundCount, i.AllPoints = nil, nil, nil })},
		{"verified by nobody", "owes energy_isolated", iso(func(i *domain.EnergyIsolation) { i.VerifiedByID = nil })},
		{"cut in the evening", "must_fix energy_isolated isolation_released; check energy_isolated", iso(func(i *domain.EnergyIsolation) {
			i.IsolatedAt, i.VerifiedAt, i.ReleasedAt = when("18:00"), when("18:01"), when("18:30")
		})},
		{"given back with the trunk open", "must_fix energy_isolated; check energy_isolated", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("11:00") })},
		{"never given back", "must_fix isolation_released", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = nil })},
		{"given back on the next day", "must_fix isolation_released; question outside_visits", iso(func(i *domain.EnergyIsolation) { x := at("08:00").AddDate(0, 0, 1); i.ReleasedAt = &x })},
		{"the furnace did not run", "must_fix isolation_released", iso(func(i *domain.EnergyIsolation) { i.FurnaceRan = new(false) })},
		{"an end closed once energy was back", "check energy_isolated; question records_disagree", repair(5, func(r *domain.Repair) { r.DoneAt = at("14:48") })},
		{"a second furnace nobody cut", "owes energy_isolated furnace_joint_treated", home(func(h *domain.Home) { h.OtherFurnaceSections = []domain.Section{"B"} })},
		{"the trunk opened, not said when", "owes energy_isolated; asks survey_before_cutting", open(1, func(o *domain.Opening) { o.MadeAt = nil })},
		{"the crossover taken down, not said when", "owes crossover_taken_down", cross(func(x *domain.Crossover) { x.TakenDownAt = nil })},
		// Sealing.
		{"tape in place of mastic", "must_fix tape_alone_no_seal", repair(2, func(r *domain.Repair) { r.Materials = []domain.Material{domain.Tape} })},
		{"caulk in place of mastic", "must_fix tape_alone_no_seal", repair(2, func(r *domain.Repair) { r.Materials = []domain.Material{domain.Caulk} })},
		{"made of nothing", "asks tape_alone_no_seal", repair(2, func(r *domain.Repair) { r.Materials = nil })},
		{"a wide gap without mesh", "must_fix wide_gap_reinforced; check photos_complete", repair(2, func(r *domain.Repair) { r.WidestGapIn = new(1.5) })},
		{"the gap not said", "asks wide_gap_reinforced", repair(2, func(r *domain.Repair) { r.WidestGapIn = nil })},
		{"loose boots without fasteners", "owes loose_part_fastened", repair(3, func(r *domain.Repair) { r.Fasteners, r.FastenersEach = nil, nil })},
		{"twelve nails, all in one boot", "must_fix loose_part_fastened", repair(3, func(r *domain.Repair) { r.FastenersEach = new(0) })},
		{"repaired on a day without a visit", "must_fix air_at_every_outlet readings_in_order; check energy_isolated; question outside_visits", repair(2, func(r *domain.Repair) { r.DoneAt = r.DoneAt.AddDate(0, 0, 2) })},
		{"in the cabinet, without a license", "owes furnace_access_licensed", repair(0, func(r *domain.Repair) { r.Access = domain.FromAbove })},
		{"the furnace joint held by mastic alone", "must_fix wide_gap_reinforced; asks furnace_joint_held", repair(0, func(r *domain.Repair) { r.TabsFolded = nil; r.Materials = []domain.Material{domain.Mastic} })},
		{"a closure at a place that was not said", "owes end_closure_clear_of_outlets", repair(5, func(r *domain.Repair) { r.EndClosure.PositionFt = nil })},
		{"a closure without screws", "asks end_closure_fastened", repair(5, func(r *domain.Repair) { r.EndClosure.ScrewsCount = nil })},
		{"a closure of no form", "owes trunk_end_treated", repair(5, func(r *domain.Repair) { r.EndClosure = nil })},
		{"a kit that nobody confirmed", "asks kit_confirmed", repair(5, func(r *domain.Repair) { r.EndClosure.KitConfirmed = new(false) })},
		{"a closure before the register", "must_fix end_closure_clear_of_outlets", repair(5, func(r *domain.Repair) { r.EndClosure.PositionFt = new(50.0) })},
		// The crossover.
		{"the crossover left alone", "must_fix crossover_taken_down", cross(func(x *domain.Crossover) { x.Action, x.TakenDownAt = domain.LeftAlone, nil })},
		{"the crossover called rigid", "question records_disagree", cross(func(x *domain.Crossover) { x.Crossover = domain.Rigid })},
		{"the crossover called a part of the belly", "question records_disagree", cross(func(x *domain.Crossover) { x.Support, x.ClearanceIn = domain.InBelly, nil })},
		{"one end only", "owes crossover_ties_tensioned takeoff_sealed; asks crossover_collar_screws crossover_liner_depth crossover_size_kept; silent opening_has_target", cross(func(x *domain.Crossover) { x.Ends = x.Ends[:1] })},
		{"no ends", "owes crossover_ties_tensioned takeoff_sealed; asks crossover_collar_screws crossover_liner_depth crossover_size_kept; silent opening_has_target", cross(func(x *domain.Crossover) { x.Ends = nil })},
		{"old bands", "must_fix crossover_ties_tensioned", cross(func(x *domain.Crossover) { x.Ends[0].InnerBandNew, x.Ends[0].OuterBandNew = new(false), new(false) })},
		{"bands not said", "owes crossover_ties_tensioned", cross(func(x *domain.Crossover) { x.Ends[0].InnerBandNew, x.Ends[0].InnerBandToolTightened = nil, nil })},
		{"turns not felt", "asks crossover_liner_depth", cross(func(x *domain.Crossover) { x.Ends[0].LinerTurnsCount = nil })},
		{"on the soil", "must_fix crossover_off_ground", cross(func(x *domain.Crossover) { x.ClearanceIn = new(0.0) })},
		{"clearance not said", "owes crossover_off_ground", cross(func(x *domain.Crossover) { x.ClearanceIn = nil })},
		{"nothing holds it", "must_fix crossover_off_ground", cross(func(x *domain.Crossover) { x.Support = domain.Unheld })},
		// One record against another, or one fact against another of the same record.
		{"a new crossover called refitted", "question records_disagree", cross(func(x *domain.Crossover) { x.Action = domain.Refitted })},
		{"the crossover called oval, and banded", "owes crossover_ties_tensioned; question records_disagree", cross(func(x *domain.Crossover) { x.Crossover = domain.FlexOval })},
		{"off the soil as measured, and no hand passes", "must_fix crossover_off_ground", cross(func(x *domain.Crossover) { x.HandPassesUnder = new(false) })},
		{"turns counted, and none felt", "check crossover_liner_depth", cross(func(x *domain.Crossover) { x.Ends[0].TurnsFelt = new(false) })},
		{"straps 4 ft apart, one on 12 ft", "check crossover_supported", cross(func(x *domain.Crossover) { x.LengthFt, x.SupportsCount = new(12.0), new(1) })},
		{"a closure past the outlet, before it by its place", "must_fix end_closure_clear_of_outlets", repair(7, func(r *domain.Repair) { r.EndClosure.PositionFt, r.EndClosure.BeyondOutletIn = new(49.0), new(12.0) })},
		{"four nails in each of three, two in all", "must_fix loose_part_fastened", repair(3, func(r *domain.Repair) { r.Fasteners[0].Count = 2 })},
		{"the wrap missing, and cut", "question records_disagree", home(func(h *domain.Home) { h.WrapState = "missing" })},
		{"a unit outside, and a furnace joint", "owes furnace_joint_treated; question records_disagree", home(func(h *domain.Home) { h.FurnaceKind = domain.PackagedOutdoor })},
		{"no way to the furnace joint, and it is sealed", "question records_disagree", home(func(h *domain.Home) { h.FurnaceAccess = domain.NoAccess })},
		{"gas, called electric", "question records_disagree", func(j *jobUnderTest) { j.gas(); j.home().FurnaceKind = domain.ElectricFurnace }},
		{"two points, then one", "check photos_complete; question records_disagree", func(j *jobUnderTest) {
			again := *j.isolation()
			again.IsolatedAt, again.VerifiedAt, again.ReleasedAt = when("14:50"), when("14:52"), when("15:00")
			again.PointsFoundCount, again.PointsCount = new(1), new(1)
			j.add(&again)
		}},
		{"air felt on the next day", "question outside_visits", visit(func(v *domain.Visit) { v.Air.FeltAt = daysOn("14:50", 1) })},
		{"gas, read on the day before", "must_fix combustion_checked", func(j *jobUnderTest) { j.gas(); j.visit().Combustion.AmbientCOAt = daysOn("08:12", -1) }},
		{"a stop of another day", "check visit_times_recorded", visit(func(v *domain.Visit) { v.Stops = []domain.Stop{{Reason: "animals", At: *daysOn("15:00", 1)}} })},
		// People, air and what burns.
		{"nobody felt for air", "owes air_at_every_outlet", visit(func(v *domain.Visit) { v.Air = nil })},
		{"air felt before the last repair", "must_fix air_at_every_outlet", visit(func(v *domain.Visit) { v.Air.FeltAt = when("09:00") })},
		{"no air at some outlet", "must_fix air_at_every_outlet", visit(func(v *domain.Visit) { v.Air.EveryOutlet = new(false) })},
		{"no lead", "owes crew_certified", visit(func(v *domain.Visit) { v.LeadID = nil })},
		{"a lead without a certificate", "must_fix crew_certified", func(j *jobUnderTest) { j.dropAll(domain.CredentialKind) }},
		{"no times of the visit", "asks visit_times_recorded", visit(func(v *domain.Visit) { v.ArrivedAt, v.LeftAt = nil, nil })},
		{"the visit ended before the work", "must_fix isolation_released; question outside_visits", visit(func(v *domain.Visit) { v.LeftAt = when("09:00") })},
		{"two homes at once", "question two_homes_at_once", func(j *jobUnderTest) {
			j.outside.OtherVisits = []OtherVisit{{CrewMemberID: *j.visit().LeadID, JobID: domain.UUID{7}, ArrivedAt: at("09:00"), LeftAt: at("12:00")}}
		}},
		{"worked on through a stop", "must_fix stop_respected", visit(func(v *domain.Visit) { v.Stops = []domain.Stop{{Reason: "gas", At: at("09:50")}} })},
		{"a stop for gas, lifted by the crew", "must_fix stop_cleared", visit(func(v *domain.Visit) {
			v.Stops = []domain.Stop{{Reason: "gas", At: at("08:20"), ClearedAt: when("08:40"), ClearedBy: "the lead", ClearedAs: domain.ClearedByCrew}}
		})},
		{"gas, not tested", "owes combustion_checked", func(j *jobUnderTest) { j.gas(); j.visit().Combustion = nil }},
		{"gas, put off, worked on, not tested", "must_fix outcome_shown; owes combustion_checked", all(func(j *jobUnderTest) { j.gas(); j.visit().Combustion = nil }, out(domain.DeferredWork, "", domain.DeferWeather))},
		{"gas, no visit", "owes air_at_every_outlet combustion_checked outcome_shown; unpaid work", func(j *jobUnderTest) { j.gas(); j.dropAll(domain.VisitKind) }},
		{"gas, 40 ppm and worked on", "must_fix combustion_checked; note carbon_monoxide_told", func(j *jobUnderTest) { j.gas(); j.visit().Combustion.AmbientCOPpm = new(40.0) }},
		{"gas, tested before the sealing", "must_fix combustion_checked", func(j *jobUnderTest) { j.gas(); j.visit().Combustion.TestedAt = when("09:00") }},
		{"gas, tested by nobody", "owes combustion_checked", func(j *jobUnderTest) { j.gas(); j.visit().Combustion.CredentialID = nil }},
		{"a water heater that burns, in an electric home", "owes combustion_checked", home(func(h *domain.Home) { h.CombustionAppliances = []string{"water_heater"} })},
		{"not said what burns", "owes combustion_appliances_recorded", home(func(h *domain.Home) { h.CombustionAppliances = nil })},
		{"not said what heats", "owes furnace_kind_recorded", home(func(h *domain.Home) { h.FurnaceKind = "" })},
		{"no consent", "silent resident_consent", func(j *jobUnderTest) { j.jobRecord().ConsentOn, j.jobRecord().ConsentKind = "", "" }},
		{"the clock an hour fast", "check device_clock", func(j *jobUnderTest) { j.offset = new(3600.0); j.received = at("18:00") }},
		{"entered before it happened", "check device_clock", func(j *jobUnderTest) { j.received = at("08:59") }},
	}
}
