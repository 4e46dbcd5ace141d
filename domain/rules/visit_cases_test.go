package rules

import (
	"time"

	"ductledger/domain"
)

func visitCases() []ruleCases {
	burning := func(do func(t *domain.CombustionCheck)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.gas(); do(j.visit().Combustion) }
	}
	stop := func(at, cleared string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			s := domain.Stop{Reason: "wet_wiring", At: *when(at)}
			if cleared != "" {
				s.ClearedAt, s.ClearedBy, s.ClearedAs = when(cleared), "Invented Electrician", domain.ClearedByLicensed
			}
			j.visit().Stops = []domain.Stop{s}
		}
	}
	lifted := func(reason string, do func(s *domain.Stop)) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			s := domain.Stop{Reason: reason, At: at("08:20"), ClearedAt: when("09:00"), ClearedBy: "Invented Utility", ClearedAs: domain.ClearedByUtility, ClearedCOPpm: new(0.0)}
			do(&s)
			j.visit().Stops = []domain.Stop{s}
		}
	}
	certificate := func(until domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) { one[domain.Credential](j, 0).ValidUntilOn = until }
	}
	homes := func(lead, other *int) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			one[domain.CrewMember](j, 0).HomesLedBeforeCount, one[domain.CrewMember](j, 1).HomesLedBeforeCount = lead, other
		}
	}
	earlier := func(day domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.outside.Earlier = []EarlierJob{{domain.UUID{5}, day}} }
	}
	return []ruleCases{{
		rule: "combustion_checked",
		broken: []change{{"read after work began", burning(func(t *domain.CombustionCheck) { t.AmbientCOAt = when("10:00") }), nil},
			{"read on the day before", burning(func(t *domain.CombustionCheck) { t.AmbientCOAt = daysOn("08:12", -1) }), nil},
			{"test before the last repair", burning(func(t *domain.CombustionCheck) { t.TestedAt = when("13:00") }), nil},
			{"test failed: a question", burning(func(t *domain.CombustionCheck) { t.TestResult, t.ReferredTo = "failed", "Invented Heating" }), nil},
			{"72 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(72.0) }), []string{"carbon_monoxide_told"}},
			{"tester's paper lapsed", func(j *jobUnderTest) { j.gas(); one[domain.Credential](j, 1).ValidUntilOn = "2026-10-13" }, nil},
			{"tester's paper is another", func(j *jobUnderTest) { j.gas(); one[domain.Credential](j, 1).Credential = domain.Insurance }, nil}},
		notRecorded: []change{{"no check", func(j *jobUnderTest) { j.gas(); j.visit().Combustion = nil }, nil},
			{"when air was read", burning(func(t *domain.CombustionCheck) { t.AmbientCOAt = nil }), nil},
			{"no test", burning(func(t *domain.CombustionCheck) { t.TestedAt = nil }), nil},
			{"no result", burning(func(t *domain.CombustionCheck) { t.TestResult = "" }), nil},
			{"by whom", burning(func(t *domain.CombustionCheck) { t.CredentialID = nil }), nil},
			{"an oil furnace, what else burns not said", func(j *jobUnderTest) { j.home().FurnaceKind, j.home().CombustionAppliances = domain.OilFurnace, nil }, nil},
			{"a water heater beside a packaged unit", func(j *jobUnderTest) {
				packaged(j)
				j.home().CombustionAppliances = []string{"furnace", "water_heater"}
				j.visit().Combustion = &domain.CombustionCheck{AmbientCOPpm: new(0.0), AmbientCOAt: when("08:12")}
			}, nil},
			{"two visits of one day, the later without a test", func(j *jobUnderTest) {
				j.gas()
				second := *j.visit()
				second.Combustion = &domain.CombustionCheck{AmbientCOPpm: new(0.0), AmbientCOAt: when("08:12")}
				j.visit().Combustion.TestedAt = nil
				j.add(&second)
			}, nil},
			{"a water heater in an electric home", func(j *jobUnderTest) { j.home().CombustionAppliances = []string{"water_heater"} }, nil},
			{"gas, and nobody recorded a visit", func(j *jobUnderTest) { j.gas(); noVisit(j) }, []string{"air_at_every_outlet", "outcome_shown"}},
			{"whether anything burns", func(j *jobUnderTest) { j.home().CombustionAppliances = nil }, []string{"combustion_appliances_recorded"}}},
		notApplicable: []change{{"all electric", func(*jobUnderTest) {}, nil}, {"refused", func(j *jobUnderTest) { j.gas(); refused(j) }, nil}},
		atLimit:       []change{{"35 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(35.0) }), []string{"carbon_monoxide_told"}}},
		beyond: []change{{"36 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(36.0) }), []string{"carbon_monoxide_told"}},
			{"read in the minute work began", burning(func(t *domain.CombustionCheck) { t.AmbientCOAt = when("09:45") }), nil},
			{"tested in the minute of the last repair", burning(func(t *domain.CombustionCheck) { t.TestedAt = when("13:40") }), nil}},
		holds: []change{{"packaged outdoor unit: ambient alone", func(j *jobUnderTest) {
			packaged(j)
			j.home().CombustionAppliances = []string{"furnace"}
			j.visit().Combustion = &domain.CombustionCheck{AmbientCOPpm: new(0.0), AmbientCOAt: when("08:12")}
		}, nil}, {"tested on the second visit", func(j *jobUnderTest) {
			j.gas()
			second := *j.visit()
			second.VisitedOn, second.ArrivedAt, second.LeftAt = "2026-10-15", daysOn("08:10", 1), daysOn("15:40", 1)
			check := *j.visit().Combustion
			check.AmbientCOAt, check.TestedAt = daysOn("08:12", 1), daysOn("15:20", 1)
			j.visit().Combustion = &domain.CombustionCheck{AmbientCOPpm: new(0.0), AmbientCOAt: when("08:12")}
			second.Combustion = &check
			j.add(&second)
		}, nil}, {"a tester from outside", burning(func(t *domain.CombustionCheck) { t.CredentialID, t.TestedBy = nil, "Invented Tester" }), nil}},
	}, {
		rule: "visit_times_recorded",
		broken: []change{{"came on another day", func(j *jobUnderTest) { j.visit().ArrivedAt = daysOn("15:40", -1) }, nil},
			{"left on another day", func(j *jobUnderTest) { j.visit().LeftAt = daysOn("08:10", 1) }, nil}},
		notRecorded: []change{{"came", func(j *jobUnderTest) { j.visit().ArrivedAt = nil }, nil},
			{"left", func(j *jobUnderTest) { j.visit().LeftAt = nil }, nil}},
		notApplicable: []change{{"no visit", func(j *jobUnderTest) { nothing(j); noVisit(j) }, nil}},
		holds: []change{{"nobody was at home", func(j *jobUnderTest) { nothing(j); j.visit().NoShow, j.visit().LeftAt = new(true), nil }, []string{"someone_home"}},
			{"the crew is still there", func(j *jobUnderTest) { j.visit().LeftAt, j.jobRecord().State = nil, domain.InWork }, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule: "stop_respected",
		broken: []change{{"never lifted", stop("10:00", ""), nil}, {"worked before it was lifted", stop("10:00", "10:45"), nil},
			{"an opening made", stop("11:00", "11:18"), nil}, {"a crossover taken down", stop("11:18", "11:25"), nil}},
		notApplicable: []change{{"no stop", func(*jobUnderTest) {}, nil}},
		holds: []change{{"closing is no work", stop("14:10", ""), nil}, {"a crossover that was down is put back", stop("11:50", "12:10"), nil},
			{"stopped before anything was repaired", func(j *jobUnderTest) { nothing(j); stop("10:00", "")(j) }, nil}},
		atLimit: []change{{"lifted in that minute", stop("10:30", "10:40"), nil}, {"stopped in that minute", stop("13:40", ""), nil}},
		beyond:  []change{{"lifted a minute later", stop("10:30", "10:41"), nil}, {"stopped a minute before", stop("13:39", ""), nil}},
		cannot:  map[string]string{"not_recorded": "a repair always has a time, and so has a stop"},
	}, {
		rule:          "carbon_monoxide_told",
		broken:        []change{{"12 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(12.0) }), nil}},
		notApplicable: []change{{"not read", func(*jobUnderTest) {}, nil}},
		atLimit:       []change{{"9 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(9.0) }), nil}},
		beyond:        []change{{"10 ppm", burning(func(t *domain.CombustionCheck) { t.AmbientCOPpm = new(10.0) }), nil}},
		cannot:        map[string]string{"not_recorded": "a reading that was not made belongs to combustion_checked"},
	}, {
		rule: "stop_cleared",
		broken: []change{{"by the crew", lifted("gas", func(s *domain.Stop) { s.ClearedAs = domain.ClearedByCrew }), nil},
			{"wiring, by the crew", lifted("wet_wiring", func(s *domain.Stop) { s.ClearedAs = domain.ClearedByCrew }), nil}},
		notRecorded: []change{{"in what capacity", lifted("gas", func(s *domain.Stop) { s.ClearedAs = "" }), nil},
			{"by whom", lifted("wet_wiring", func(s *domain.Stop) { s.ClearedBy = "" }), nil},
			{"the new reading", lifted("co", func(s *domain.Stop) { s.ClearedCOPpm = nil }), nil}},
		notApplicable: []change{{"no stop", func(*jobUnderTest) {}, nil}, {"heat", lifted("heat", func(s *domain.Stop) { s.ClearedAs = domain.ClearedByCrew }), nil},
			{"never lifted", lifted("gas", func(s *domain.Stop) { s.ClearedAt = nil }), []string{"stop_respected"}}},
		holds:   []change{{"gas, by the utility", lifted("gas", func(*domain.Stop) {}), nil}},
		atLimit: []change{{"35 ppm", lifted("co", func(s *domain.Stop) { s.ClearedCOPpm = new(35.0) }), nil}},
		beyond:  []change{{"36 ppm", lifted("co", func(s *domain.Stop) { s.ClearedCOPpm = new(36.0) }), nil}},
	}, {
		rule:          "crew_certified",
		broken:        []change{{"lapsed", certificate("2026-09-30"), nil}, {"none", func(j *jobUnderTest) { j.dropAll(domain.CredentialKind) }, nil}},
		notRecorded:   []change{{"lead", func(j *jobUnderTest) { j.visit().LeadID = nil }, nil}},
		notApplicable: []change{{"no visit", noVisit, []string{"air_at_every_outlet", "outcome_shown"}}},
		atLimit:       []change{{"last day", certificate("2026-10-14"), nil}, {"first day", func(j *jobUnderTest) { one[domain.Credential](j, 0).ValidFromOn = "2026-10-14" }, nil}},
		beyond:        []change{{"lapsed yesterday", certificate("2026-10-13"), nil}},
	}, {
		rule:          "crew_member_supervised",
		broken:        []change{{"two beginners", homes(new(3), new(5)), nil}},
		notRecorded:   []change{{"lead's homes", homes(nil, new(5)), nil}, {"the other's homes", homes(new(3), nil), nil}},
		notApplicable: []change{{"no lead", func(j *jobUnderTest) { j.visit().LeadID = nil }, []string{"crew_certified"}}},
		atLimit: []change{{"10 homes", homes(new(10), new(0)), nil}, {"a member with 10", homes(new(0), new(10)), nil},
			{"9 and one since", func(j *jobUnderTest) {
				homes(new(9), new(0))(j)
				j.outside.HomesLed = map[domain.UUID]int{*j.visit().LeadID: 1}
			}, nil}},
		beyond: []change{{"9 homes", homes(new(9), new(9)), nil}},
	}, {
		rule:          "home_not_treated_before",
		broken:        []change{{"2019", earlier("2019-05-02"), nil}},
		notApplicable: []change{{"no visit", noVisit, []string{"air_at_every_outlet", "outcome_shown"}}},
		atLimit:       []change{{"15 years to the day", earlier("2011-10-14"), nil}},
		beyond:        []change{{"a day less", earlier("2011-10-15"), nil}, {"on the very day", earlier("2026-10-14"), nil}},
		holds: []change{{"the job itself", func(j *jobUnderTest) { j.outside.Earlier = []EarlierJob{{j.job, "2026-10-20"}} }, nil},
			{"another job since", earlier("2026-10-20"), nil}},
		cannot: map[string]string{"not_recorded": "what the service has accepted it knows"},
	}, {
		rule:          "fund_source_named",
		broken:        []change{{"another word", funds("city_fund", "state_fund", "utility_fund"), nil}, {"another word than the only one", funds("city_fund", "state_fund"), nil}},
		notRecorded:   []change{{"two funds", funds("", "state_fund", "utility_fund"), nil}},
		notApplicable: []change{{"no funds", funds(""), nil}, {"one fund", funds("", "state_fund"), nil}, {"that one", funds("state_fund", "state_fund"), nil}},
		holds: []change{{"one of two", funds("utility_fund", "state_fund", "utility_fund"), nil},
			{"two funds that the prices name", func(j *jobUnderTest) {
				j.ruleSet = &domain.RuleSet{Prices: []domain.Price{{Line: "home", FundSource: "state_fund"}, {Line: "trip_fee", FundSource: "utility_fund"}}}
				j.jobRecord().FundSource = "state_fund"
			}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}}
}

// funds gives the program its funds and the job the one that it names.
func funds(named string, list ...string) func(*jobUnderTest) {
	return func(j *jobUnderTest) {
		j.ruleSet = &domain.RuleSet{FundSources: list}
		j.jobRecord().FundSource = named
	}
}

func homeFactCases() []ruleCases {
	because := map[string]string{"broken": "a fact is recorded or missing", "at_the_limit": noLimit}
	return []ruleCases{{
		rule:          "furnace_kind_recorded",
		notRecorded:   []change{{"furnace kind", func(j *jobUnderTest) { j.home().FurnaceKind = "" }, nil}},
		notApplicable: []change{{"refused before anything was opened", func(j *jobUnderTest) { nothing(j); j.home().FurnaceKind = "" }, nil}},
		cannot:        because,
	}, {
		rule:          "furnace_section_recorded",
		notRecorded:   []change{{"furnace section", func(j *jobUnderTest) { j.home().FurnaceSection = "" }, nil}},
		notApplicable: []change{{"refused", func(j *jobUnderTest) { refused(j); j.home().FurnaceSection = "" }, nil}},
		cannot:        because,
	}, {
		rule:        "furnace_position_recorded",
		notRecorded: []change{{"furnace's place", func(j *jobUnderTest) { j.home().FurnacePositionFt = nil }, nil}},
		notApplicable: []change{{"refused", func(j *jobUnderTest) { refused(j); j.home().FurnacePositionFt = nil }, nil},
			{"its joint tells it", func(j *jobUnderTest) {
				j.home().FurnacePositionFt = nil
				c, _ := j.part(domain.FurnaceJoint, "A", 0, "")
				c.PositionFt = new(20.0)
			}, nil}, {"a packaged unit outside", func(j *jobUnderTest) { packaged(j); j.home().FurnacePositionFt = nil }, nil}},
		cannot: because,
	}, {
		rule:          "ducted_sections_recorded",
		notRecorded:   []change{{"ducted sections", func(j *jobUnderTest) { j.home().DuctedSections = nil }, nil}},
		notApplicable: []change{{"refused", func(j *jobUnderTest) { refused(j); j.home().DuctedSections = nil }, nil}},
		cannot:        because,
	}, {
		rule:          "joist_direction_recorded",
		notRecorded:   []change{{"joists", func(j *jobUnderTest) { j.home().JoistDirection = "" }, nil}},
		notApplicable: []change{{"refused", func(j *jobUnderTest) { refused(j); j.home().JoistDirection = "" }, nil}},
		cannot:        because,
	}, {
		rule:          "wrap_kind_recorded",
		notRecorded:   []change{{"wrap", func(j *jobUnderTest) { j.home().WrapKind = "" }, nil}},
		notApplicable: []change{{"no wrap closed by the crew", func(j *jobUnderTest) { nothing(j); j.home().WrapKind = "" }, nil}},
		cannot:        because,
	}, {
		rule:          "combustion_appliances_recorded",
		notRecorded:   []change{{"appliances", func(j *jobUnderTest) { j.home().CombustionAppliances = nil }, nil}},
		notApplicable: []change{{"refused", func(j *jobUnderTest) { refused(j); j.home().CombustionAppliances = nil }, nil}},
		cannot:        because,
	}}
}

// daysOn is a time of the clock so many days after the example's.
func daysOn(clock string, days int) *time.Time { t := at(clock).AddDate(0, 0, days); return &t }

// nothing leaves a job on which nothing was done.
func noVisit(j *jobUnderTest) { j.dropAll(domain.VisitKind) }

func nothing(j *jobUnderTest) {
	j.dropAll(domain.PhotoKind, domain.OpeningKind, domain.RepairKind, domain.CrossoverKind, domain.MeasurementKind, domain.EnergyIsolationKind, domain.ComponentKind)
	refused(j)
}
