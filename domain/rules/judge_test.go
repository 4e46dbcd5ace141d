package rules

import (
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// What a crew is never told.
func TestNeverAFinding(t *testing.T) {
	for _, row := range []struct {
		name string
		do   func(j *jobUnderTest)
	}{
		{"no mastic between core and collar", func(j *jobUnderTest) { j.crossing().LinerMastic = nil }},
		{"a found wrap opening left open", func(j *jobUnderTest) { j.opening(2).Closure, j.opening(2).ClosedAt = nil, nil }},
		{"a section without crossover and with its own furnace", func(j *jobUnderTest) {
			dropCrossover(j)
			secondFurnace(j, "B")
			tightJoint(j, "B")
		}},
		{"a job that was refused at the door", nothing},
		{"a job that nobody began", func(j *jobUnderTest) {
			nothing(j)
			j.dropAll(domain.VisitKind)
			j.jobRecord().Outcome, j.jobRecord().State = "", domain.Assigned
		}},
		{"a fixed sum and no reading", func(j *jobUnderTest) {
			j.jobRecord().PayBasis = domain.Deemed
			for n := range 2 {
				_, id := nth[domain.Measurement](j, n)
				j.dropPhotos(id, "")
			}
			j.dropAll(domain.MeasurementKind)
		}},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			if _, v := j.judge(); len(v.Findings) > 0 {
				t.Error(show(v.Findings))
			}
		})
	}
}

// The severities that differ from a rule's own.
func TestSofterSeverities(t *testing.T) {
	for _, row := range []struct {
		name, rule string
		do         func(j *jobUnderTest)
		want       Severity
		cure       Cure
	}{
		{"boot out of reach", "boot_sealed", func(j *jobUnderTest) {
			c, id := j.boot("A", 3)
			bare(j, c, id, domain.FoundNotAccessible, "below the tub")
		}, Check, ReturnVisit},
		{"boot out of reach, the rule a note", "boot_sealed", func(j *jobUnderTest) {
			c, id := j.boot("A", 3)
			bare(j, c, id, domain.FoundNotAccessible, "below the tub")
			j.ruleSet = &domain.RuleSet{Rules: []domain.RuleSetting{{Rule: "boot_sealed", Severity: "note"}}}
		}, Note, ReturnVisit},
		{"reading before with a lapsed instrument", "instrument_in_calibration", func(j *jobUnderTest) {
			one[domain.Instrument](j, 0).CalibratedUntilOn = "2026-10-13"
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.After })
		}, Check, NoCure},
		{"reading before, calibration not recorded", "instrument_in_calibration", func(j *jobUnderTest) {
			one[domain.Instrument](j, 0).CalibratedUntilOn = ""
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.After })
		}, Check, NoCure},
		{"a little higher", "leakage_not_higher_after", func(j *jobUnderTest) { j.test(1).Readings[0].FlowCFM = new(322.0) }, Note, OnSite},
		{"far higher", "leakage_not_higher_after", func(j *jobUnderTest) { j.test(1).Readings[0].FlowCFM = new(400.0) }, MustFix, OnSite},
		{"after too uncertain, to be read again", "leakage_not_higher_after", func(j *jobUnderTest) {
			for n, masked := range []float64{1610, 1760} {
				m := j.test(n)
				m.Method, m.HousePressurePa = domain.Subtraction, new(50.0)
				m.Readings = []domain.Reading{{WholeCFM: new(1850.0), MaskedCFM: &masked, HouseToDuctPa: new(44.0)}}
			}
		}, MustFix, OnSite},
		{"before too uncertain, worked on since", "leakage_not_higher_after", func(j *jobUnderTest) {
			for n, masked := range []float64{1760, 1610} {
				m := j.test(n)
				m.Method, m.HousePressurePa = domain.Subtraction, new(50.0)
				m.Readings = []domain.Reading{{WholeCFM: new(1850.0), MaskedCFM: &masked, HouseToDuctPa: new(44.0)}}
			}
		}, Check, OnSite},
		{"far higher, fixed sum", "leakage_not_higher_after", func(j *jobUnderTest) {
			j.test(1).Readings[0].FlowCFM = new(400.0)
			j.jobRecord().PayBasis = domain.Deemed
		}, Check, OnSite},
		{"two methods, fixed sum", "same_method_before_after", func(j *jobUnderTest) {
			j.test(1).Method = domain.FanOutside
			j.jobRecord().PayBasis = domain.Deemed
		}, Check, NoCure},
		{"no reading after", "readings_in_order", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.After })
		}, MustFix, OnSite},
		{"no reading before", "readings_in_order", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.Before })
		}, MustFix, NoCure},
		{"no reading after, fixed sum", "readings_in_order", func(j *jobUnderTest) {
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.After })
			j.jobRecord().PayBasis = domain.Deemed
		}, Check, OnSite},
		{"lock not shown", "photos_complete", func(j *jobUnderTest) { _, id := nth[domain.EnergyIsolation](j, 0); j.dropPhotos(id, "") }, Check, NoCure},
		{"end not shown, the crew is there", "photos_complete", func(j *jobUnderTest) {
			j.visit().LeftAt = nil
			_, id := j.part(domain.TrunkEnd, "A", 0, domain.Rear)
			j.dropPhotos(id, "")
		}, MustFix, OnSite},
		{"end not shown", "photos_complete", func(j *jobUnderTest) { _, id := j.part(domain.TrunkEnd, "A", 0, domain.Rear); j.dropPhotos(id, "") }, Check, NoCure},
		{"gas crossover", "energy_isolated", func(j *jobUnderTest) {
			j.gas()
			j.crossing().TakenDownAt = when("09:31")
		}, Check, NoCure},
		{"closer than clocks tell apart", "energy_isolated", func(j *jobUnderTest) { j.isolation().VerifiedAt = when("10:02") }, Check, NoCure},
		{"as far as clocks tell apart", "energy_isolated", func(j *jobUnderTest) { j.isolation().VerifiedAt = when("10:03") }, MustFix, NoCure},
		{"a boot sealed from above after energy came back", "energy_isolated", func(j *jobUnderTest) { j.repair(2).DoneAt = at("14:55") }, Check, NoCure},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			_, v := j.judge()
			i := slices.IndexFunc(v.Findings, func(f Finding) bool { return f.Rule == row.rule })
			if i < 0 {
				t.Fatal("no finding")
			}
			if f := v.Findings[i]; f.Severity != row.want || f.Cure != row.cure {
				t.Errorf("%s %s, want %s %s", f.Severity, f.Cure, row.want, row.cure)
			}
		})
	}
}

// A fact of the home that three rules miss is one finding on the home.
func TestMissingHomeFactIsOneFinding(t *testing.T) {
	j := clean(t)
	j.home().FurnaceKind = "" // furnace_joint_treated and energy_isolated ask for it
	_, v := j.judge()
	if len(v.Findings) != 1 || v.Findings[0].Rule != "furnace_kind_recorded" || v.Findings[0].Subjects[0].Kind != domain.HomeKind {
		t.Fatal(show(v.Findings))
	}
	if v.Counts != (Counts{NotRecorded: 1}) || v.Findings[0].Severity != MustFix {
		t.Errorf("%+v, %s", v.Counts, v.Findings[0].Severity)
	}
	for _, rule := range []string{"furnace_joint_treated", "energy_isolated"} {
		if v.Of(rule).Outcomes.NotRecorded != 1 {
			t.Errorf("%s: %+v", rule, v.Of(rule))
		}
	}
	j = clean(t)
	j.home().WrapKind = ""
	if _, v = j.judge(); len(v.Findings) != 1 || v.Findings[0].Severity != Check {
		t.Fatal("the rule about wrap only asks", show(v.Findings))
	}
}

// No finding without a cure tells how the record would pass.
func TestNoCureInvitesNothing(t *testing.T) {
	for _, c := range allCases() {
		for _, ch := range slices.Concat(c.broken, c.notRecorded, c.beyond) {
			j := clean(t)
			ch.do(j)
			_, v := j.judge()
			for _, f := range v.Findings {
				if (f.Cure == NoCure) != (f.Fix == noCureFix || f.Fix == talkFix) {
					t.Errorf("%s/%s: cure %s, fix %q", f.Rule, ch.name, f.Cure, f.Fix)
				}
			}
		}
	}
}

func TestFindingsInTheCrewsOrder(t *testing.T) {
	j := clean(t)
	b, boot := j.boot("A", 3)
	bare(j, b, boot, domain.FoundLeaky, "")
	f, joint := j.part(domain.FurnaceJoint, "A", 0, "")
	bare(j, f, joint, domain.FoundLeaky, "")
	j.repair(7).EndClosure.PositionFt = new(49.0)
	j.crossing().Ends[0].CollarSealed = new(false)
	j.crossing().SagInPerFt = new(2.0)
	j.crossing().Ends[1].FastenersCount = new(1)
	j.visit().LeadID = nil
	_, v := j.judge()
	var got []string
	for _, f := range v.Findings {
		got = append(got, f.Rule)
	}
	want := "furnace_joint_treated takeoff_sealed end_closure_clear_of_outlets boot_sealed crew_certified crossover_collar_screws flex_sag"
	if strings.Join(got, " ") != want {
		t.Errorf("%s\nwant %s", strings.Join(got, " "), want)
	}
	if v.Counts != (Counts{MustFix: 4, Check: 1, Note: 1, NotRecorded: 1}) {
		t.Errorf("%+v", v.Counts)
	}
}

func TestOpenFindings(t *testing.T) {
	j := clean(t)
	j.crossing().Ends[0].FastenersCount = new(3)
	j.crossing().SagInPerFt = new(2.0)
	_, v := j.judge()
	if open := v.Open(nil); len(open) != 1 || open[0].Rule != "crossover_collar_screws" {
		t.Fatal(show(open))
	}
	ref := v.Findings[0].Ref()
	j.add(&domain.Review{JobID: j.job, Decision: domain.Reply, Finding: &ref})
	if len(v.Open(j.assemble().Reviews)) != 1 {
		t.Error("a reply of the contractor is no answer")
	}
	j.add(&domain.Review{JobID: j.job, Decision: domain.Answer, Finding: &ref})
	if open := v.Open(j.assemble().Reviews); len(open) != 0 {
		t.Error(show(open))
	}
}

// Another job among the entries is not this one.
func TestAssembleTakesItsOwnJob(t *testing.T) {
	for _, id := range []domain.UUID{{}, {255}} {
		j := clean(t)
		stranger := *j.jobRecord()
		stranger.PayBasis = domain.Deemed
		a, err := Assemble(j.job, append(j.entries(), domain.Entry{ID: id, Kind: domain.JobKind, Record: &stranger}), Outside{})
		if err != nil || a.Job.ID != j.job || a.Job.Record.PayBasis != domain.Measured {
			t.Errorf("%v, %v", a, err)
		}
	}
}

func TestAssembleRefuses(t *testing.T) {
	for name, do := range map[string]func(j *jobUnderTest, entries []domain.Entry) []domain.Entry{
		"two of one record": func(_ *jobUnderTest, e []domain.Entry) []domain.Entry { return append(e, e[20]) },
		"another job's record": func(_ *jobUnderTest, e []domain.Entry) []domain.Entry {
			return append(e, domain.Entry{ID: domain.UUID{9}, Record: &domain.Visit{JobID: domain.UUID{8}}})
		},
		"no record": func(_ *jobUnderTest, e []domain.Entry) []domain.Entry {
			return append(e, domain.Entry{ID: domain.UUID{9}})
		},
		"no job": func(_ *jobUnderTest, e []domain.Entry) []domain.Entry {
			return slices.DeleteFunc(e, func(e domain.Entry) bool { return e.Kind == domain.JobKind })
		},
	} {
		t.Run(name, func(t *testing.T) {
			j := clean(t)
			_, err := Assemble(j.job, do(j, j.entries()), Outside{})
			if domain.CodeOf(err) != domain.Invalid {
				t.Errorf("%v", err)
			}
		})
	}
	for _, i := range []int{0, 1} { // wherever in the order of ids
		j := clean(t)
		entries := j.entries()
		slices.SortFunc(entries, func(x, y domain.Entry) int { return x.ID.Compare(y.ID) })
		if _, err := Assemble(j.job, append(entries, entries[i]), Outside{}); domain.CodeOf(err) != domain.Invalid {
			t.Errorf("entry %d twice: %v", i, err)
		}
	}
	items := ExampleEvaluation().Items
	items[3].Record = nil
	if _, err := AssembleItems(nil, items); domain.CodeOf(err) != domain.Invalid {
		t.Error("an item without a record: ", err)
	}
	if _, err := AssembleItems(nil, nil); domain.CodeOf(err) != domain.Invalid {
		t.Error(err)
	}
}
