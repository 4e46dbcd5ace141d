package rules

import "ductledger/domain"

func homeCases() []ruleCases {
	visit := func(do func(v *domain.Visit)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.visit()) }
	}
	returned := func(r domain.ReturnCheck) func(*jobUnderTest) {
		return visit(func(v *domain.Visit) { v.Return = &r })
	}
	furnace := func(f domain.FurnaceCheck) func(*jobUnderTest) {
		return visit(func(v *domain.Visit) { v.Furnace = &f })
	}
	good := func(do func(f *domain.FurnaceCheck)) func(*jobUnderTest) {
		f := domain.FurnaceCheck{Runs: new(true), SupplyF: new(125.0), ReturnF: new(68.0), PlateLowF: new(40.0), PlateHighF: new(70.0),
			RegistersOpen: new(true), Filter: "clean", StaticPa: new(60.0), LabelStaticPa: new(75.0)}
		do(&f)
		return furnace(f)
	}
	consent := func(day domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.jobRecord().ConsentOn = day }
	}
	permission := func(day domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.home().Permission.GivenOn = day }
	}
	appointment := func(state domain.AppointmentState, day domain.Date, until string) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			a := &domain.Appointment{JobID: j.job, PlannedOn: day, State: state}
			if until != "" {
				a.UntilAt = when(until)
			}
			j.add(a)
		}
	}
	none := []change{{"none", func(*jobUnderTest) {}, nil}}
	used := func(material string, amount float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			j.jobRecord().MaterialsUsed = []domain.MaterialUsed{{Material: material, Used: amount}}
		}
	}
	return []ruleCases{{
		rule: "materials_as_listed",
		// Nails of 3 loose boots: 12 listed, 13.2 with waste, so 14; a tenth either way [calc].
		broken:        []change{{"forty nails", used("nails_count", 40), nil}},
		notApplicable: []change{{"none", func(*jobUnderTest) {}, nil}},
		atLimit:       []change{{"15 nails", used("nails_count", 15), nil}, {"11 nails", used("nails_count", 11), nil}},
		beyond:        []change{{"16 nails", used("nails_count", 16), nil}, {"10 nails", used("nails_count", 10), nil}},
		holds:         []change{{"as listed", used("nails_count", 12), nil}},
		notRecorded: []change{{"a size beyond any duct", func(j *jobUnderTest) {
			used("nails_count", 12)(j)
			j.opening(1).WidthIn = new(1e6)
		}, []string{"duct_patch_overlap"}}},
	}, {
		rule:   "owner_permission",
		broken: []change{{"after the first visit", permission("2026-10-20"), nil}},
		notRecorded: []change{{"assigned, nobody was there", func(j *jobUnderTest) {
			nothing(j)
			noVisit(j)
			j.jobRecord().Outcome, j.jobRecord().State = "", domain.Assigned
			j.home().Permission = nil
		}, nil}},
		notApplicable: []change{{"refused", refused, nil}},
		holds: []change{{"assigned, permitted", func(j *jobUnderTest) {
			nothing(j)
			noVisit(j)
			j.jobRecord().Outcome, j.jobRecord().State = "", domain.Assigned
		}, nil}},
		atLimit: []change{{"of the day of the visit", permission("2026-10-14"), nil}},
		beyond:  []change{{"a day later", permission("2026-10-15"), nil}},
	}, {
		rule:          "resident_consent",
		broken:        []change{{"a week later", consent("2026-10-21"), nil}},
		notRecorded:   []change{{"none", consent(""), nil}, {"how", func(j *jobUnderTest) { j.jobRecord().ConsentKind = "" }, nil}},
		notApplicable: []change{{"no visit", noVisit, []string{"air_at_every_outlet", "outcome_shown"}}},
		atLimit:       []change{{"of the day of the visit", consent("2026-10-14"), nil}},
		beyond:        []change{{"a day later", consent("2026-10-15"), nil}},
	}, {
		rule: "appointment_kept",
		broken: []change{{"missed", appointment(domain.AppointmentMissed, exampleDay, ""), nil}, {"no visit", appointment(domain.AppointmentKept, "2026-10-12", ""), nil},
			{"forgotten", appointment(domain.AppointmentMade, "2026-10-12", ""), nil}},
		notRecorded: []change{{"when it came", func(j *jobUnderTest) {
			appointment(domain.AppointmentKept, exampleDay, "10:00")(j)
			j.visit().ArrivedAt = nil
		}, []string{"visit_times_recorded"}}},
		notApplicable: []change{{"none", func(*jobUnderTest) {}, nil}, {"moved", appointment(domain.AppointmentMoved, "2026-10-12", ""), nil},
			{"still to come", appointment(domain.AppointmentMade, "2026-10-20", ""), nil}},
		atLimit: []change{{"08:10", appointment(domain.AppointmentKept, exampleDay, "08:10"), nil}},
		beyond:  []change{{"08:09", appointment(domain.AppointmentKept, exampleDay, "08:09"), nil}},
	}, {
		rule:          "someone_home",
		broken:        []change{{"nobody", visit(func(v *domain.Visit) { v.NoShow = new(true) }), nil}},
		notApplicable: []change{{"no visit", noVisit, []string{"air_at_every_outlet", "outcome_shown"}}},
		holds:         []change{{"somebody", visit(func(v *domain.Visit) { v.NoShow = new(false) }), nil}},
		cannot:        map[string]string{"not_recorded": "what nobody says did not happen", "at_the_limit": noLimit},
	}, {
		rule:   "prior_damage_shown",
		broken: []change{{"no photo", visit(func(v *domain.Visit) { v.DamageBefore = []domain.PriorDamage{{What: "cracked register"}} }), nil}},
		notRecorded: []change{{"a photo that is not here", visit(func(v *domain.Visit) {
			v.DamageBefore = []domain.PriorDamage{{What: "cracked register", PhotoID: &domain.UUID{9}}}
		}), nil}},
		notApplicable: none,
		holds: []change{{"shown", func(j *jobUnderTest) {
			_, id := nth[domain.Photo](j, 0)
			j.visit().DamageBefore = []domain.PriorDamage{{What: "cracked register", PhotoID: &id}}
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "hazard_read",
		broken:        []change{{"a bare wire", visit(func(v *domain.Visit) { v.Hazards = []domain.HazardSeen{{Kind: "bare_wire", SeenAt: at("09:10")}} }), nil}},
		notApplicable: []change{{"no visit", noVisit, []string{"air_at_every_outlet", "outcome_shown"}}},
		holds:         none,
		cannot:        map[string]string{"not_recorded": "what nobody says was not seen", "at_the_limit": noLimit},
	}, {
		rule: "return_draws_crawl_air",
		broken: []change{{"electric, handed over: a question", returned(domain.ReturnCheck{DrawsCrawlAir: new(true), Handover: "to the resident"}), nil},
			{"gas, left running", func(j *jobUnderTest) {
				j.gas()
				j.visit().Combustion.TestResult, j.visit().Combustion.ReferredTo = "failed", "Invented Heating"
				returned(domain.ReturnCheck{DrawsCrawlAir: new(true), LeftRunning: new(true), Handover: "to the resident"})(j)
			}, []string{"combustion_checked"}}},
		notRecorded:   []change{{"not said", returned(domain.ReturnCheck{}), nil}},
		notApplicable: none,
		holds:         []change{{"draws none", returned(domain.ReturnCheck{DrawsCrawlAir: new(false)}), nil}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}, {
		rule:          "closet_pressure",
		broken:        []change{{"20 Pa below", returned(domain.ReturnCheck{DrawsCrawlAir: new(false), ClosetPa: new(-20.0)}), nil}},
		notApplicable: none,
		atLimit:       []change{{"12.45 Pa below", returned(domain.ReturnCheck{DrawsCrawlAir: new(false), ClosetPa: new(-12.45)}), nil}},
		beyond:        []change{{"12.5 Pa below", returned(domain.ReturnCheck{DrawsCrawlAir: new(false), ClosetPa: new(-12.5)}), nil}},
		cannot:        map[string]string{"not_recorded": "where it was not read, it does not apply"},
	}, {
		rule:   "temperature_rise",
		broken: []change{{"82 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(150.0) }), nil}, {"30 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(98.0) }), nil}},
		notRecorded: []change{{"plate gone", good(func(f *domain.FurnaceCheck) { f.PlateLowF = nil }), nil},
			{"not read", good(func(f *domain.FurnaceCheck) { f.SupplyF = nil }), nil}},
		notApplicable: none,
		atLimit:       []change{{"70 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(138.0) }), nil}, {"40 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(108.0) }), nil}},
		beyond:        []change{{"71 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(139.0) }), nil}, {"39 °F", good(func(f *domain.FurnaceCheck) { f.SupplyF = new(107.0) }), nil}},
	}, {
		rule:          "external_static",
		broken:        []change{{"72 of 75 Pa", good(func(f *domain.FurnaceCheck) { f.StaticPa = new(72.0) }), nil}},
		notRecorded:   []change{{"label gone", good(func(f *domain.FurnaceCheck) { f.LabelStaticPa = nil }), nil}},
		notApplicable: []change{{"none", func(*jobUnderTest) {}, nil}, {"not read", good(func(f *domain.FurnaceCheck) { f.StaticPa = nil }), nil}},
		// [calc] 0.9 · 80 = 72
		atLimit: []change{{"72 of 80 Pa", good(func(f *domain.FurnaceCheck) { f.StaticPa, f.LabelStaticPa = new(72.0), new(80.0) }), nil}},
		beyond:  []change{{"73 of 80 Pa", good(func(f *domain.FurnaceCheck) { f.StaticPa, f.LabelStaticPa = new(73.0), new(80.0) }), nil}},
	}, {
		rule: "registers_and_filter",
		broken: []change{{"a closed register", good(func(f *domain.FurnaceCheck) { f.RegistersOpen = new(false) }), nil},
			{"a dirty filter", good(func(f *domain.FurnaceCheck) { f.Filter = "dirty" }), nil},
			{"does not run", good(func(f *domain.FurnaceCheck) { f.Runs = new(false) }), nil}},
		notRecorded:   []change{{"filter", good(func(f *domain.FurnaceCheck) { f.Filter = "" }), nil}},
		notApplicable: none,
		holds:         []change{{"good", good(func(*domain.FurnaceCheck) {}), nil}},
		cannot:        map[string]string{"at_the_limit": noLimit},
	}}
}
