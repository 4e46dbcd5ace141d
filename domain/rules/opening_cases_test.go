package rules

import "ductledger/domain"

func openingCases() []ruleCases {
	nothingOpened := change{"nothing opened", func(j *jobUnderTest) {
		j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.Origin != domain.FoundOpen })
	}, []string{"wrap_cut_recorded"}}
	noDuctOpened := change{"no duct opened", func(j *jobUnderTest) {
		j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InDuct })
	}, nil}
	noWrap := change{"no wrap", func(j *jobUnderTest) { j.home().WrapKind = domain.NoWrap }, nil}
	foundOpen := func(stage domain.PhotoStage, clock string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			o, id := nth[domain.Opening](j, 0)
			o.Origin = domain.FoundOpen
			photo := j.photoOf(id, domain.BeforeStage)
			photo.Stage, photo.TakenAt = stage, at(clock)
		}
	}
	joint := func(j *jobUnderTest) *domain.Component { c, _ := j.part(domain.FurnaceJoint, "A", 0, ""); return c }
	return []ruleCases{{
		rule: "survey_before_cutting",
		broken: []change{{"one boot after the first opening", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.SurveyStage).TakenAt = at("09:50")
		}, nil}, {"one boot one way only", func(j *jobUnderTest) {
			_, id := j.boot("B", 2)
			j.photoOf(id, domain.SurveyStage).Subjects[0].Shows = domain.ShowsFront
		}, nil}, {"one boot the other way only", func(j *jobUnderTest) {
			_, id := j.boot("B", 2)
			j.photoOf(id, domain.SurveyStage).Subjects[0].Shows = domain.ShowsRear
		}, nil}},
		notRecorded: []change{{"no survey photo in section A", func(j *jobUnderTest) {
			for _, n := range []int{2, 5} {
				_, id := j.boot("A", n)
				j.dropPhotos(id, domain.SurveyStage)
			}
		}, nil}, {"no time of any opening", func(j *jobUnderTest) {
			j.opening(3).MadeAt = nil
		}, nil}},
		notApplicable: []change{nothingOpened},
		holds: []change{{"both ways before, one way again after", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photo("10:30", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id, Shows: domain.ShowsRear})
		}, nil}, {"enough before, one more after", func(j *jobUnderTest) {
			_, id := j.boot("A", 6)
			j.photo("10:30", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id, Shows: domain.ShowsBothWays})
		}, nil}},
		atLimit: []change{{"two photos of one boot, one each way", func(j *jobUnderTest) {
			_, id := j.boot("B", 2)
			j.photoOf(id, domain.SurveyStage).Subjects[0].Shows = domain.ShowsFront
			j.photo("08:58", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id, Shows: domain.ShowsRear})
		}, nil}},
		beyond: []change{{"at the very moment of the opening", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.SurveyStage).TakenAt = at("09:45")
		}, nil}},
	}, {
		rule: "wrap_cut_recorded",
		notRecorded: []change{{"no cut in the wrap of section A", func(j *jobUnderTest) {
			j.drop(func(i Item) bool {
				o, ok := i.Record.(*domain.Opening)
				return ok && o.In == domain.InWrap && o.Section == "A"
			})
		}, nil}, {"boots from below, and no cut", func(j *jobUnderTest) {
			j.repair(2).Access = domain.FromBelow
			j.drop(func(i Item) bool {
				o, ok := i.Record.(*domain.Opening)
				return ok && o.In == domain.InWrap && o.Section == "A"
			})
		}, nil}, {"found open, and no photo of the survey", foundOpen(domain.BeforeStage, "09:46"), nil},
			{"found open, as a photo shows that is younger than the work", foundOpen(domain.SurveyStage, "09:59"), nil}},
		notApplicable: []change{noWrap, {"the wrap was missing", func(j *jobUnderTest) {
			j.home().WrapState = "missing"
			nothingOpened.do(j)
		}, nil}},
		holds: []change{{"through wrap that was found open, as the survey shows", foundOpen(domain.SurveyStage, "09:46"), nil},
			{"a cut without a section", func(j *jobUnderTest) { j.opening(3).Section = ""; j.opening(0).Origin = domain.FoundOpen }, []string{"opening_has_target"}}},
		cannot: map[string]string{"broken": "a cut is recorded or missing", "at_the_limit": noLimit},
	}, {
		rule: "opening_has_target",
		broken: []change{{"far off", func(j *jobUnderTest) { j.opening(0).PositionFt = new(30.0) }, []string{"access_below_furnace"}},
			{"other section", func(j *jobUnderTest) { j.opening(3).Target, j.opening(3).PositionFt = j.opening(0).Target, new(20.0) }, nil},
			{"beyond the trunk", func(j *jobUnderTest) { onTrunk(j, 57.5) }, nil},
			{"a joint without a section is the furnace's", func(j *jobUnderTest) {
				joint(j).Section = ""
				_, id := j.part(domain.FurnaceJoint, "", 0, "")
				j.opening(3).Target, j.opening(3).PositionFt = &domain.Subject{Kind: domain.ComponentKind, ID: id}, new(20.0)
			}, nil},
			{"beyond its end", func(j *jobUnderTest) { onEnd(j, domain.Rear, 52) }, nil},
			{"before its end", func(j *jobUnderTest) { onEnd(j, domain.Front, 4) }, nil},
			{"a part of no one", func(j *jobUnderTest) {
				j.opening(3).Target = &domain.Subject{Kind: domain.CrossoverKind, ID: domain.UUID{9}}
			}, nil}},
		notRecorded: []change{{"no target", func(j *jobUnderTest) { j.opening(3).Target = nil }, nil},
			{"no place", func(j *jobUnderTest) { j.opening(3).PositionFt = nil }, nil}},
		notApplicable: []change{nothingOpened},
		atLimit: []change{{"2.0 ft", func(j *jobUnderTest) { j.opening(3).PositionFt = new(26.0) }, nil}, {"2.0 ft of tenths", func(j *jobUnderTest) {
			j.opening(3).PositionFt = new(18.4)
			j.crossing().Ends[1].PositionFt = new(20.4)
		}, nil}},
		beyond: []change{{"2.1 ft", func(j *jobUnderTest) { j.opening(3).PositionFt = new(26.1) }, nil}, {"2.1 ft toward the front", func(j *jobUnderTest) { j.opening(3).PositionFt = new(21.9) }, nil}},
		holds: []change{{"place of the part not recorded", func(j *jobUnderTest) { j.crossing().Ends[1].PositionFt = nil }, []string{"end_closure_clear_of_outlets"}},
			{"anywhere along the trunk", func(j *jobUnderTest) { onTrunk(j, 40) }, nil},
			{"a trunk whose start is not recorded", func(j *jobUnderTest) {
				onTrunk(j, 40)
				c, _ := j.part(domain.Trunk, "B", 0, "")
				c.StartFt = nil
			}, nil},
			{"a trunk whose end is not recorded", func(j *jobUnderTest) {
				onTrunk(j, 40)
				c, _ := j.part(domain.Trunk, "B", 0, "")
				c.EndFt = nil
			}, nil}, {"near its front", func(j *jobUnderTest) { onEnd(j, domain.Front, 2) }, nil},
			{"near its rear", func(j *jobUnderTest) { onEnd(j, domain.Rear, 54) }, nil},
			{"the joint says its section and place itself", func(j *jobUnderTest) {
				c, _ := j.part(domain.FurnaceJoint, "A", 0, "")
				c.PositionFt, j.home().FurnacePositionFt = new(20.0), nil
			}, nil}},
	}, {
		rule: "crew_opening_closed",
		broken: []change{{"wrap left open", func(j *jobUnderTest) { j.opening(0).ClosedAt, j.opening(0).Closure = nil, nil }, nil},
			{"enlarged one left open", func(j *jobUnderTest) { j.opening(3).ClosedAt, j.opening(3).Closure = nil, nil }, nil},
			{"duct left open", func(j *jobUnderTest) { j.opening(1).ClosedAt, j.opening(1).Closure = nil, nil }, nil}},
		notRecorded:   []change{{"closed, no time", func(j *jobUnderTest) { j.opening(0).ClosedAt = nil }, nil}},
		notApplicable: []change{nothingOpened},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:  "found_damage_not_charged",
		holds: []change{{"a found opening closed", func(j *jobUnderTest) { j.opening(2).ClosedAt = when("14:00") }, nil}},
		notApplicable: []change{{"none closed", func(*jobUnderTest) {}, nil}, {"the rule set pays", func(j *jobUnderTest) {
			j.opening(2).ClosedAt = when("14:00")
			j.ruleSet = &domain.RuleSet{PaysFoundWrap: new(true)}
		}, nil}},
		cannot: map[string]string{"broken": "no record of a job charges anything: the service makes the lines", "not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "wrap_closure_material",
		broken: []change{{"tape", func(j *jobUnderTest) { j.opening(0).Closure.WrapJoining = "tape" }, nil},
			{"plain staples", func(j *jobUnderTest) { j.opening(0).Closure.WrapJoining = "staples" }, nil},
			{"board on fabric", func(j *jobUnderTest) { j.opening(0).Closure.WrapMaterial = "rigid_board" }, nil},
			{"board wrap without a lap", func(j *jobUnderTest) {
				boardWrap(j)
				j.opening(0).Closure.LapIn = new(0.0)
			}, nil},
			{"board wrap stapled", func(j *jobUnderTest) { boardWrap(j); j.opening(0).Closure.WrapJoining = clinchedStaples }, nil},
			{"fabric on board", func(j *jobUnderTest) { boardWrap(j); j.opening(0).Closure.WrapMaterial = "fabric" }, nil}},
		notRecorded: []change{{"no joining", func(j *jobUnderTest) { j.opening(0).Closure.WrapJoining = "" }, nil},
			{"no material", func(j *jobUnderTest) { j.opening(0).Closure.WrapMaterial = "" }, nil},
			{"board without any lap recorded", func(j *jobUnderTest) { boardWrap(j); j.opening(0).Closure.LapIn = nil }, nil}},
		notApplicable: []change{noWrap},
		holds: []change{{"board wrap", boardWrap, nil}, {"stitched", func(j *jobUnderTest) { j.opening(0).Closure.WrapJoining = stitched }, nil},
			{"a found one closed, nothing said", func(j *jobUnderTest) { j.opening(2).ClosedAt = when("14:00") }, nil}},
		cannot: map[string]string{"at_the_limit": "any lap will do"},
	}, {
		rule:          "insulation_put_back",
		broken:        []change{{"not back", func(j *jobUnderTest) { j.opening(3).Closure.InsulationBack = new(false) }, nil}},
		notRecorded:   []change{{"not said", func(j *jobUnderTest) { j.opening(3).Closure.InsulationBack = nil }, nil}},
		notApplicable: []change{noWrap},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:   "duct_patch_overlap",
		broken: []change{{"half an inch", func(j *jobUnderTest) { j.opening(1).Closure.PatchLapIn = new(0.5) }, nil}},
		notRecorded: []change{{"no lap and no width", func(j *jobUnderTest) { c := j.opening(1).Closure; c.PatchLapIn, c.PatchWidthIn = nil, nil }, nil},
			{"no lap and no length", func(j *jobUnderTest) { c := j.opening(1).Closure; c.PatchLapIn, c.PatchLengthIn = nil, nil }, nil},
			{"no lap and no width of the hole", func(j *jobUnderTest) { o := j.opening(1); o.Closure.PatchLapIn, o.WidthIn = nil, nil }, nil},
			{"no lap and no length of the hole", func(j *jobUnderTest) { o := j.opening(1); o.Closure.PatchLapIn, o.LengthIn = nil, nil }, nil}},
		notApplicable: []change{noDuctOpened},
		atLimit: []change{{"1 in", func(j *jobUnderTest) { j.opening(1).Closure.PatchLapIn = new(1.0) }, nil},
			{"1 in by the sizes", func(j *jobUnderTest) { j.opening(1).Closure.PatchLapIn = nil }, nil}},
		beyond: []change{{"a second patch", func(j *jobUnderTest) {
			o := *j.opening(1)
			closure := *o.Closure
			closure.PatchLapIn, o.Closure, o.PositionFt = new(0.5), &closure, new(20.8)
			id := j.add(&o)
			j.photo("10:05", domain.BeforeStage, domain.PhotoSubject{Kind: domain.OpeningKind, ID: id, Shows: domain.ShowsOpen})
			j.photo("11:08", domain.AfterStage, domain.PhotoSubject{Kind: domain.OpeningKind, ID: id, Shows: domain.ShowsClosed})
		}, nil}, {"0.875 in", func(j *jobUnderTest) { j.opening(1).Closure.PatchLapIn = new(0.875) }, nil},
			{"by the sizes, one side", func(j *jobUnderTest) { c := j.opening(1).Closure; c.PatchLapIn, c.PatchLengthIn = nil, new(9.75) }, nil}},
	}, {
		rule: "duct_patch_coated",
		broken: []change{{"dry below", func(j *jobUnderTest) { j.opening(1).Closure.MasticUnder = new(false) }, nil},
			{"bare above", func(j *jobUnderTest) { j.opening(1).Closure.MasticOver = new(false) }, nil}},
		notRecorded:   []change{{"not said", func(j *jobUnderTest) { j.opening(1).Closure.MasticOver = nil }, nil}},
		notApplicable: []change{noDuctOpened},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "mastic_thickness",
		broken:        []change{{"thin", func(j *jobUnderTest) { j.opening(1).Closure.ThicknessReached = new(false) }, nil}},
		notRecorded:   []change{{"not said", func(j *jobUnderTest) { j.opening(1).Closure.ThicknessReached = nil }, nil}},
		notApplicable: []change{noDuctOpened},
		cannot:        map[string]string{"at_the_limit": "the crew measures with a gauge and records yes or no"},
	}, {
		rule:          "cut_edge_guarded",
		broken:        []change{{"bare edges", func(j *jobUnderTest) { j.opening(1).EdgesTaped = new(false) }, nil}},
		notRecorded:   []change{{"not said", func(j *jobUnderTest) { j.opening(1).EdgesTaped = nil }, nil}},
		notApplicable: []change{noDuctOpened},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "access_below_furnace",
		broken:        []change{{"18 in off", func(j *jobUnderTest) { j.opening(0).PositionFt = new(21.5) }, nil}},
		notRecorded:   []change{{"furnace's place not known", func(j *jobUnderTest) { j.home().FurnacePositionFt = nil }, []string{"furnace_position_recorded"}}},
		notApplicable: []change{{"from above", func(j *jobUnderTest) { j.home().FurnaceAccess = domain.FromAbove }, nil}},
		atLimit: []change{{"12 in", func(j *jobUnderTest) { j.opening(0).PositionFt = new(21.0) }, nil},
			{"12 in of tenths", func(j *jobUnderTest) {
				joint(j).PositionFt = new(19.1)
				j.opening(0).PositionFt = new(20.1)
				j.opening(1).PositionFt = new(20.1)
			}, nil}},
		beyond: []change{{"13.2 in toward the front", func(j *jobUnderTest) { j.opening(0).PositionFt = new(18.9) }, nil}},
	}}
}

// onTrunk and onEnd let the fourth opening serve trunk B, or an end of it.
func onTrunk(j *jobUnderTest, ft float64) {
	_, id := j.part(domain.Trunk, "B", 0, "")
	j.opening(3).Target, j.opening(3).PositionFt = &domain.Subject{Kind: domain.ComponentKind, ID: id}, &ft
}

func onEnd(j *jobUnderTest, end domain.End, ft float64) {
	_, id := j.part(domain.TrunkEnd, "B", 0, end)
	j.opening(3).Target, j.opening(3).PositionFt = &domain.Subject{Kind: domain.ComponentKind, ID: id}, &ft
}

// boardWrap turns the belly and what closed it into rigid board.
func boardWrap(j *jobUnderTest) {
	j.home().WrapKind = domain.RigidBoard
	for _, n := range []int{0, 3} {
		j.opening(n).Closure = &domain.Closure{WrapMaterial: "rigid_board", WrapJoining: fastenersWithWashers, LapIn: new(3.0), InsulationBack: new(true)}
	}
}
