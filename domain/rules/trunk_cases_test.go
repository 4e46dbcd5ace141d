package rules

import "ductledger/domain"

// foundHole is one in trunk B that nobody of the crew made.
func foundHole(j *jobUnderTest) (*domain.Opening, domain.UUID) {
	o := &domain.Opening{JobID: j.job, In: domain.InDuct, Origin: domain.FoundOpen, Section: "B", PositionFt: new(31.0)}
	return o, j.add(o)
}

// stated puts boots 1, 4, 5, 6 and 7 of section B into one statement.
func stated(j *jobUnderTest, numbers ...int) *domain.Component {
	many := &domain.Component{JobID: j.job, Component: domain.Boot, Section: "B", Numbers: numbers, Count: new(7), Found: domain.FoundLeaky}
	id := j.add(many)
	for _, n := range []int{1, 4, 5, 6, 7} {
		_, boot := j.boot("B", n)
		bare(j, &domain.Component{}, boot, "", "")
		j.drop(func(i Item) bool { return i.ID == boot })
	}
	for _, i := range j.items {
		if p, ok := i.Record.(*domain.Photo); ok && p.Stage == domain.SurveyStage {
			if _, known := j.known(p.Subjects[0].ID); !known {
				p.Subjects[0].ID, p.Subjects[0].Number = id, new(6)
			}
		}
	}
	r := j.repair(2)
	r.ComponentIDs = append(r.ComponentIDs, id)
	trunk, _ := j.part(domain.Trunk, "B", 0, "")
	trunk.FirstOutletFt, trunk.LastOutletFt = new(4.0), new(51.0)
	return many
}

func (j *jobUnderTest) known(id domain.UUID) (domain.Record, bool) {
	for _, i := range j.items {
		if i.ID == id {
			return i.Record, true
		}
	}
	return nil, false
}

func trunkCases() []ruleCases {
	trunk := func(do func(c *domain.Component, j *jobUnderTest)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "B", 0, ""); do(c, j) }
	}
	found := func(state domain.Found, reason string) func(*jobUnderTest) {
		return trunk(func(c *domain.Component, _ *jobUnderTest) { c.Found, c.FoundReason = state, reason })
	}
	air := func(do func(v *domain.Visit)) func(*jobUnderTest) { return func(j *jobUnderTest) { do(j.visit()) } }
	outcome := func(o domain.Outcome, reason string, do func(*domain.Job)) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			job := j.jobRecord()
			job.Outcome, job.OutcomeReason = o, reason
			if do != nil {
				do(job)
			}
		}
	}
	return []ruleCases{{
		rule: "section_described",
		broken: []change{{"a boot beyond the count", trunk(func(c *domain.Component, _ *jobUnderTest) { c.BootsCount = new(6) }), nil},
			{"a takeoff that the trunk does not feed", func(j *jobUnderTest) {
				id := j.add(&domain.Component{JobID: j.job, Component: domain.BranchTakeoff, Section: "B", Number: new(1), Found: domain.FoundTight, PositionFt: new(30.0)})
				j.photo("09:00", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
			}, nil},
			{"a section said to hold no ducts", func(j *jobUnderTest) { j.home().DuctedSections = []domain.Section{"A"} }, nil},
			{"a statement that counts otherwise", func(j *jobUnderTest) { stated(j, 1, 4, 5, 6, 7).Count = new(8) }, nil},
			{"a number of a statement beyond the count", func(j *jobUnderTest) { stated(j, 1, 4, 5, 6, 7, 8) }, nil}},
		notRecorded: []change{{"a boot in neither statement nor record", func(j *jobUnderTest) { stated(j, 1, 4, 5, 6) }, nil},
			{"boots not counted", trunk(func(c *domain.Component, _ *jobUnderTest) { c.BootsCount = nil }), nil},
			{"takeoffs not counted", trunk(func(c *domain.Component, _ *jobUnderTest) { c.TakeoffsCount = nil }), nil},
			{"a boot more than is described", trunk(func(c *domain.Component, _ *jobUnderTest) { c.BootsCount = new(8) }), nil},
			{"a boot without a number", func(j *jobUnderTest) { c, _ := j.boot("B", 4); c.Number = nil }, nil}},
		notApplicable: []change{{"refused", refused, nil}},
		holds:         []change{{"a statement about five", func(j *jobUnderTest) { stated(j, 1, 4, 5, 6, 7) }, nil}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "hole_in_duct_sealed",
		broken: []change{{"left open", func(j *jobUnderTest) { foundHole(j) }, nil},
			{"out of reach, reason and photo: for a reviewer", func(j *jobUnderTest) {
				o, id := foundHole(j)
				o.NotReachedReason = "behind a drain"
				j.photo("09:10", domain.SurveyStage, domain.PhotoSubject{Kind: domain.OpeningKind, ID: id})
			}, nil}},
		notRecorded: []change{{"closed, not said when", func(j *jobUnderTest) {
			o, _ := foundHole(j)
			o.Closure = &domain.Closure{PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true)}
		}, nil}, {"out of reach, without a photo", func(j *jobUnderTest) { o, _ := foundHole(j); o.NotReachedReason = "behind a drain" }, nil}},
		notApplicable: []change{{"none found", func(*jobUnderTest) {}, nil}},
		holds: []change{{"patched", func(j *jobUnderTest) {
			o, _ := foundHole(j)
			o.ClosedAt, o.Closure = when("11:30"), &domain.Closure{PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true)}
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "trunk_sealed",
		broken: []change{{"leaky", found(domain.FoundLeaky, ""), nil}, {"missing", found(domain.FoundMissing, ""), nil},
			{"detached, and nothing holds it", found(domain.FoundDetached, ""), []string{"loose_part_fastened"}},
			{"out of reach with a reason: for a reviewer", found(domain.FoundNotAccessible, "above a beam"), nil}},
		notRecorded: []change{{"not said", found("", ""), nil}, {"out of reach without a reason", found(domain.FoundNotAccessible, ""), nil},
			{"holed, without its holes", found(domain.FoundHoled, ""), nil}},
		notApplicable: []change{{"refused", refused, nil}},
		holds: []change{{"holed, and the hole is judged by itself", func(j *jobUnderTest) {
			found(domain.FoundHoled, "")(j)
			o, _ := foundHole(j)
			o.ClosedAt, o.Closure = when("11:30"), &domain.Closure{PatchLapIn: new(1.0), MasticUnder: new(true), MasticOver: new(true)}
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "air_at_every_outlet",
		broken: []change{{"none at one boot", func(j *jobUnderTest) { _, id := j.boot("B", 7); j.visit().Air.WithoutIDs = []domain.UUID{id} }, nil},
			{"not at every outlet", air(func(v *domain.Visit) { v.Air.EveryOutlet = new(false) }), nil},
			{"handed over without running, with a reason: for a reviewer", func(j *jobUnderTest) {
				j.visit().Air = nil
				j.isolation().FurnaceRan, j.isolation().HandoverReason = new(false), "the control is broken; the office was told"
			}, nil}},
		notRecorded:   []change{{"not felt", air(func(v *domain.Visit) { v.Air = nil }), nil}, {"not said when", air(func(v *domain.Visit) { v.Air.FeltAt = nil }), nil}},
		notApplicable: []change{{"refused", refused, nil}},
		atLimit:       []change{{"a minute after the last closure", air(func(v *domain.Visit) { v.Air.FeltAt = when("14:31") }), nil}},
		beyond:        []change{{"at the last closure", air(func(v *domain.Visit) { v.Air.FeltAt = when("14:30") }), nil}},
	}, {
		rule: "outcome_shown",
		notRecorded: []change{{"sent in without an outcome", outcome("", "", nil), nil},
			{"no visit", noVisit, []string{"air_at_every_outlet"}},
			{"refused, not said why", noWork(outcome(domain.Refused, "", nil)), nil},
			{"partial, not said why", outcome(domain.Partial, "", nil), nil},
			{"deferred without a code", noWork(outcome(domain.DeferredWork, "", func(job *domain.Job) { job.DeferLiftedBy = "when it is dry" })), nil},
			{"deferred for another cause, not said which", noWork(deferred(domain.DeferOther)), nil},
			{"deferred, not said until when", noWork(outcome(domain.DeferredWork, "", func(job *domain.Job) { job.DeferCodes = []domain.DeferCode{domain.DeferMoisture} })), nil},
			{"nothing to do, without a photo", noWork(func(j *jobUnderTest) {
				outcome(domain.NothingToDo, "all joints are sealed", nil)(j)
				j.dropAll(domain.PhotoKind)
			}), []string{"photos_complete"}}},
		notApplicable: []change{{"not sent in", func(j *jobUnderTest) { j.jobRecord().State, j.jobRecord().Outcome = domain.InWork, "" }, nil}},
		broken: []change{{"deferred, and worked on", deferred(domain.DeferMoisture), nil},
			{"nothing to do, and worked on", outcome(domain.NothingToDo, "all joints are sealed", nil), nil},
			{"completed, and all was found tight: a question", func(j *jobUnderTest) {
				oneSectionLeft(j)
				handsOff(j)
				for _, i := range j.items {
					if c, ok := i.Record.(*domain.Component); ok {
						c.Found = domain.FoundTight
						j.photo("09:00", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: i.ID})
					}
				}
			}, nil}},
		holds:  []change{{"deferred with code and what lifts it", noWork(deferred(domain.DeferMoisture)), nil}, {"refused with a reason", refused, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}}
}

// noWork does something to a job on which nobody worked.
func noWork(do func(*jobUnderTest)) func(*jobUnderTest) {
	return func(j *jobUnderTest) { handsOff(j); do(j) }
}

func deferred(code domain.DeferCode) func(*jobUnderTest) {
	return func(j *jobUnderTest) {
		r := j.jobRecord()
		r.Outcome, r.DeferCodes, r.DeferLiftedBy = domain.DeferredWork, []domain.DeferCode{code}, "when the leak is mended"
	}
}
