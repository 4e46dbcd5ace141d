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
	return []ruleCases{{
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
			{"no point", iso(func(i *domain.EnergyIsolation) { i.PointsCount = new(0) }), nil},
			{"crossover of a gas furnace: a note", func(j *jobUnderTest) { j.gas(); closedDuct(j); noIsolation(j) }, nil},
			{"cabinet opened first", func(j *jobUnderTest) { j.repair(0).OpenedAt = when("09:30") }, nil}},
		notRecorded: []change{{"none at all", noIsolation, nil},
			{"when cut", iso(func(i *domain.EnergyIsolation) { i.IsolatedAt = nil }), nil},
			{"when verified", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = nil }), nil},
			{"who verified", iso(func(i *domain.EnergyIsolation) { i.VerifiedByID = nil }), nil},
			{"rule worked under", iso(func(i *domain.EnergyIsolation) { i.RuleWorkedUnder = "" }), nil},
			{"points", iso(func(i *domain.EnergyIsolation) { i.PointsCount, i.AllPoints = nil, nil }), nil},
			{"when opened", func(j *jobUnderTest) { j.opening(1).MadeAt = nil }, nil},
			{"what heats the home", func(j *jobUnderTest) { j.home().FurnaceKind = "" }, []string{"furnace_kind_recorded"}}},
		notApplicable: []change{{"nothing opened", func(j *jobUnderTest) { closedDuct(j); dropCrossover(j) }, []string{"section_reached"}}},
		atLimit:       []change{{"one point", iso(func(i *domain.EnergyIsolation) { i.PointsCount = new(1) }), nil}, {"verified a minute before", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("09:57") }), nil}},
		holds: []change{{"counted, not said whether all", iso(func(i *domain.EnergyIsolation) { i.AllPoints = nil }), nil},
			{"all, not counted", iso(func(i *domain.EnergyIsolation) { i.PointsCount = nil }), nil}},
		beyond: []change{{"verified in that minute", iso(func(i *domain.EnergyIsolation) { i.VerifiedAt = when("09:58") }), nil}},
	}, {
		rule: "isolation_released",
		broken: []change{{"never", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = nil }), nil},
			{"furnace did not run", iso(func(i *domain.EnergyIsolation) { i.FurnaceRan = new(false) }), nil}},
		notRecorded: []change{{"by whom", iso(func(i *domain.EnergyIsolation) { i.ReleasedByID = nil }), nil},
			{"whether it ran", iso(func(i *domain.EnergyIsolation) { i.FurnaceRan = nil }), nil}},
		notApplicable: []change{{"nothing isolated", func(j *jobUnderTest) { closedDuct(j); dropCrossover(j); noIsolation(j) }, []string{"section_reached"}}},
		atLimit:       []change{{"as the crew leaves", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("15:40") }), nil}},
		beyond: []change{{"after the crew left", iso(func(i *domain.EnergyIsolation) { i.ReleasedAt = when("15:41") }), nil},
			{"after the crew left, which came back on another day", func(j *jobUnderTest) {
				j.isolation().ReleasedAt = when("15:41")
				second := *j.visit()
				left := at("12:00").AddDate(0, 0, 1)
				second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-15", nil, &left
				j.add(&second)
			}, nil}},
		holds: []change{{"a second visit of that day, when it left not recorded", func(j *jobUnderTest) {
			second := *j.visit()
			second.LeftAt = nil
			j.add(&second)
		}, nil}, {"handed over with a reason", iso(func(i *domain.EnergyIsolation) {
			i.FurnaceRan, i.HandoverReason = new(false), "awaits a part"
		}), nil}},
	}}
}
