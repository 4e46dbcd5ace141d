package rules

import (
	"slices"

	"ductledger/domain"
)

func endCases() []ruleCases {
	rear := func(found domain.Found, reason string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			c, id := j.part(domain.TrunkEnd, "B", 0, domain.Rear)
			bare(j, c, id, found, reason)
			j.drop(func(i Item) bool {
				r, ok := i.Record.(*domain.Repair)
				return ok && r.EndClosure != nil && len(r.ComponentIDs) == 0
			})
		}
	}
	setBlank := func(do func(e *domain.EndClosure)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.repair(7).EndClosure) }
	}
	board := func(do func(e *domain.EndClosure)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.repair(6).EndClosure) }
	}
	front := func(ft float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.repair(4).EndClosure.PositionFt = new(ft) }
	}
	noBlank := change{"no sloped blank", func(j *jobUnderTest) {
		for n := 4; n < 8; n++ {
			j.repair(n).EndClosure = &domain.EndClosure{Form: domain.CapFromBelow}
		}
	}, nil}
	blank := func(w, l, notch float64) func(*jobUnderTest) {
		return setBlank(func(e *domain.EndClosure) { e.BlankWidthIn, e.BlankLengthIn, e.CornerNotchIn = &w, &l, &notch })
	}
	return []ruleCases{{
		rule: "trunk_end_treated",
		broken: []change{{"left open", rear(domain.FoundMissing, ""), nil},
			{"a closure at the same end of another trunk", func(j *jobUnderTest) {
				_, a := j.part(domain.TrunkEnd, "A", 0, domain.Rear)
				_, b := j.part(domain.TrunkEnd, "B", 0, domain.Rear)
				_, trunk := j.part(domain.Trunk, "B", 0, "")
				j.drop(func(i Item) bool {
					r, ok := i.Record.(*domain.Repair)
					return ok && slices.Contains(r.ComponentIDs, a) || i.ID == b
				})
				j.dropPhotos(b, "")
				for _, i := range j.items {
					if r, ok := i.Record.(*domain.Repair); ok && slices.Contains(r.ComponentIDs, b) {
						r.ComponentIDs = []domain.UUID{trunk}
					}
				}
			}, nil},
			{"out of reach with a reason: for a reviewer", rear(domain.FoundNotAccessible, "a pier"), nil}},
		notRecorded: []change{{"not said", rear("", ""), nil}, {"out of reach without a reason", rear(domain.FoundNotAccessible, ""), nil},
			{"tight without a photo", func(j *jobUnderTest) {
				rear(domain.FoundTight, "")(j)
				_, id := j.part(domain.TrunkEnd, "B", 0, domain.Rear)
				j.dropPhotos(id, "")
			}, nil},
			{"repaired, not said how", func(j *jobUnderTest) { j.repair(7).EndClosure = nil }, nil},
			{"end not described", func(j *jobUnderTest) {
				rear(domain.FoundMissing, "")(j)
				_, id := j.part(domain.TrunkEnd, "B", 0, domain.Rear)
				j.drop(func(i Item) bool { return i.ID == id })
			}, nil}},
		notApplicable: []change{{"refused", refused, nil}},
		holds: []change{{"tight with a photo", rear(domain.FoundTight, ""), nil},
			{"closed, the repair names the trunk", func(j *jobUnderTest) {
				_, trunk := j.part(domain.Trunk, "B", 0, "")
				_, end := j.part(domain.TrunkEnd, "B", 0, domain.Rear)
				j.repair(7).ComponentIDs = []domain.UUID{trunk}
				j.drop(func(i Item) bool { return i.ID == end })
			}, nil},
			{"capped", noBlank.do, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "end_closure_clear_of_outlets",
		broken: []change{{"before the last register", setBlank(func(e *domain.EndClosure) { e.PositionFt = new(49.0) }), nil},
			{"behind the first register", front(5), nil},
			{"outside the trunk", setBlank(func(e *domain.EndClosure) { e.PositionFt = new(56.0) }), nil},
			{"outside its own trunk", func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "B", 0, ""); c.EndFt = new(52.5) }, nil},
			{"outside the front", front(0.5), nil},
			{"before the collar", func(j *jobUnderTest) {
				j.crossing().Ends[1].PositionFt = new(54.0)
				j.opening(3).PositionFt = new(54.0)
			}, nil},
			{"before a takeoff", func(j *jobUnderTest) {
				j.takeoffs("B", 1)
				id := j.add(&domain.Component{JobID: j.job, Component: domain.BranchTakeoff, Section: "B", Number: new(1), Found: domain.FoundTight, PositionFt: new(54.0)})
				j.photo("09:00", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
			}, nil}},
		notRecorded: []change{{"the repair names a trunk whose ends have no place", func(j *jobUnderTest) {
			c, trunk := j.part(domain.Trunk, "B", 0, "")
			c.StartFt = nil
			j.repair(7).ComponentIDs = []domain.UUID{trunk}
		}, []string{"trunk_end_treated"}}, {"no place", setBlank(func(e *domain.EndClosure) { e.PositionFt = nil }), nil},
			{"no outlet has a place", func(j *jobUnderTest) {
				for _, i := range j.items {
					if c, ok := i.Record.(*domain.Component); ok && c.Component == domain.Boot {
						c.PositionFt = nil
					}
				}
				for n := range j.crossing().Ends {
					j.crossing().Ends[n].PositionFt = nil
				}
			}, nil}},
		notApplicable: []change{noBlank},
		atLimit: []change{{"an inch clear", setBlank(func(e *domain.EndClosure) { e.PositionFt = new(51.1) }), nil},
			{"at the trunk's end", setBlank(func(e *domain.EndClosure) { e.PositionFt = new(55.0) }), nil}, {"at the trunk's start", front(1), nil},
			{"just more than asked", func(j *jobUnderTest) { // 2 ft at the rear of A, 18 in at the front
				j.limit("end_closure_clear_of_outlets", "clear_over_in", 17.9)
			}, nil}},
		beyond: []change{{"exactly at the register", setBlank(func(e *domain.EndClosure) { e.PositionFt = new(51.0) }), nil}, {"exactly at the first", front(4), nil},
			{"exactly as much as asked", func(j *jobUnderTest) { j.limit("end_closure_clear_of_outlets", "clear_over_in", 18) }, nil}},
	}, {
		rule:          "end_closure_faces_air",
		broken:        []change{{"turned round", setBlank(func(e *domain.EndClosure) { e.BackToEndWall = new(false) }), nil}},
		notRecorded:   []change{{"not said", setBlank(func(e *domain.EndClosure) { e.BackToEndWall = nil }), nil}},
		notApplicable: []change{noBlank},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "end_closure_fastened",
		broken:        []change{{"not sealed", setBlank(func(e *domain.EndClosure) { e.Sealed = new(false) }), nil}},
		notRecorded:   []change{{"screws not counted", setBlank(func(e *domain.EndClosure) { e.ScrewsCount = nil }), nil}, {"sealing not said", setBlank(func(e *domain.EndClosure) { e.Sealed = nil }), nil}},
		notApplicable: []change{noBlank},
		atLimit:       []change{{"one screw", setBlank(func(e *domain.EndClosure) { e.ScrewsCount = new(1) }), nil}},
		beyond:        []change{{"none", setBlank(func(e *domain.EndClosure) { e.ScrewsCount = new(0) }), nil}},
	}, {
		rule: "end_closure_board_set",
		broken: []change{{"not tapered", board(func(e *domain.EndClosure) { e.Tapered = new(false) }), nil},
			{"fiber to the air", board(func(e *domain.EndClosure) { e.FoilToAir = new(false) }), nil},
			{"no mastic", board(func(e *domain.EndClosure) { e.MasticAllRound = new(false) }), nil}},
		notRecorded:   []change{{"not said", board(func(e *domain.EndClosure) { e.FoilToAir = nil }), nil}},
		notApplicable: []change{noBlank},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "end_closure_blank",
		broken:        []change{{"as wide as the duct", blank(14, 5.5, 0.25), nil}, {"deep notch", blank(14.5, 5.5, 1), nil}},
		notRecorded:   []change{{"notch", setBlank(func(e *domain.EndClosure) { e.BlankWidthIn, e.BlankLengthIn = new(14.5), new(5.5) }), nil}},
		notApplicable: []change{{"no size", func(*jobUnderTest) {}, nil}},
		atLimit:       []change{{"a quarter inch on every side", blank(14.5, 5.5, 0.25), nil}},
		beyond:        []change{{"narrow", blank(14.375, 5.5, 0.25), nil}, {"short", blank(14.5, 5.375, 0.25), nil}, {"notch", blank(14.5, 5.5, 0.125), nil}},
		holds:         []change{{"sloped, longer", blank(14.5, 11.4, 0.25), nil}},
	}}
}
