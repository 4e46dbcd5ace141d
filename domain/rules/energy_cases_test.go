package rules

import "ductledger/domain"

func energyCases() []ruleCases {
	iso := func(do func(i *domain.EnergyIsolation)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.isolation()) }
	}
	noIsolation := func(j *jobUnderTest) {
		_, id := nth[domain.EnergyIsolation](j, 0)
		j.dropPhotos(id, "")
		j.dropAll(domain.EnergyIsolationKind)
	}
	license := func(until domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			r := j.repair(0)
			r.InCabinet, r.MemberID = new(true), j.visit().LeadID
			j.add(&domain.Credential{CrewMemberID: j.visit().LeadID, Credential: domain.CabinetLicense, ValidFromOn: "2025-01-01", ValidUntilOn: until})
		}
	}
	closedDuct := func(j *jobUnderTest) {
		j.drop(func(i Item) bool { o, ok := i.Record.(*domain.Opening); return ok && o.In == domain.InDuct })
	}
	twice := func(released, verified string, clear *bool) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			second := *j.isolation()
			j.isolation().ReleasedAt, j.isolation().ClearAtRelease = when(released), clear
			second.IsolatedAt, second.VerifiedAt = when(verified), when(verified)
			isolate(j, &second)
		}
	}
	// sent has the isolation stand otherwise than it was first sent.
	sent := func(do func(was *domain.EnergyIsolation)) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			now, id := nth[domain.EnergyIsolation](j, 0)
			was := *now
			do(&was)
			j.outside.Past = []domain.Entry{{Kind: was.Kind(), ID: id, Version: 1, Position: 1, Record: &was}}
		}
	}
	return []ruleCases{{
		rule:          "meter_proven",
		broken:        []change{{"not tried", iso(func(i *domain.EnergyIsolation) { i.MeterProven = new(false) }), nil}},
		notRecorded:   []change{{"not said", iso(func(i *domain.EnergyIsolation) { i.MeterProven = nil }), nil}},
		notApplicable: []change{{"no isolation", noIsolation, []string{"energy_isolated"}}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "times_stand",
		broken: []change{{"isolated earlier than first sent", sent(func(was *domain.EnergyIsolation) { was.IsolatedAt, was.VerifiedAt = when("10:04"), when("10:06") }), nil},
			{"a duct opened later than first sent", func(j *jobUnderTest) {
				now, id := nth[domain.Opening](j, 1)
				was := *now
				was.MadeAt = when("09:35")
				j.outside.Past = []domain.Entry{{Kind: was.Kind(), ID: id, Version: 1, Position: 1, Record: &was}}
			}, nil},
			{"a time taken away", func(j *jobUnderTest) {
				sent(func(*domain.EnergyIsolation) {})(j)
				j.isolation().ReleasedAt, j.isolation().HandoverReason = nil, "awaits a part"
			}, nil}},
		notApplicable: []change{{"nothing was changed", func(*jobUnderTest) {}, nil}},
		holds: []change{{"a time was added", sent(func(was *domain.EnergyIsolation) { was.ReleasedAt = nil }), nil},
			{"another fact changed", sent(func(was *domain.EnergyIsolation) { was.PointsCount = new(3) }), nil}},
		cannot: map[string]string{"not_recorded": noFact, "at_the_limit": noLimit},
	}, {
		rule: "furnace_access_licensed",
		broken: []change{{"no license", func(j *jobUnderTest) { r := j.repair(0); r.InCabinet, r.MemberID = new(true), j.visit().LeadID }, nil},
			{"from above is inside", func(j *jobUnderTest) { r := j.repair(0); r.Access, r.MemberID = domain.FromAbove, j.visit().LeadID }, nil},
			{"somebody else's license", func(j *jobUnderTest) { license("2027-01-01")(j); j.repair(0).MemberID = &j.visit().CrewIDs[1] }, nil},
			{"gas license at an electric furnace", func(j *jobUnderTest) {
				license("2026-01-01")(j)
				j.add(&domain.Credential{CrewMemberID: j.visit().LeadID, Credential: domain.GasLicense, ValidFromOn: "2025-01-01"})
			}, nil}},
		notRecorded: []change{{"who", func(j *jobUnderTest) { j.repair(0).InCabinet = new(true) }, nil},
			{"from where", func(j *jobUnderTest) { j.repair(0).Access = "" }, nil}},
		notApplicable: []change{{"from below", func(*jobUnderTest) {}, nil}},
		atLimit:       []change{{"last day", license("2026-10-14"), nil}},
		beyond:        []change{{"lapsed yesterday", license("2026-10-13"), nil}},
		holds: []change{{"gas license at a gas furnace", func(j *jobUnderTest) {
			j.gas()
			j.repair(0).InCabinet, j.repair(0).MemberID = new(true), j.visit().LeadID
			j.add(&domain.Credential{CrewMemberID: j.visit().LeadID, Credential: domain.GasLicense, ValidFromOn: "2025-01-01"})
		}, nil}},
	}, {
		rule: "energy_isolated",
		broken: []change{{"trunk opened first", iso(func(i *domain.EnergyIsolation) { i.IsolatedAt, i.VerifiedAt = when("10:04"), when("10:06") }), nil},
			{"verified too late", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("10:06") }), nil},
			{"released too early", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("11:00") }), nil},
			{"not all points", iso(func(i *domain.EnergyIsolation) { i.AllPoints = new(false) }), nil},
			{"no point", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.PointsFoundCount = new(0), nil }), nil},
			{"two found, one cut", iso(func(i *domain.EnergyIsolation) { i.PointsCount = new(1) }), nil},
			{"back in between, people not clear", twice("10:20", "10:30", new(false)), nil},
			{"cut again too late for the closing", twice("10:20", "11:30", new(true)), nil},
			{"a seam sealed after energy came back", func(j *jobUnderTest) { j.repair(1).DoneAt = at("14:55") }, []string{"air_at_every_outlet"}},
			{"a furnace of section B that feeds A too was not cut", func(j *jobUnderTest) {
				tightJoint(j, "B")
				second := secondFurnace(j, "B")
				second.IsolatedAt, second.VerifiedAt = when("10:30"), when("10:32")
			}, nil},
			{"crossover of a gas furnace: a question", func(j *jobUnderTest) { j.gas(); closedDuct(j); noIsolation(j) }, nil},
			{"cabinet opened first", func(j *jobUnderTest) { j.repair(0).OpenedAt = when("09:30") }, nil}},
		notRecorded: []change{{"none at all", noIsolation, nil},
			{"when cut", iso(func(i *domain.EnergyIsolation) { i.IsolatedAt = nil }), nil},
			{"when verified", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = nil }), nil},
			{"who verified", iso(func(i *domain.EnergyIsolation) { i.VerifiedByID = nil }), nil},
			{"rule worked under", iso(func(i *domain.EnergyIsolation) { i.RuleWorkedUnder = "" }), nil},
			{"points", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.AllPoints = nil, nil }), nil},
			{"points found", iso(func(i *domain.EnergyIsolation) { i.PointsFoundCount = nil }), nil},
			{"all, as they say, and none counted", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.PointsFoundCount = nil, nil }), nil},
			{"whether people were clear", twice("10:20", "10:30", nil), nil},
			{"which of two furnaces", func(j *jobUnderTest) { tightJoint(j, "B"); secondFurnace(j, "B").FurnaceSection = "" }, nil},
			{"the other of two furnaces", func(j *jobUnderTest) { tightJoint(j, "B"); secondFurnace(j, "B").FurnaceSection = "A" }, nil},
			{"a joint sealed from below, no opening and no isolation", func(j *jobUnderTest) { closedDuct(j); dropCrossover(j); noIsolation(j) }, []string{"section_reached"}},
			{"when opened", func(j *jobUnderTest) { j.opening(1).MadeAt = nil }, []string{"survey_before_cutting"}},
			{"what heats the home", func(j *jobUnderTest) { j.home().FurnaceKind = "" }, []string{"furnace_kind_recorded"}}},
		notApplicable: []change{{"nothing opened", nothing, nil}},
		atLimit: []change{{"one point", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.PointsFoundCount = new(1), new(1) }), nil},
			{"verified five minutes before", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("09:53") }), nil}},
		holds: []change{{"back in between, people clear", twice("10:20", "10:30", new(true)), nil},
			{"two furnaces, both cut", func(j *jobUnderTest) {
				tightJoint(j, "B")
				secondFurnace(j, "B")
			}, nil}, {"counted, not said whether all", iso(func(i *domain.EnergyIsolation) { i.AllPoints = nil }), nil}},
		beyond: []change{{"verified in that minute", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("09:58") }), nil},
			{"verified four minutes before", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("09:54") }), nil}},
	}, {
		rule: "isolation_released",
		broken: []change{{"never", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = nil }), nil},
			{"off overnight", func(j *jobUnderTest) {
				next := at("08:30").AddDate(0, 0, 1)
				j.isolation().ReleasedAt = &next
				second := *j.visit()
				came, left := at("08:20").AddDate(0, 0, 1), at("12:00").AddDate(0, 0, 1)
				second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-15", &came, &left
				j.add(&second)
			}, nil},
			{"furnace did not run", iso(func(i *domain.EnergyIsolation) { i.FurnaceRan = new(false) }), nil}},
		notRecorded: []change{{"by whom", iso(func(i *domain.EnergyIsolation) { i.ReleasedByID = nil }), nil},
			{"whether it ran", iso(func(i *domain.EnergyIsolation) { i.FurnaceRan = nil }), nil}},
		notApplicable: []change{{"nothing isolated", func(j *jobUnderTest) { closedDuct(j); dropCrossover(j); noIsolation(j) }, []string{"section_reached", "energy_isolated"}}},
		atLimit:       []change{{"as the crew leaves", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("15:40") }), nil}},
		beyond: []change{{"after the crew left", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("15:41") }), nil},
			{"after the crew left, which came back on another day", func(j *jobUnderTest) {
				j.isolation().ReleasedAt = when("15:41")
				second := *j.visit()
				came, left := at("08:20").AddDate(0, 0, 1), at("12:00").AddDate(0, 0, 1)
				second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-15", &came, &left
				j.add(&second)
			}, nil}},
		holds: []change{{"a second visit of that day, when it left not recorded", func(j *jobUnderTest) {
			second := *j.visit()
			second.LeftAt = nil
			j.add(&second)
		}, []string{"visit_times_recorded"}}, {"handed over with a reason", iso(func(i *domain.EnergyIsolation) {
			i.FurnaceRan, i.HandoverReason = new(false), "awaits a part"
		}), nil}, {"handed over without heat, with a reason", iso(func(i *domain.EnergyIsolation) {
			i.ReleasedAt, i.HandoverReason = nil, "cracked heat exchanger, resident has heaters"
		}), nil}},
	}}
}

// secondFurnace gives a section a furnace of its own, whose energy was cut as
// that of the first.
func secondFurnace(j *jobUnderTest, section domain.Section) *domain.EnergyIsolation {
	j.home().OtherFurnaceSections = []domain.Section{section}
	j.isolation().FurnaceSection = "A"
	second := *j.isolation()
	second.FurnaceSection = section
	return isolate(j, &second)
}

// isolate adds an isolation with its photo.
func isolate(j *jobUnderTest, i *domain.EnergyIsolation) *domain.EnergyIsolation {
	j.photo("10:07", domain.BeforeStage, domain.PhotoSubject{Kind: domain.EnergyIsolationKind, ID: j.add(i), Shows: domain.ShowsLock})
	return i
}

// tightJoint adds the joint of a section's furnace, found tight.
func tightJoint(j *jobUnderTest, section domain.Section) {
	id := j.add(&domain.Component{JobID: j.job, Component: domain.FurnaceJoint, Section: section, Found: domain.FoundTight})
	j.photo("08:50", domain.SurveyStage, domain.PhotoSubject{Kind: domain.ComponentKind, ID: id})
}
