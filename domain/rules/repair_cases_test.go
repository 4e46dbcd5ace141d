package rules

import "ductledger/domain"

func repairCases() []ruleCases {
	materials := func(n int, m ...domain.Material) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.repair(n).Materials = m }
	}
	return []ruleCases{{
		rule: "wide_gap_reinforced",
		broken: []change{{"1/2 in with mastic alone", materials(3, domain.Mastic), nil},
			{"the part was found with a wide gap", func(j *jobUnderTest) { b, _ := j.boot("A", 1); b.WidestGapIn = new(0.5) }, []string{"photos_complete"}}},
		notRecorded: []change{{"gap not recorded", func(j *jobUnderTest) { j.repair(2).WidestGapIn = nil }, nil},
			{"material not recorded", func(j *jobUnderTest) { j.repair(3).Materials = nil }, []string{"tape_alone_no_seal"}}},
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
			}, nil}},
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
		rule:          "tape_alone_no_seal",
		broken:        []change{{"tape", materials(1, domain.Tape), nil}},
		notRecorded:   []change{{"nothing", materials(1), nil}},
		notApplicable: []change{{"nothing repaired", func(j *jobUnderTest) { j.dropAll(domain.RepairKind) }, []string{"boot_sealed", "loose_part_fastened", "furnace_joint_treated", "trunk_end_treated", "trunk_seam_in_reach"}}},
		holds:         []change{{"tape and mastic", materials(1, domain.Tape, domain.Mastic), nil}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "loose_part_fastened",
		broken: []change{{"sealant alone", func(j *jobUnderTest) { j.repair(3).Fasteners = []domain.Fasteners{} }, nil},
			{"staples", func(j *jobUnderTest) { j.repair(3).Fasteners = []domain.Fasteners{{Kind: "staple", Count: 12}} }, nil},
			{"collar", func(j *jobUnderTest) {
				end := &j.crossing().Ends[0]
				end.CollarFound, end.FastenersCount = domain.FoundDetached, new(0)
			}, []string{"crossover_collar_screws"}},
			{"riser", func(j *jobUnderTest) {
				id := j.add(&domain.Component{JobID: j.job, Component: domain.Riser, Section: "A", Number: new(1), Found: domain.FoundDetached})
				j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairRiser, ComponentIDs: []domain.UUID{id}, DoneAt: at("13:15"),
					Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.125), Fasteners: []domain.Fasteners{{Kind: "screw", Count: 0}}})
			}, nil}},
		holds: []change{{"sealed by one repair, fastened by another", func(j *jobUnderTest) {
			second := *j.repair(3)
			j.repair(3).Fasteners = nil
			j.add(&second)
		}, nil}},
		notRecorded: []change{{"not said", func(j *jobUnderTest) { j.repair(3).Fasteners = nil }, nil}},
		notApplicable: []change{{"none detached", func(j *jobUnderTest) {
			for _, i := range j.items {
				if c, ok := i.Record.(*domain.Component); ok && c.Found == domain.FoundDetached {
					c.Found = domain.FoundLeaky
				}
			}
		}, nil}},
		atLimit: []change{{"a collar with one screw", func(j *jobUnderTest) {
			end := &j.crossing().Ends[0]
			end.CollarFound, end.FastenersCount = domain.FoundDetached, new(1)
		}, []string{"crossover_collar_screws"}}, {"one nail", func(j *jobUnderTest) { j.repair(3).Fasteners[0].Count = 1 }, nil},
			{"one bracket", func(j *jobUnderTest) { j.repair(3).Fasteners = []domain.Fasteners{{Kind: "bracket", Count: 1}} }, nil}},
		beyond: []change{{"none", func(j *jobUnderTest) { j.repair(3).Fasteners[0].Count = 0 }, nil}},
	}, {
		rule: "trunk_seam_in_reach",
		broken: []change{{"seam left", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && r.Repair == domain.RepairTrunkSeam })
		}, nil},
			{"seam of the other trunk", func(j *jobUnderTest) { _, id := j.part(domain.Trunk, "B", 0, ""); j.repair(1).ComponentIDs[0] = id }, nil}},
		notRecorded: []change{{"no section", func(j *jobUnderTest) { j.opening(1).Section = "" }, nil}},
		notApplicable: []change{{"no hand opening", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InDuct })
		}, nil}},
		holds: []change{{"trunk was tight", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { r, ok := i.Record.(*domain.Repair); return ok && r.Repair == domain.RepairTrunkSeam })
			c, _ := j.part(domain.Trunk, "A", 0, "")
			c.Found = domain.FoundTight
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}}
}
