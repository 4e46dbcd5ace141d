package rules

import "ductledger/domain"

func recordCases() []ruleCases {
	// correct adds a reading after that replaces the second measurement.
	correct := func(j *jobUnderTest, clock string) domain.UUID {
		old, id := nth[domain.Measurement](j, 1)
		m := *old
		m.TakenAt, m.Replaces, m.Reason = at(clock), &id, "wrong ring"
		corrected := j.add(&m)
		j.photo(clock, domain.AfterStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: corrected, Shows: domain.ShowsGauge})
		return corrected
	}
	pending := func(j *jobUnderTest) { j.outside.Pending = []PendingDevice{{domain.UUID{7}, 0, 3}} }
	lock := func(j *jobUnderTest) domain.UUID { _, id := nth[domain.EnergyIsolation](j, 0); return id }
	twin := func(j *jobUnderTest) domain.UUID {
		b, _ := j.boot("A", 5)
		second := *b
		second.Found = domain.FoundTight
		return j.add(&second)
	}
	// sentBack has the job returned after all that it holds; what is in later
	// came after the return.
	sentBack := func(j *jobUnderTest, was domain.Record, id domain.UUID, later ...domain.UUID) {
		review := j.add(&domain.Review{JobID: j.job, Decision: domain.Return, ReasonCodes: []string{"a_test"}})
		j.since = map[domain.UUID]int64{review: 2, id: 3}
		for _, id := range later {
			j.since[id] = 4
		}
		if was != nil {
			j.outside.Past = []domain.Entry{{Kind: was.Kind(), ID: id, Version: 1, Position: 1, Record: was}}
		}
	}
	screws := func(j *jobUnderTest, then, now int, later ...domain.UUID) {
		x, id := nth[domain.Crossover](j, 0)
		was := *x
		was.Ends = append([]domain.CrossoverEnd{}, x.Ends...)
		was.Ends[0].FastenersCount, x.Ends[0].FastenersCount = &then, &now
		sentBack(j, &was, id, later...)
	}
	kit := func(confirmed bool) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.opening(1).Closure.KitConfirmed = &confirmed
			j.repair(4).EndClosure.KitConfirmed = &confirmed
			j.crossing().Ends[0].KitConfirmed = &confirmed
		}
	}
	nothingChanged := change{"nothing was changed", func(*jobUnderTest) {}, nil}
	return []ruleCases{{
		rule:          "kit_confirmed",
		notRecorded:   []change{{"nobody confirmed", kit(false), nil}},
		holds:         []change{{"confirmed", kit(true), nil}},
		notApplicable: []change{{"entered one by one", func(*jobUnderTest) {}, nil}},
		cannot:        map[string]string{"broken": "a kit is confirmed or not", "at_the_limit": noLimit},
	}, {
		rule: "facts_stand_after_return",
		broken: []change{{"3 screws became 4", func(j *jobUnderTest) { screws(j, 3, 4) }, nil},
			{"a boot was voided", func(j *jobUnderTest) {
				b, id := j.boot("A", 3)
				j.void[id] = true
				sentBack(j, b, id)
			}, []string{"parent_not_voided", "section_described"}},
			{"a visit that is older than the return", func(j *jobUnderTest) {
				second := *j.visit()
				second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-13", daysOn("08:10", -1), daysOn("15:40", -1)
				screws(j, 3, 4, j.add(&second))
			}, []string{"resident_consent"}}},
		notApplicable: []change{nothingChanged, {"a change before the return", func(j *jobUnderTest) {
			screws(j, 3, 4)
			_, id := nth[domain.Crossover](j, 0)
			j.since[id] = 1
		}, nil}},
		holds: []change{{"a fact was added", func(j *jobUnderTest) {
			x, id := nth[domain.Crossover](j, 0)
			was := *x
			was.LengthFt, x.LengthFt = nil, new(8.0)
			sentBack(j, &was, id)
		}, nil}, {"a new photo shows it", func(j *jobUnderTest) {
			_, id := nth[domain.Crossover](j, 0)
			j.photo("17:00", domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
			screws(j, 3, 4, j.items[len(j.items)-1].ID)
		}, nil}, {"the crew went there again", func(j *jobUnderTest) {
			second := *j.visit()
			second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-16", daysOn("08:10", 2), daysOn("15:40", 2)
			screws(j, 3, 4, j.add(&second))
		}, nil}},
		cannot: map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "photos_complete",
		broken: []change{{"end not shown", func(j *jobUnderTest) { _, id := j.part(domain.TrunkEnd, "B", 0, domain.Rear); j.dropPhotos(id, "") }, nil},
			{"joint not shown before", func(j *jobUnderTest) {
				_, id := j.part(domain.FurnaceJoint, "A", 0, "")
				j.dropPhotos(id, domain.BeforeStage)
			}, nil},
			{"joint not shown after", func(j *jobUnderTest) {
				_, id := j.part(domain.FurnaceJoint, "A", 0, "")
				j.dropPhotos(id, domain.AfterStage)
			}, nil},
			{"opening not shown open", func(j *jobUnderTest) { _, id := nth[domain.Opening](j, 0); j.dropPhotos(id, domain.BeforeStage) }, nil},
			{"opening not shown closed", func(j *jobUnderTest) { _, id := nth[domain.Opening](j, 0); j.dropPhotos(id, domain.AfterStage) }, nil},
			{"crossover not shown bare", func(j *jobUnderTest) { _, id := nth[domain.Crossover](j, 0); j.dropPhotos(id, domain.BeforeStage) }, nil},
			{"crossover not shown sealed", func(j *jobUnderTest) { _, id := nth[domain.Crossover](j, 0); j.dropPhotos(id, domain.CheckStage) }, nil},
			{"crossover not shown finished", func(j *jobUnderTest) { _, id := nth[domain.Crossover](j, 0); j.dropPhotos(id, domain.AfterStage) }, nil},
			{"crossover refitted, no time and no photo", func(j *jobUnderTest) {
				x, id := nth[domain.Crossover](j, 0)
				x.Action, x.TakenDownAt = domain.Refitted, nil
				j.dropPhotos(id, "")
			}, []string{"crossover_taken_down"}},
			{"crossover replaced, no time and no photo", func(j *jobUnderTest) {
				x, id := nth[domain.Crossover](j, 0)
				x.TakenDownAt = nil
				j.dropPhotos(id, "")
			}, []string{"crossover_taken_down"}},
			{"crossover taken down, no action and no photo", func(j *jobUnderTest) {
				x, id := nth[domain.Crossover](j, 0)
				x.Action = ""
				j.dropPhotos(id, "")
			}, nil},
			{"lock: for a reviewer", func(j *jobUnderTest) { j.dropPhotos(lock(j), "") }, nil},
			{"gauge: for a reviewer", func(j *jobUnderTest) { _, id := nth[domain.Measurement](j, 1); j.dropPhotos(id, "") }, nil},
			{"detached boot: for a reviewer", func(j *jobUnderTest) { _, id := j.boot("A", 5); j.dropPhotos(id, domain.AfterStage) }, nil},
			{"survey: for a reviewer", dropSurvey, []string{"survey_before_cutting"}},
			{"survey, and nothing was found open", func(j *jobUnderTest) {
				dropSurvey(j)
				j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.Origin == domain.FoundOpen })
			}, []string{"survey_before_cutting"}}},
		notRecorded: []change{{"photo does not say what it shows", func(j *jobUnderTest) {
			_, id := nth[domain.Opening](j, 0)
			j.photoOf(id, domain.AfterStage).Subjects[0].Shows = ""
		}, nil}},
		holds: []change{{"no survey where nothing was done", func(j *jobUnderTest) {
			dropSurvey(j)
			refused(j)
		}, nil}, {"a corrected reading, shown by the photo of the one that it replaces", func(j *jobUnderTest) {
			old, id := nth[domain.Measurement](j, 1)
			m := *old
			m.Replaces, m.Reason = &id, "wrong ring"
			first := j.add(&m)
			again := m
			again.Replaces = &first
			j.add(&again)
		}, nil}, {"a gap of exactly 1/4 in needs none", func(j *jobUnderTest) { b, _ := j.boot("A", 1); b.WidestGapIn = new(0.25) }, nil},
			{"a crossover that nobody touched needs none", func(j *jobUnderTest) {
				x, id := nth[domain.Crossover](j, 0)
				x.Action, x.TakenDownAt = domain.LeftAlone, nil
				j.dropPhotos(id, "")
			}, []string{"crossover_taken_down"}}},
		notApplicable: []change{{"nothing done", func(j *jobUnderTest) {
			j.dropAll(domain.PhotoKind, domain.OpeningKind, domain.RepairKind, domain.CrossoverKind, domain.MeasurementKind, domain.EnergyIsolationKind)
			refused(j)
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "photo_of_one_home",
		broken: []change{{"sent for another home too", func(j *jobUnderTest) {
			j.outside.SamePhotos = []SamePhoto{{one[domain.Photo](j, 3).SHA256, []domain.UUID{{3}}}}
		}, nil}},
		holds: []change{{"another home has another picture", func(j *jobUnderTest) {
			j.outside.SamePhotos = []SamePhoto{{"0011", []domain.UUID{{3}}}}
		}, nil}},
		notApplicable: []change{{"no photo", func(j *jobUnderTest) {
			j.dropAll(domain.PhotoKind, domain.OpeningKind, domain.RepairKind, domain.CrossoverKind, domain.MeasurementKind, domain.EnergyIsolationKind)
			refused(j)
		}, nil}},
		cannot: map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "replaced_twice",
		broken: []change{{"two corrections of one reading", func(j *jobUnderTest) { correct(j, "15:10"); correct(j, "15:12") }, []string{"readings_in_order"}},
			{"two corrections of one photo", func(j *jobUnderTest) {
				_, joint := j.part(domain.FurnaceJoint, "A", 0, "")
				old := j.photoOf(joint, domain.AfterStage)
				var id domain.UUID
				for _, i := range j.items {
					if i.Record == domain.Record(old) {
						id = i.ID
					}
				}
				for range 2 {
					p := *old
					p.Replaces, p.Reason = &id, "blurred"
					j.add(&p)
				}
			}, []string{"photos_complete"}}},
		notApplicable: []change{{"nothing corrected", func(*jobUnderTest) {}, nil}},
		holds: []change{{"one correction", func(j *jobUnderTest) { correct(j, "15:10") }, nil},
			{"two, one voided", func(j *jobUnderTest) {
				correct(j, "15:10")
				second := correct(j, "15:12")
				j.dropPhotos(second, "")
				j.void[second] = true
			}, nil},
			{"a correction of a correction", func(j *jobUnderTest) {
				first := correct(j, "15:10")
				m := *j.test(1)
				m.TakenAt, m.Replaces, m.Reason = at("15:12"), &first, "typing"
				id := j.add(&m)
				j.photo("15:12", domain.AfterStage, domain.PhotoSubject{Kind: domain.MeasurementKind, ID: id, Shows: domain.ShowsGauge})
			}, nil}},
		cannot: map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule:          "device_not_heard",
		broken:        []change{{"3 photos on a phone", pending, nil}},
		notApplicable: []change{{"none", func(*jobUnderTest) {}, nil}, {"still in work", func(j *jobUnderTest) { pending(j); j.jobRecord().State = domain.InWork }, nil}},
		cannot:        map[string]string{"holds": "a device that holds nothing is not told of", "not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "described_twice",
		broken: []change{{"boot A5", func(j *jobUnderTest) { twin(j) }, nil},
			{"a boot by its place", func(j *jobUnderTest) {
				for range 2 {
					j.add(&domain.Component{JobID: j.job, Component: domain.Boot, Section: "A", Found: domain.FoundTight, PositionFt: new(22.0)})
				}
			}, []string{"section_described"}},
			{"furnace joint", func(j *jobUnderTest) {
				id := j.add(&domain.Component{JobID: j.job, Component: domain.FurnaceJoint, Section: "A", Found: domain.FoundTight})
				j.photo("08:50", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
			}, nil},
			{"found opening", func(j *jobUnderTest) { o := *j.opening(2); j.add(&o) }, nil},
			{"crossover, from the other side", func(j *jobUnderTest) {
				x := *j.crossing()
				x.FromSection, x.ToSection, x.Action = "B", "A", ""
				id := j.add(&x)
				for _, s := range []domain.Section{"A", "B"} {
					j.photo("11:30", domain.BeforeStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsBare, Section: s})
					j.photo("11:50", domain.CheckStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsSealed, Section: s})
				}
				j.photo("12:09", domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
			}, nil}},
		holds: []change{{"one voided", func(j *jobUnderTest) { j.void[twin(j)] = true }, nil},
			{"a second crossover at another place", func(j *jobUnderTest) {
				x := *j.crossing()
				x.Ends = []domain.CrossoverEnd{x.Ends[0], x.Ends[1]}
				x.Ends[0].PositionFt, x.Ends[1].PositionFt = new(40.0), new(40.0)
				id := j.add(&x)
				for _, s := range []domain.Section{"A", "B"} {
					j.photo("11:30", domain.BeforeStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsBare, Section: s})
					j.photo("11:50", domain.CheckStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsSealed, Section: s})
				}
				j.photo("12:09", domain.AfterStage, domain.PhotoSubject{Kind: domain.CrossoverKind, ID: id, Shows: domain.ShowsFinished})
			}, nil},
			{"two boots without number or place", func(j *jobUnderTest) {
				for range 2 {
					j.add(&domain.Component{JobID: j.job, Component: domain.Boot, Section: "A", Found: domain.FoundTight})
				}
			}, []string{"section_described", "end_closure_clear_of_outlets"}}},
		notApplicable: []change{{"nothing described", func(j *jobUnderTest) {
			j.dropAll(domain.PhotoKind, domain.OpeningKind, domain.RepairKind, domain.CrossoverKind, domain.MeasurementKind, domain.EnergyIsolationKind, domain.ComponentKind)
			refused(j)
		}, nil}},
		cannot: map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "parent_not_voided",
		broken: []change{{"a boot, still named by its repair and photos", func(j *jobUnderTest) {
			_, id := j.boot("A", 3)
			j.void[id] = true
		}, []string{"section_described"}}, {"the part of an opening", func(j *jobUnderTest) {
			_, id := nth[domain.Crossover](j, 0)
			j.void[id] = true
		}, []string{"section_reached"}}},
		holds: []change{{"nothing names it", func(j *jobUnderTest) { j.void[twin(j)] = true }, nil},
			{"replacing a voided reading", func(j *jobUnderTest) {
				correct(j, "15:10")
				_, id := nth[domain.Measurement](j, 1)
				j.dropPhotos(id, "")
				j.void[id] = true
			}, nil}},
		notApplicable: []change{{"nothing voided", func(*jobUnderTest) {}, nil}},
		cannot:        map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "device_clock",
		broken: []change{{"an hour fast", func(j *jobUnderTest) { j.offset = new(3600.0) }, nil},
			{"an hour slow", func(j *jobUnderTest) { j.offset = new(-3600.0) }, nil},
			{"records from the future", func(j *jobUnderTest) { j.received = at("15:00") }, nil}},
		notApplicable: []change{{"not told", func(*jobUnderTest) {}, nil}},
		atLimit: []change{{"300 s", func(j *jobUnderTest) { j.offset = new(300.0) }, nil}, {"-300 s", func(j *jobUnderTest) { j.offset = new(-300.0) }, nil},
			{"300 s ahead", func(j *jobUnderTest) { j.received = at("15:01") }, nil}},
		beyond: []change{{"301 s", func(j *jobUnderTest) { j.offset = new(301.0) }, nil}, {"a minute more", func(j *jobUnderTest) { j.received = at("15:00") }, nil}},
		cannot: map[string]string{"not_recorded": "a clock that was not told does not apply"},
	}}
}
