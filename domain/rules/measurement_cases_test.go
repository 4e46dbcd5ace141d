package rules

import "ductledger/domain"

func measurementCases() []ruleCases {
	deemed := func(j *jobUnderTest) {
		j.jobRecord().PayBasis = domain.Deemed
		for n := range 2 {
			_, id := nth[domain.Measurement](j, n)
			j.dropPhotos(id, "")
		}
		j.dropAll(domain.MeasurementKind)
	}
	dropTest := func(stage domain.Stage) func(*jobUnderTest) {
		return func(j *jobUnderTest) {
			for n := range 2 {
				if m, id := nth[domain.Measurement](j, n); m.Stage == stage {
					j.dropPhotos(id, "")
					j.drop(func(i Item) bool { return i.ID == id })
					return
				}
			}
		}
	}
	after := func(do func(m *domain.Measurement)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.test(1)) }
	}
	both := func(do func(m *domain.Measurement)) func(*jobUnderTest) {
		return func(j *jobUnderTest) { do(j.test(0)); do(j.test(1)) }
	}
	flow := func(cfm float64) func(*jobUnderTest) {
		return after(func(m *domain.Measurement) { m.Readings[0].FlowCFM, m.Readings[0].PressurePa = new(cfm), new(25.0) })
	}
	calibrated := func(until domain.Date) func(*jobUnderTest) {
		return func(j *jobUnderTest) { one[domain.Instrument](j, 0).CalibratedUntilOn = until }
	}
	lastPan := func(pa float64) func(*jobUnderTest) {
		return func(j *jobUnderTest) { j.asksPan(); j.test(3).Readings[4].PanPa = new(pa) }
	}
	return []ruleCases{{
		rule: "readings_in_order",
		broken: []change{{"before after the first cut", func(j *jobUnderTest) { j.test(0).TakenAt = at("09:50") }, nil},
			{"after before the last closure", after(func(m *domain.Measurement) { m.TakenAt = at("14:25") }), nil}},
		notRecorded: []change{{"no reading after", dropTest(domain.After), nil}, {"no reading before", dropTest(domain.Before), nil},
			{"a reading that cannot be computed", after(func(m *domain.Measurement) {
				m.Readings = append(m.Readings, domain.Reading{PressurePa: new(50.0), FlowCFM: new(500.0)})
			}), nil}},
		notApplicable: []change{{"a fixed sum and nothing read", deemed, nil}, {"refused", refused, nil}},
		atLimit: []change{{"a minute before the first cut", func(j *jobUnderTest) { j.test(0).TakenAt = at("09:44") }, nil},
			{"a minute after the last closure", after(func(m *domain.Measurement) { m.TakenAt = at("14:31") }), nil}},
		beyond: []change{{"in the minute of the first cut", func(j *jobUnderTest) { j.test(0).TakenAt = at("09:45") }, nil},
			{"in the minute of the last closure", after(func(m *domain.Measurement) { m.TakenAt = at("14:30") }), nil}},
		holds: []change{{"only a pan is asked", func(j *jobUnderTest) {
			j.asksPan()
			j.ruleSet.MethodsAsked = []domain.Method{domain.Pan}
		}, nil}},
	}, {
		rule: "same_method_before_after",
		broken: []change{{"total before, outside after", after(func(m *domain.Measurement) { m.Method = domain.FanOutside }), nil},
			{"other preparation", after(func(m *domain.Measurement) { m.SetUp = m.SetUp[:3] }), nil},
			{"more preparation", after(func(m *domain.Measurement) { m.SetUp = append(m.SetUp[:4:4], "doors_closed") }), nil},
			{"not the method asked", func(j *jobUnderTest) { j.ruleSet = &domain.RuleSet{MethodsAsked: []domain.Method{domain.FanOutside}} }, nil}},
		notRecorded: []change{{"preparation", after(func(m *domain.Measurement) { m.SetUp = nil }), nil},
			{"preparation before", func(j *jobUnderTest) { j.test(0).SetUp = nil }, nil},
			{"home pressure of a test to outside", both(func(m *domain.Measurement) { m.Method = domain.FanOutside }), nil},
			{"home pressure of one", after(func(m *domain.Measurement) { m.HousePressurePa = new(25.0) }), nil}},
		notApplicable: []change{{"no reading after", dropTest(domain.After), []string{"readings_in_order"}}, {"a fixed sum and nothing read", deemed, nil}},
		atLimit: []change{{"1 Pa apart", func(j *jobUnderTest) {
			j.test(0).HousePressurePa, j.test(1).HousePressurePa = new(50.0), new(49.0)
		}, nil}},
		beyond: []change{{"1.1 Pa apart", func(j *jobUnderTest) {
			j.test(0).HousePressurePa, j.test(1).HousePressurePa = new(50.0), new(48.9)
		}, nil}},
	}, {
		rule: "every_register_read",
		broken: []change{{"one register forgotten", func(j *jobUnderTest) {
			j.asksPan()
			j.test(3).Readings = j.test(3).Readings[1:]
		}, nil}},
		notRecorded: []change{{"no pass before", func(j *jobUnderTest) {
			j.asksPan()
			_, id := nth[domain.Measurement](j, 2)
			j.dropPhotos(id, "")
			j.drop(func(i Item) bool { return i.ID == id })
		}, nil}, {"no pass after", func(j *jobUnderTest) {
			j.asksPan()
			_, id := nth[domain.Measurement](j, 3)
			j.dropPhotos(id, "")
			j.drop(func(i Item) bool { return i.ID == id })
		}, nil}},
		notApplicable: []change{{"no pan asked", func(*jobUnderTest) {}, nil}},
		holds: []change{{"all", func(j *jobUnderTest) { j.asksPan() }, nil}, {"one not read, with a reason", func(j *jobUnderTest) {
			j.asksPan()
			r := &j.test(3).Readings[0]
			r.PanPa, r.NotReadReason = nil, "below the bed"
		}, nil}},
		cannot: map[string]string{"at_the_limit": noLimit},
	}, {
		rule:   "pan_target",
		broken: []change{{"3.2 Pa", lastPan(3.2), nil}},
		notRecorded: []change{{"home pressure", func(j *jobUnderTest) { j.asksPan(); j.test(2).HousePressurePa, j.test(3).HousePressurePa = nil, nil }, []string{"same_method_before_after"}},
			{"home pressure of 0", func(j *jobUnderTest) {
				j.asksPan()
				j.test(2).HousePressurePa, j.test(3).HousePressurePa = new(0.0), new(0.0)
			}, nil}},
		notApplicable: []change{{"no pan", func(*jobUnderTest) {}, nil}},
		holds: []change{{"high, and read again by another pass", func(j *jobUnderTest) {
			lastPan(3)(j)
			j.pan(domain.After, "15:20", 0.5)
		}, nil}, {"read again in a record that came first", func(j *jobUnderTest) {
			lastPan(0.5)(j)
			j.pan(domain.After, "15:05", 3)
		}, nil}},
		atLimit: []change{{"1.0 Pa", lastPan(1), nil}, {"1.1 Pa at 55 Pa", func(j *jobUnderTest) {
			lastPan(1.1)(j)
			j.test(2).HousePressurePa, j.test(3).HousePressurePa = new(55.0), new(55.0)
		}, nil}},
		beyond: []change{{"1.1 Pa", lastPan(1.1), nil}},
	}, {
		rule:          "instrument_in_calibration",
		broken:        []change{{"lapsed", calibrated("2026-01-31"), nil}, {"calibrated later", func(j *jobUnderTest) { one[domain.Instrument](j, 0).CalibratedOn = "2026-10-15" }, nil}},
		notRecorded:   []change{{"until when", calibrated(""), nil}, {"the instrument", func(j *jobUnderTest) { j.dropAll(domain.InstrumentKind) }, nil}},
		notApplicable: []change{{"no test", deemed, nil}},
		atLimit:       []change{{"last day", calibrated("2026-10-14"), nil}},
		beyond:        []change{{"lapsed yesterday", calibrated("2026-10-13"), nil}},
	}, {
		rule:          "leakage_not_higher_after",
		broken:        []change{{"far higher", flow(400), nil}, {"a little higher: a note", flow(320), nil}},
		notApplicable: []change{{"no reading after", dropTest(domain.After), []string{"readings_in_order"}}},
		atLimit:       []change{{"the same", flow(318), nil}},
		beyond:        []change{{"one cfm more", flow(319), nil}},
		cannot:        map[string]string{"not_recorded": "without both readings it does not apply, and readings_in_order speaks"},
	}}
}
