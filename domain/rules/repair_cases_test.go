package rules

import (
	"slices"

	"ductledger/domain"
)

func repairCases() []ruleCases {
	materials := func(n int, m ...domain.Material) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.repair(n).Materials = m }
	}
	return []ruleCases{{
		rule: "wide_gap_reinforced",
		broken: []change{{"1/2 in with mastic alone", materials(3, domain.Mastic), nil},
			{"the part was found with a wide gap", func(j *jobUnderTest) { b, _ := j.boot("A", 1); b.WidestGapIn = new(0.5) }, []string{"photos_complete"}}},
		notRecorded: []change{{"gap not recorded", func(j *jobUnderTest) { j.repair(2).WidestGapIn = nil }, nil},
			{"material not recorded", func(j *jobUnderTest) { j.repair(3).Materials = nil }, []string{"tape_alone_no_seal"}},
			{"how far from the furnace", func(j *jobUnderTest) {
				j.limit("wide_gap_reinforced", "within_ft", 10)
				j.repair(2).Materials = []domain.Material{domain.Mesh, domain.Mastic}
				b, id := j.boot("A", 3)
				b.PositionFt = nil
				second := *j.repair(2)
				second.ComponentIDs, second.Materials = []domain.UUID{id}, []domain.Material{domain.Mastic}
				j.add(&second)
			}, nil}},
		notApplicable: []change{{"no joint repaired", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && joint(r) })
			for _, i := range j.items {
				if c, ok := i.Record.(*domain.Component); ok && c.Component != domain.TrunkEnd {
					c.Found = domain.FoundTight
				}
			}
		}, nil}},
		atLimit: []change{{"1/4 in", func(j *jobUnderTest) { j.repair(2).WidestGapIn = new(0.25) }, nil},
			{"3/4 in is not over the second limit", func(j *jobUnderTest) {
				j.repair(3).WidestGapIn = new(0.75)
				j.limit("wide_gap_reinforced", "metal_over_in", 0.75)
			}, nil},
			{"boots A3 at 18 ft and A4 at 26 ft beyond 1.9 ft of the furnace at 20 ft", func(j *jobUnderTest) { j.limit("wide_gap_reinforced", "within_ft", 1.9) }, nil}},
		beyond: []change{{"3/8 in", func(j *jobUnderTest) { j.repair(2).WidestGapIn = new(0.375) }, []string{"photos_complete"}},
			{"1 in without metal", func(j *jobUnderTest) {
				j.repair(3).WidestGapIn = new(1.0)
				j.limit("wide_gap_reinforced", "metal_over_in", 0.75)
			}, nil}},
	}, {
		rule: "gap_checked_before_mastic",
		broken: []change{{"check photo is younger", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.CheckStage).TakenAt = at("13:50")
		}, nil}, {"two devices", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.CheckStage).DeviceID = &domain.UUID{7}
		}, nil}},
		notRecorded: []change{{"no check photo", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.dropPhotos(id, domain.CheckStage)
		}, nil}},
		notApplicable: []change{{"nothing reinforced", func(j *jobUnderTest) {
			j.repair(0).WidestGapIn, j.repair(3).WidestGapIn = new(0.25), new(0.25)
		}, nil}},
		atLimit: []change{{"a minute before", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.CheckStage).TakenAt = at("13:43")
		}, nil}},
		beyond: []change{{"at the very moment", func(j *jobUnderTest) {
			_, id := j.boot("A", 2)
			j.photoOf(id, domain.CheckStage).TakenAt = at("13:44")
		}, nil}},
	}, {
		rule: "tape_alone_no_seal",
		broken: []change{{"tape", materials(1, domain.Tape), nil}, {"mesh", materials(1, domain.Mesh), nil}, {"metal and tape", materials(1, domain.SheetMetal, domain.Tape), nil},
			{"caulk", materials(1, domain.Caulk), nil}, {"a closure of board without sealant", materials(6, domain.DuctBoard), nil},
			{"a cap from below without sealant", func(j *jobUnderTest) {
				r := j.repair(4)
				r.Materials, r.EndClosure = []domain.Material{domain.SheetMetal}, &domain.EndClosure{Form: domain.CapFromBelow, Sealed: new(true)}
			}, nil},
			{"bands on a boot", materials(2, domain.Bands), nil},
			{"fastened only, and one of its parts sealed by none", func(j *jobUnderTest) {
				second := *j.repair(3)
				_, a3 := j.boot("A", 3)
				second.Materials, second.ComponentIDs, second.WidestGapIn = []domain.Material{domain.Bracket}, []domain.UUID{a3}, new(0.125)
				second.BracketTrunkScrewsCount, second.BracketOtherLegFastened = new(3), new(true)
				j.add(&second)
				j.repair(2).ComponentIDs = slices.DeleteFunc(j.repair(2).ComponentIDs, func(id domain.UUID) bool { return id == a3 })
			}, nil}},
		notRecorded:   []change{{"nothing", materials(1), nil}},
		notApplicable: []change{{"nothing repaired", func(j *jobUnderTest) { j.dropAll(domain.RepairKind) }, []string{"boot_sealed", "loose_part_fastened", "furnace_joint_treated", "trunk_end_treated", "trunk_seam_in_reach", "trunk_sealed"}}},
		holds: []change{{"tape and mastic", materials(1, domain.Tape, domain.Mastic), nil}, {"bands at a crossover", materials(8, domain.FlexDuct, domain.Bands), nil},
			{"fastened by one repair, sealed by another", func(j *jobUnderTest) {
				second := *j.repair(3)
				second.Materials, second.WidestGapIn = []domain.Material{domain.Bracket}, new(0.125)
				j.add(&second)
				j.repair(3).Fasteners, j.repair(3).FastenersEach = nil, nil
			}, nil},
			{"what the program lists", func(j *jobUnderTest) {
				materials(1, domain.Caulk)(j)
				j.ruleSet = &domain.RuleSet{Sealants: []domain.Sealants{{Repair: domain.RepairTrunkSeam, Materials: []domain.Material{domain.Caulk, domain.Mastic}}}}
			}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "loose_part_fastened",
		broken: []change{{"sealant alone", func(j *jobUnderTest) { j.repair(3).Fasteners, j.repair(3).FastenersEach = []domain.Fasteners{}, nil }, nil},
			{"staples", func(j *jobUnderTest) {
				j.repair(3).Fasteners, j.repair(3).FastenersEach = []domain.Fasteners{{Kind: "staple", Count: 12}}, nil
			}, nil},
			{"collar", func(j *jobUnderTest) {
				end := &j.crossing().Ends[0]
				end.CollarFound, end.FastenersCount = domain.FoundDetached, new(0)
			}, []string{"crossover_collar_screws"}},
			{"two nails on three boots", func(j *jobUnderTest) { j.repair(3).FastenersEach, j.repair(3).Fasteners[0].Count = nil, 2 }, nil},
			{"riser", func(j *jobUnderTest) {
				id := j.add(&domain.Component{JobID: j.job, Component: domain.Riser, Section: "A", Number: new(1), Found: domain.FoundDetached})
				j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairRiser, ComponentIDs: []domain.UUID{id}, DoneAt: at("13:15"),
					Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.125), Fasteners: []domain.Fasteners{{Kind: "screw", Count: 0}}})
			}, nil}},
		holds: []change{{"sealed by one repair, fastened by another", func(j *jobUnderTest) {
			second := *j.repair(3)
			second.Materials = []domain.Material{domain.Bracket}
			second.WidestGapIn = new(0.125)
			j.repair(3).Fasteners, j.repair(3).FastenersEach = nil, nil
			j.add(&second)
		}, nil}},
		notRecorded: []change{{"not said", func(j *jobUnderTest) { j.repair(3).Fasteners, j.repair(3).FastenersEach = nil, nil }, nil},
			{"12 nails on three boots, how many on each not said", func(j *jobUnderTest) { j.repair(3).FastenersEach = nil }, nil}},
		notApplicable: []change{{"none detached", func(j *jobUnderTest) {
			for _, i := range j.items {
				if c, ok := i.Record.(*domain.Component); ok && c.Found == domain.FoundDetached {
					c.Found = domain.FoundLeaky
				}
			}
		}, nil}},
		atLimit: []change{{"a collar with three screws", func(j *jobUnderTest) {
			end := &j.crossing().Ends[0]
			end.CollarFound, end.FastenersCount = domain.FoundDetached, new(3)
		}, []string{"crossover_collar_screws"}}, {"one nail on each", func(j *jobUnderTest) { j.repair(3).FastenersEach = new(1) }, nil},
			{"four on a new boot", func(j *jobUnderTest) { j.repair(3).NewPart = new(true) }, nil},
			{"one bracket on one boot", func(j *jobUnderTest) { oneBoot(j, domain.Fasteners{Kind: "bracket", Count: 1}) }, nil}},
		beyond: []change{{"none", func(j *jobUnderTest) { j.repair(3).FastenersEach = new(0) }, nil},
			{"three on a new boot", func(j *jobUnderTest) { j.repair(3).NewPart, j.repair(3).FastenersEach = new(true), new(3) }, nil},
			{"a collar with two screws", func(j *jobUnderTest) {
				end := &j.crossing().Ends[0]
				end.CollarFound, end.FastenersCount = domain.FoundDetached, new(2)
			}, []string{"crossover_collar_screws"}},
			{"two on a round takeoff", func(j *jobUnderTest) { j.takeoffs("A", 1); takeoff(j, domain.FoundDetached, 2) }, nil}},
	}, {
		rule: "trunk_seam_in_reach",
		broken: []change{{"seam left", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && r.Repair == domain.RepairTrunkSeam })
		}, []string{"trunk_sealed"}},
			{"seam of the other trunk", func(j *jobUnderTest) { _, id := j.part(domain.Trunk, "B", 0, ""); j.repair(1).ComponentIDs[0] = id }, []string{"trunk_sealed"}}},
		notRecorded: []change{{"no section", func(j *jobUnderTest) { j.opening(1).Section = "" }, []string{"opening_has_target"}}},
		notApplicable: []change{{"no hand opening", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InDuct })
		}, nil}},
		holds: []change{{"trunk was tight", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && r.Repair == domain.RepairTrunkSeam })
			c, _ := j.part(domain.Trunk, "A", 0, "")
			c.Found = domain.FoundTight
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "furnace_joint_held",
		broken: []change{{"no tabs, no connector", func(j *jobUnderTest) { j.repair(0).TabsFolded, j.repair(0).ScrewConnector = new(false), new(false) }, nil},
			{"no tabs, connector not said", func(j *jobUnderTest) { j.repair(0).TabsFolded = new(false) }, nil}},
		notRecorded: []change{{"not said", func(j *jobUnderTest) { j.repair(0).TabsFolded = nil }, nil},
			{"duct board has no tabs", func(j *jobUnderTest) {
				trunk, _ := j.part(domain.Trunk, "A", 0, "")
				trunk.Material = domain.BoardTrunk
			}, nil}},
		notApplicable: []change{{"joint found tight", func(j *jobUnderTest) {
			c, id := j.part(domain.FurnaceJoint, "A", 0, "")
			c.Found = domain.FoundTight
			j.drop(func(i Item) bool {
				r, ok := i.Record.(*domain.Repair)
				return ok && slices.Contains(r.ComponentIDs, id)
			})
		}, nil}},
		atLimit: []change{{"fasteners 6 in apart", func(j *jobUnderTest) { j.repair(0).TabsFolded, j.repair(0).FastenersApartIn = new(false), new(6.0) }, nil}},
		beyond:  []change{{"fasteners 6.5 in apart", func(j *jobUnderTest) { j.repair(0).TabsFolded, j.repair(0).FastenersApartIn = new(false), new(6.5) }, nil}},
		holds:   []change{{"a connector", func(j *jobUnderTest) { j.repair(0).TabsFolded, j.repair(0).ScrewConnector = nil, new(true) }, nil}},
	}}
}

// oneBoot leaves one boot in the repair of detached ones, and the others found
// leaky and sealed by their neighbors' repair.
func oneBoot(j *jobUnderTest, with domain.Fasteners) {
	r := j.repair(3)
	for _, id := range r.ComponentIDs[1:] {
		for _, i := range j.items {
			if c, ok := i.Record.(*domain.Component); ok && i.ID == id {
				c.Found = domain.FoundLeaky
			}
		}
		j.repair(2).ComponentIDs = append(j.repair(2).ComponentIDs, id)
	}
	r.ComponentIDs, r.Fasteners, r.FastenersEach = r.ComponentIDs[:1], []domain.Fasteners{with}, nil
}

// takeoff adds a branch takeoff, sealed, with so many fasteners.
func takeoff(j *jobUnderTest, found domain.Found, fasteners int) {
	id := j.add(&domain.Component{JobID: j.job, Component: domain.BranchTakeoff, Section: "A", Number: new(1), Found: found, PositionFt: new(30.0)})
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairTakeoff, ComponentIDs: []domain.UUID{id}, DoneAt: at("13:20"),
		Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.125), Fasteners: []domain.Fasteners{{Kind: "screw", Count: fasteners}}})
}
