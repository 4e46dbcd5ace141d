package rules

import (
	"slices"

	"ductledger/domain"
)

// uncover takes a part out of the repairs that cover it.
func uncover(j *jobUnderTest, id domain.UUID) {
	for _, i := range j.items {
		if r, ok := i.Record.(*domain.Repair); ok {
			r.ComponentIDs = slices.DeleteFunc(r.ComponentIDs, func(c domain.UUID) bool { return c == id })
		}
	}
}

// bare is a part that no repair covers, found as it says.
func bare(j *jobUnderTest, c *domain.Component, id domain.UUID, found domain.Found, reason string) domain.UUID {
	uncover(j, id)
	c.Found, c.FoundReason = found, reason
	return id
}

func dropSort(j *jobUnderTest, sort domain.ComponentSort) {
	j.drop(func(i Item) bool { c, ok := i.Record.(*domain.Component); return ok && c.Component == sort })
}

func refused(j *jobUnderTest) {
	handsOff(j)
	j.jobRecord().Outcome, j.jobRecord().OutcomeReason = domain.Refused, "a test"
}

// handsOff takes away all that somebody opened, took down or sealed.
func handsOff(j *jobUnderTest) {
	j.dropAll(domain.OpeningKind, domain.RepairKind, domain.CrossoverKind, domain.EnergyIsolationKind)
}

func furnaceCases() []ruleCases {
	boot := func(found domain.Found, reason string) func(*jobUnderTest) {
		return func(j *jobUnderTest) { c, id := j.boot("A", 3); bare(j, c, id, found, reason) }
	}
	furnace := func(found domain.Found, reason string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			c, id := j.part(domain.FurnaceJoint, "A", 0, "")
			bare(j, c, id, found, reason)
		}
	}
	takeoff := func(found domain.Found) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.takeoffs("A", 1)
			j.add(&domain.Component{JobID: j.job, Component: domain.BranchTakeoff, Section: "A", Number: new(1), Found: found, PositionFt: new(30.0)})
		}
	}
	bracket := func(screws *int, leg *bool) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.home().JoistDirection = domain.Lengthwise
			r := j.repair(3)
			r.Materials = append(r.Materials, domain.Bracket)
			r.BracketTrunkScrewsCount, r.BracketOtherLegFastened = screws, leg
		}
	}
	return []ruleCases{{
		rule: "boot_sealed",
		broken: []change{{"leaky and not repaired", boot(domain.FoundLeaky, ""), nil},
			{"missing and not repaired", boot(domain.FoundMissing, ""), nil},
			{"out of reach with a reason: for a reviewer", boot(domain.FoundNotAccessible, "below the tub"), nil},
			{"a riser", func(j *jobUnderTest) {
				j.add(&domain.Component{JobID: j.job, Component: domain.Riser, Section: "A", Number: new(3), Found: domain.FoundLeaky})
			}, nil}},
		notRecorded: []change{{"not said how found", boot("", ""), nil}, {"out of reach without a reason", boot(domain.FoundNotAccessible, ""), nil}},
		notApplicable: []change{{"no boot", func(j *jobUnderTest) { dropSort(j, domain.Boot); dropSurvey(j) },
			[]string{"section_described", "survey_before_cutting", "photos_complete"}}, {"refused", refused, nil}},
		holds:  []change{{"tight", boot(domain.FoundTight, ""), nil}, {"lengthwise", func(j *jobUnderTest) { j.home().JoistDirection = domain.Lengthwise }, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule:        "trunk_bracket_screws",
		broken:      []change{{"other leg loose", bracket(new(3), new(false)), nil}},
		notRecorded: []change{{"screws not counted", bracket(nil, new(true)), nil}, {"other leg not said", bracket(new(3), nil), nil}},
		notApplicable: []change{{"no bracket", func(*jobUnderTest) {}, nil}, {"crosswise", func(j *jobUnderTest) {
			bracket(new(1), new(false))(j)
			j.home().JoistDirection = domain.Crosswise
		}, nil}},
		atLimit: []change{{"3 screws", bracket(new(3), new(true)), nil},
			{"3 screws in 18 in", func(j *jobUnderTest) { bracket(new(3), new(true))(j); j.repair(3).BracketLengthIn = new(18.0) }, nil}},
		beyond: []change{{"2 screws", bracket(new(2), new(true)), nil},
			{"3 screws in 18.5 in", func(j *jobUnderTest) { bracket(new(3), new(true))(j); j.repair(3).BracketLengthIn = new(18.5) }, nil}},
	}, {
		rule: "takeoff_sealed",
		broken: []change{{"leaky takeoff", takeoff(domain.FoundLeaky), nil},
			{"collar not sealed", func(j *jobUnderTest) { j.crossing().Ends[1].CollarSealed = new(false) }, nil}},
		notRecorded: []change{{"takeoff not said", takeoff(""), nil}, {"tight takeoff without a photo", takeoff(domain.FoundTight), nil},
			{"collar not said", func(j *jobUnderTest) { j.crossing().Ends[1].CollarSealed = nil }, nil},
			{"one end only", func(j *jobUnderTest) {
				x := j.crossing()
				x.Ends = x.Ends[:1]
			}, []string{"crossover_ties_tensioned", "crossover_liner_depth", "crossover_collar_screws", "crossover_size_kept"}},
			{"tight collar without a photo", tightCollar, []string{"photos_complete"}}},
		notApplicable: []change{{"no crossover", func(j *jobUnderTest) { dropCrossover(j) }, []string{"section_reached"}}},
		holds: []change{{"tight collar with a photo", func(j *jobUnderTest) {
			end := &j.crossing().Ends[1]
			end.CollarSealed, end.CollarFound = nil, domain.FoundTight
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "furnace_joint_treated",
		broken: []change{{"leaky and not repaired", furnace(domain.FoundLeaky, ""), nil},
			{"out of reach, reason and photo: for a reviewer", furnace(domain.FoundNotAccessible, "behind a wall"), nil},
			{"no access at the home, reason and photo", func(j *jobUnderTest) {
				furnace(domain.FoundLeaky, "")(j)
				j.home().FurnaceAccess, j.home().FurnaceAccessReason = domain.NoAccess, "a slab"
			}, nil},
			{"the collar, and what heats the home is not known", func(j *jobUnderTest) {
				packaged(j)
				j.home().FurnaceKind = ""
				c, id := j.part(domain.SupplyCollar, "A", 0, "")
				bare(j, c, id, domain.FoundLeaky, "")
			}, []string{"furnace_kind_recorded", "combustion_appliances_recorded"}[:1]},
			{"the collar of a packaged unit", func(j *jobUnderTest) {
				packaged(j)
				c, id := j.part(domain.SupplyCollar, "A", 0, "")
				bare(j, c, id, domain.FoundLeaky, "")
			}, nil}},
		notRecorded: []change{{"no joint described", func(j *jobUnderTest) {
			_, id := j.part(domain.FurnaceJoint, "A", 0, "")
			dropSort(j, domain.FurnaceJoint)
			j.dropPhotos(id, "")
			_, crossover := nth[domain.Crossover](j, 0)
			for n := range 2 {
				j.opening(n).Target = &domain.Subject{Kind: domain.CrossoverKind, ID: crossover}
				j.opening(n).PositionFt = new(24.0)
			}
		}, nil}, {"tight without a photo", func(j *jobUnderTest) {
			furnace(domain.FoundTight, "")(j)
			_, id := j.part(domain.FurnaceJoint, "A", 0, "")
			j.dropPhotos(id, "")
		}, nil}, {"out of reach without a reason", furnace(domain.FoundNotAccessible, ""), nil},
			{"no access at the home, and no reason", func(j *jobUnderTest) {
				furnace(domain.FoundLeaky, "")(j)
				j.home().FurnaceAccess = domain.NoAccess
			}, nil},
			{"out of reach without a photo", func(j *jobUnderTest) {
				furnace(domain.FoundNotAccessible, "behind a wall")(j)
				_, id := j.part(domain.FurnaceJoint, "A", 0, "")
				j.dropPhotos(id, "")
			}, nil}, {"not said", furnace("", ""), nil},
			{"the second furnace's joint", func(j *jobUnderTest) { secondFurnace(j, "B") }, nil}},
		notApplicable: []change{{"refused", refused, nil}},
		holds:         []change{{"tight with a photo", furnace(domain.FoundTight, ""), nil}, {"packaged", packaged, nil}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}}
}

// takeoffs counts the branch takeoffs that a trunk feeds.
func (j *jobUnderTest) takeoffs(section domain.Section, n int) {
	c, _ := j.part(domain.Trunk, section, 0, "")
	c.TakeoffsCount = &n
}

// packaged turns the furnace into a packaged outdoor unit.
func packaged(j *jobUnderTest) {
	j.home().FurnaceKind = domain.PackagedOutdoor
	c, _ := j.part(domain.FurnaceJoint, "A", 0, "")
	c.Component = domain.SupplyCollar
	j.repair(0).Repair = domain.RepairSupplyCollar
}

func dropSurvey(j *jobUnderTest) {
	j.drop(func(i Item) bool { p, ok := i.Record.(*domain.Photo); return ok && p.Stage == domain.SurveyStage })
}

// dropCrossover removes the crossover with all that names it.
func dropCrossover(j *jobUnderTest) {
	_, id := nth[domain.Crossover](j, 0)
	j.dropPhotos(id, "")
	j.drop(func(i Item) bool {
		r, ok := i.Record.(*domain.Repair)
		o, cut := i.Record.(*domain.Opening)
		return i.ID == id || ok && r.CrossoverID != nil || cut && o.Origin == domain.FoundEnlarged
	})
}
