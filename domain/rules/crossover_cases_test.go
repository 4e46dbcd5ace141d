package rules

import "ductledger/domain"

func crossoverCases() []ruleCases {
	end := func(do func(e *domain.CrossoverEnd)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(&j.crossing().Ends[1]) }
	}
	x := func(do func(x *domain.Crossover)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.crossing()) }
	}
	rigid := change{"rigid", x(func(x *domain.Crossover) { x.Crossover = domain.Rigid }), nil}
	belly := change{"in the belly", x(func(x *domain.Crossover) { x.Support = domain.InBelly }), nil}
	foam := change{"on foam board", x(func(x *domain.Crossover) { x.Support = domain.FoamBoard }), nil}
	return []ruleCases{{
		rule: "section_reached",
		broken: []change{{"no crossover", dropCrossover, nil},
			{"a third section", func(j *jobUnderTest) {
				h := j.home()
				h.SectionCount, h.DuctedSections = 3, []domain.Section{"A", "B", "C"}
			}, []string{"section_described"}}},
		notRecorded: []change{{"ducted sections", func(j *jobUnderTest) { j.home().DuctedSections = nil }, []string{"ducted_sections_recorded"}},
			{"furnace's section", func(j *jobUnderTest) { j.home().FurnaceSection = "" }, []string{"furnace_section_recorded"}}},
		notApplicable: []change{{"single section", func(j *jobUnderTest) { j.home().SectionCount = 1 }, nil}},
		holds: []change{{"own furnace in each", func(j *jobUnderTest) {
			dropCrossover(j)
			secondFurnace(j, "B")
		}, []string{"furnace_joint_treated"}},
			{"A to C by way of B", func(j *jobUnderTest) {
				h := j.home()
				h.SectionCount, h.DuctedSections = 3, []domain.Section{"A", "B", "C"}
				second := *j.crossing()
				second.FromSection, second.ToSection = "C", "B"
				second.Ends = []domain.CrossoverEnd{second.Ends[0], second.Ends[1]}
				second.Ends[0].Section = "C"
				id := j.add(&second)
				for _, s := range []domain.Section{"B", "C"} {
					j.photo("11:30", domain.BeforeStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsBare, Section: s})
					j.photo("11:50", domain.CheckStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsSealed, Section: s})
				}
				j.photo("12:09", domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
			}, []string{"section_described"}}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "crossover_taken_down",
		broken: []change{{"left alone", x(func(x *domain.Crossover) { x.Action, x.TakenDownAt = domain.LeftAlone, nil }), nil},
			{"left alone, ends not looked at", x(func(x *domain.Crossover) {
				x.Action, x.TakenDownAt = domain.LeftAlone, nil
				for i := range x.Ends {
					x.Ends[i] = domain.CrossoverEnd{Section: x.Ends[i].Section, PositionFt: x.Ends[i].PositionFt, CollarSealed: new(true)}
				}
			}), nil}},
		notRecorded:   []change{{"no time", x(func(x *domain.Crossover) { x.TakenDownAt = nil }), nil}},
		notApplicable: []change{rigid},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "crossover_ties_tensioned",
		broken: []change{{"old band on the core", end(func(e *domain.CrossoverEnd) { e.InnerBandNew = new(false) }), nil},
			{"core by hand", end(func(e *domain.CrossoverEnd) { e.InnerBandToolTightened = new(false) }), nil},
			{"old band on the jacket", end(func(e *domain.CrossoverEnd) { e.OuterBandNew = new(false) }), nil},
			{"left alone, and yet taken down", func(j *jobUnderTest) {
				j.crossing().Action = domain.LeftAlone
				j.crossing().Ends[1].InnerBandNew = new(false)
			}, nil},
			{"jacket by hand", end(func(e *domain.CrossoverEnd) { e.OuterBandToolTightened = new(false) }), nil}},
		notRecorded: []change{{"replaced, neither time nor band said", func(j *jobUnderTest) {
			j.crossing().TakenDownAt, j.crossing().Ends[1].InnerBandNew = nil, nil
		}, []string{"crossover_taken_down"}}, {"left alone, and yet taken down: band not said", func(j *jobUnderTest) {
			j.crossing().Action, j.crossing().Ends[1].InnerBandNew = domain.LeftAlone, nil
		}, nil}, {"band not said", end(func(e *domain.CrossoverEnd) { e.InnerBandNew = nil }), nil},
			{"tool not said", end(func(e *domain.CrossoverEnd) { e.InnerBandToolTightened = nil }), nil},
			{"jacket's band not said", end(func(e *domain.CrossoverEnd) { e.OuterBandNew = nil }), nil},
			{"jacket's tool not said", end(func(e *domain.CrossoverEnd) { e.OuterBandToolTightened = nil }), nil},
			{"oval, nothing said", x(func(x *domain.Crossover) { x.Crossover = domain.FlexOval }), nil}},
		notApplicable: []change{rigid},
		holds: []change{{"oval with screws", x(func(x *domain.Crossover) {
			x.Crossover = domain.FlexOval
			for i := range x.Ends {
				x.Ends[i].OtherFastener = "screws with a plate"
				x.Ends[i].InnerBandNew, x.Ends[i].OuterBandNew = nil, nil
			}
		}), nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "crossover_liner_depth",
		broken:        []change{{"one turn", end(func(e *domain.CrossoverEnd) { e.LinerTurnsCount = new(1.0) }), nil}},
		notRecorded:   []change{{"not counted", end(func(e *domain.CrossoverEnd) { e.LinerTurnsCount = nil }), nil}},
		notApplicable: []change{rigid},
		atLimit:       []change{{"2 turns", end(func(e *domain.CrossoverEnd) { e.LinerTurnsCount = new(2.0) }), nil}},
		beyond:        []change{{"1.5 turns", end(func(e *domain.CrossoverEnd) { e.LinerTurnsCount = new(1.5) }), nil}},
	}, {
		rule:   "crossover_collar_screws",
		broken: []change{{"tabs not folded", end(func(e *domain.CrossoverEnd) { e.TabsFolded = new(false) }), nil}},
		notRecorded: []change{{"not counted", end(func(e *domain.CrossoverEnd) { e.FastenersCount = nil }), nil},
			{"tabs not said", end(func(e *domain.CrossoverEnd) { e.TabsFolded = nil }), nil}},
		holds:         []change{{"a connector", end(func(e *domain.CrossoverEnd) { e.TabsFolded, e.ScrewConnector = nil, new(true) }), nil}},
		notApplicable: []change{rigid},
		atLimit:       []change{{"4", end(func(e *domain.CrossoverEnd) { e.FastenersCount = new(4) }), nil}},
		beyond:        []change{{"3", end(func(e *domain.CrossoverEnd) { e.FastenersCount = new(3) }), nil}},
	}, {
		rule: "crossover_size_kept",
		broken: []change{{"narrow duct", x(func(x *domain.Crossover) { x.DuctDiameterIn = new(10.0) }), nil},
			{"wide collar", end(func(e *domain.CrossoverEnd) { e.CollarDiameterIn = new(14.0) }), nil}},
		notRecorded: []change{{"duct", x(func(x *domain.Crossover) { x.DuctDiameterIn = nil }), nil},
			{"collar", end(func(e *domain.CrossoverEnd) { e.CollarDiameterIn = nil }), nil},
			{"insulation", x(func(x *domain.Crossover) { x.InsulationR = nil }), nil}},
		notApplicable: []change{{"refitted", x(func(x *domain.Crossover) { x.Action, x.InsulationR = domain.Refitted, new(4.0) }), nil}},
		atLimit:       []change{{"R 8", x(func(x *domain.Crossover) { x.InsulationR = new(8.0) }), nil}},
		beyond:        []change{{"R 7.9", x(func(x *domain.Crossover) { x.InsulationR = new(7.9) }), nil}},
	}, {
		rule: "crossover_off_ground",
		broken: []change{{"nothing holds it", x(func(x *domain.Crossover) { x.Support = domain.Unheld }), nil},
			{"on the soil", x(func(x *domain.Crossover) { x.ClearanceIn = new(0.0) }), nil}},
		notRecorded: []change{{"distance", x(func(x *domain.Crossover) { x.ClearanceIn = nil }), nil},
			{"support", x(func(x *domain.Crossover) { x.Support = "" }), nil}},
		notApplicable: []change{belly, {"in the floor", x(func(x *domain.Crossover) { x.Support, x.ClearanceIn = domain.InFloor, nil }), nil}},
		atLimit:       []change{{"a quarter inch", x(func(x *domain.Crossover) { x.ClearanceIn = new(0.25) }), nil}},
		beyond:        []change{{"0 in", x(func(x *domain.Crossover) { x.ClearanceIn = new(0.0) }), nil}},
		holds:         []change{foam},
	}, {
		rule:          "crossover_supported",
		broken:        []change{{"6 ft", x(func(x *domain.Crossover) { x.SupportSpacingFt = new(6.0) }), nil}},
		notRecorded:   []change{{"not measured", x(func(x *domain.Crossover) { x.SupportSpacingFt = nil }), nil}},
		notApplicable: []change{belly, foam},
		atLimit: []change{{"4 ft", x(func(x *domain.Crossover) { x.SupportSpacingFt = new(4.0) }), nil},
			{"one strap on 8 ft", x(func(x *domain.Crossover) { x.SupportSpacingFt, x.SupportsCount, x.LengthFt = nil, new(1), new(8.0) }), nil}},
		beyond: []change{{"4.1 ft", x(func(x *domain.Crossover) { x.SupportSpacingFt = new(4.1) }), nil},
			{"one strap on 8.5 ft", x(func(x *domain.Crossover) { x.SupportSpacingFt, x.SupportsCount, x.LengthFt = nil, new(1), new(8.5) }), nil}},
	}, {
		rule:          "flex_sag",
		broken:        []change{{"1 in per ft", x(func(x *domain.Crossover) { x.SagInPerFt = new(1.0) }), nil}},
		notRecorded:   []change{{"not measured", func(*jobUnderTest) {}, nil}},
		notApplicable: []change{rigid, foam},
		atLimit:       []change{{"0.5", x(func(x *domain.Crossover) { x.SagInPerFt = new(0.5) }), nil}},
		beyond:        []change{{"0.6", x(func(x *domain.Crossover) { x.SagInPerFt = new(0.6) }), nil}},
	}}
}
