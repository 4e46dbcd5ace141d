package rules

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// What a sentence says beside that something is wrong.
func TestDetails(t *testing.T) {
	correct := func(j *jobUnderTest, times ...string) {
		old, id := nth[domain.Measurement](j, 1)
		for _, clock := range times {
			m := *old
			m.TakenAt, m.Replaces, m.Reason = at(clock), &id, "a test"
			j.add(&m)
		}
	}
	for _, row := range []struct {
		name, rule string
		do         func(j *jobUnderTest)
		want       string
	}{
		{"the outermost of two outlets", "end_closure_clear_of_outlets",
			func(j *jobUnderTest) { j.repair(7).EndClosure.PositionFt = new(43.0) },
			"sloped blank at trunk end B rear: it stands at 43.0 ft, on the wrong side of register B7 at 51.0 ft, which gets no air."},
		{"the outermost of two at the front", "end_closure_clear_of_outlets",
			func(j *jobUnderTest) { j.repair(4).EndClosure.PositionFt = new(12.0) },
			"sloped blank at trunk end A front: it stands at 12.0 ft, on the wrong side of register A1 at 4.0 ft, which gets no air."},
		{"boot A3 at 18 ft, furnace at 20 ft", "wide_gap_reinforced", func(j *jobUnderTest) { j.limit("wide_gap_reinforced", "within_ft", 2) },
			"repair of boots A1, A3, A4, A6 and 7 more: a gap of 0.25 in was closed without mesh or sheet metal; the program wants either within 2.0 ft of the furnace."},
		{"outside its own trunk, not the other", "end_closure_clear_of_outlets",
			func(j *jobUnderTest) { c, _ := j.part(domain.Trunk, "B", 0, ""); c.EndFt = new(52.5) },
			"sloped blank at trunk end B rear: it stands at 53.0 ft, outside the trunk, which ends at 52.5 ft."},
		{"on the right side, but not as far as asked", "end_closure_clear_of_outlets",
			func(j *jobUnderTest) { j.limit("end_closure_clear_of_outlets", "clear_over_in", 18) },
			"sloped blank at trunk end A front: it stands at 2.5 ft, 18 in clear of register A1 at 4.0 ft; the program wants more than 18 in."},
		{"the nearest isolation", "energy_isolated", func(j *jobUnderTest) {
			i := *j.isolation()
			j.isolation().IsolatedAt, j.isolation().VerifiedAt = when("10:04"), when("10:06")
			i.IsolatedAt, i.VerifiedAt = when("11:30"), when("11:31")
			j.add(&i)
		}, "opening in trunk A at 20.4 ft, for furnace joint A: it was opened 09:58, energy was isolated 10:04 and verified 10:06; the program wants both before."},
		{"released too early", "energy_isolated", func(j *jobUnderTest) { j.isolation().ReleasedAt = when("11:00") },
			"opening in trunk A at 20.4 ft, for furnace joint A: it was closed 11:05, energy had been released 11:00."},
		{"both times are shown", "times_stand", func(j *jobUnderTest) {
			now, id := nth[domain.EnergyIsolation](j, 0)
			was := *now
			was.IsolatedAt, was.VerifiedAt = when("10:04"), when("10:06")
			j.outside.Past = []domain.Entry{{Kind: was.Kind(), ID: id, Version: 1, Position: 1, Record: &was}}
		}, "energy isolation of 09:40: isolated: 10:04, now 09:40; verified: 10:06, now 09:42."},
		{"both values are shown", "facts_stand_after_return", func(j *jobUnderTest) {
			x, id := nth[domain.Crossover](j, 0)
			was := *x
			was.Ends = append([]domain.CrossoverEnd{}, x.Ends...)
			was.Ends[0].FastenersCount, was.Ends[1].CollarSealed, was.ClearanceIn, was.Action = new(3), new(false), new(0.5), domain.Refitted
			review := j.add(&domain.Review{JobID: j.job, Decision: domain.Return, ReasonCodes: []string{"a_test"}})
			j.since = map[domain.UUID]int64{review: 2, id: 3}
			j.outside.Past = []domain.Entry{{Kind: was.Kind(), ID: id, Version: 1, Position: 1, Record: &was}}
		}, "crossover A→B: action: refitted, now replaced; end A, fasteners: 3, now 4; end B, collar sealed: no, now yes; clearance: 0.5 in, now 2.5 in."},
		{"both corrections are named", "replaced_twice", func(j *jobUnderTest) { correct(j, "15:10", "15:12") },
			"after reading of 15:10 (total leakage by fan) and after reading of 15:12 (total leakage by fan): both replace the after reading of 15:05 (total leakage by fan)."},
		{"the voided part is named", "parent_not_voided", func(j *jobUnderTest) { _, id := j.boot("A", 3); j.void[id] = true },
			"repair of boots A1, A3, A4, A6 and 7 more: it refers to boot A3, which was voided."},
		{"why a reading cannot be computed", "readings_in_order", func(j *jobUnderTest) {
			j.test(1).Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(100.0)}, {PressurePa: new(25.0), FlowCFM: new(110.0)}}
		}, "this job: not recorded: a reading after that can be computed (all 2 pressures are 25 Pa: an exponent needs a difference)."},
		{"the reading before is missing, the one after cannot be computed", "readings_in_order", func(j *jobUnderTest) {
			_, id := nth[domain.Measurement](j, 0)
			j.test(1).Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(100.0)}, {PressurePa: new(25.0), FlowCFM: new(110.0)}}
			j.drop(func(i Item) bool { return i.ID == id })
		}, "this job: not recorded: the reading before, a reading after that can be computed (all 2 pressures are 25 Pa: an exponent needs a difference)."},
		{"the second of two crossovers of a section", "end_closure_clear_of_outlets", func(j *jobUnderTest) {
			x := *j.crossing()
			x.FromSection, x.ToSection, x.Ends = "B", "C", []domain.CrossoverEnd{x.Ends[1], x.Ends[1]}
			x.Ends[0].PositionFt, x.Ends[1].Section = new(54.0), "C"
			j.add(&x)
		}, "sloped blank at trunk end B rear: it stands at 53.0 ft, on the wrong side of the collar of crossover B→C at 54.0 ft, which gets no air."},
		{"a fast clock", "device_clock", func(j *jobUnderTest) { j.offset = new(400.0) }, "this device: its clock was 400 s fast; the program wants within 300 s."},
		{"a slow clock", "device_clock", func(j *jobUnderTest) { j.offset = new(-400.0) }, "this device: its clock was 400 s slow; the program wants within 300 s."},
		{"a fault and a missing fact of one end", "crossover_ties_tensioned", func(j *jobUnderTest) {
			end := &j.crossing().Ends[1]
			end.InnerBandNew, end.OuterBandNew = new(false), nil
		}, "crossover A→B: the band on the core is not new at end B; not recorded: whether the band on the jacket is new at end B."},
		{"times carry their day where a job took two", "readings_in_order", func(j *jobUnderTest) {
			v := *j.visit()
			v.VisitedOn = "2026-10-15"
			j.add(&v)
			j.test(1).TakenAt = at("14:25")
		}, "after reading of 14 Oct 14:25 (total leakage by fan): it was taken 14 Oct 14:25; the program wants it after the last repair or closure, 14 Oct 14:30."},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			_, v := j.judge()
			i := slices.IndexFunc(v.Findings, func(f Finding) bool { return f.Rule == row.rule })
			if i < 0 {
				t.Fatal("no finding")
			}
			if v.Findings[i].Detail != row.want {
				t.Errorf("%s\nwant %s", v.Findings[i].Detail, row.want)
			}
		})
	}
}

func TestFixOfAMissingFact(t *testing.T) {
	j := clean(t)
	j.opening(1).Closure.MasticOver = nil
	_, v := j.judge()
	if !strings.HasPrefix(v.Findings[0].Fix, "Look again and record whether mastic") || v.Findings[0].Parameters != nil {
		t.Error(show(v.Findings))
	}
}

// What was not read or done is not to be typed in: the fix says to do it, or
// to leave it alone.
func TestFixesThatAreNotJustTyping(t *testing.T) {
	for _, row := range []struct {
		rule string
		do   func(j *jobUnderTest)
		fix  string
	}{
		{"combustion_checked", func(j *jobUnderTest) { j.gas(); j.visit().Combustion = nil }, combustionFix},
		{"furnace_joint_treated", func(j *jobUnderTest) {
			c, id := j.part(domain.FurnaceJoint, "A", 0, "")
			bare(j, c, id, domain.FoundTight, "")
			j.dropPhotos(id, "")
		}, "Take a photo that shows it tight, or seal it."},
		{"takeoff_sealed", func(j *jobUnderTest) { tightCollar(j) }, "Take a photo that shows the collar at end B tight, or seal it."},
		{"takeoff_sealed", func(j *jobUnderTest) { tightCollar(j); j.crossing().Ends[0].CollarSealed = nil },
			"Look again and record whether the collar at end A is sealed to the trunk, a photo that shows the collar at end B tight."},
		{"energy_isolated", func(j *jobUnderTest) { j.isolation().VerifiedByID = nil }, talkFix},
	} {
		j := clean(t)
		row.do(j)
		_, v := j.judge()
		if f := v.Findings[0]; f.Rule != row.rule || f.Outcome != NotRecorded || f.Fix != row.fix {
			t.Errorf("%s: %s", row.rule, show(f))
		}
	}
}

// A photo that is missing beside a fault is not what cures the fault.
func TestAFaultBesideAMissingPhoto(t *testing.T) {
	j := clean(t)
	tightCollar(j)
	j.crossing().Ends[0].CollarSealed = new(false)
	_, v := j.judge()
	if f := v.Findings[0]; f.Rule != "takeoff_sealed" || f.Outcome != Broken || f.Fix != takeoffSealed.Fix {
		t.Error(show(f))
	}
}

// tightCollar is one at end B that was found tight, and nothing shows it.
func tightCollar(j *jobUnderTest) {
	end := &j.crossing().Ends[1]
	end.CollarSealed, end.CollarFound = nil, domain.FoundTight
	_, id := nth[domain.Crossover](j, 0)
	j.drop(func(i Item) bool {
		p, ok := i.Record.(*domain.Photo)
		return ok && p.Subjects[0].ID == id && p.Subjects[0].Section == "B"
	})
}

// The caution of a stop is about what stopped the work.
func TestCautionOfAStop(t *testing.T) {
	for reason, want := range map[string]Hazard{"gas": CombustionGas, "co": CombustionGas, "wet_wiring": Electricity,
		"old_material": OldMaterials, "heat": HeatInSpace, "sewage": CrawlSpace, "other": CrawlSpace} {
		j := clean(t)
		j.visit().Stops = []domain.Stop{{Reason: reason, At: at("13:30")}}
		_, v := j.judge()
		if len(v.Findings) != 1 || v.Findings[0].Caution != want.Caution() || want.Caution() == "" {
			t.Errorf("%s: %s", reason, show(v.Findings))
		}
	}
}

func TestWorkedOn(t *testing.T) {
	j := clean(t)
	for _, v := range []domain.Visit{{VisitedOn: "2026-10-20"}, {VisitedOn: "2026-10-09"}, {VisitedOn: "2026-10-01", CallBackID: &domain.UUID{3}}} {
		v.JobID = j.job
		j.add(&v)
	}
	if day := j.assemble().WorkedOn(); day != "2026-10-09" {
		t.Error(day)
	}
}

// [calc] u² = u_flow² + (0.6·u_pressure)² + 0.02² at 25 Pa, limits e^±1.96·u.
func TestInstrumentsOwnAccuracy(t *testing.T) {
	for _, row := range []struct {
		name           string
		flow, pressure *float64
		u              float64
	}{
		{"assumed", nil, nil, math.Sqrt(0.03*0.03/3 + 0.36*0.01*0.01/3 + 0.0004)},
		{"its own", new(0.05), new(0.02), math.Sqrt(0.05*0.05/3 + 0.36*0.02*0.02/3 + 0.0004)},
		{"none", new(0.0), new(0.0), 0.02},
		{"the widest", new(1.0), new(1.0), math.Sqrt(1.0/3 + 0.36/3 + 0.0004)},
		{"out of bounds, so the assumed", new(1.5), new(-0.1), math.Sqrt(0.03*0.03/3 + 0.36*0.01*0.01/3 + 0.0004)},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			i := one[domain.Instrument](j, 0)
			i.FlowAccuracyRatio, i.PressureAccuracyRatio = row.flow, row.pressure
			r := Compute(j.set(), j.assemble())
			near(t, "high", r.BeforeCFM25High, 318*math.Exp(1.96*row.u), 1e-9)
			near(t, "low", r.BeforeCFM25Low, 318*math.Exp(-1.96*row.u), 1e-9)
		})
	}
}

func TestThreeCorrectionsAreOneFinding(t *testing.T) {
	j := clean(t)
	old, id := nth[domain.Measurement](j, 1)
	for _, clock := range []string{"15:10", "15:11", "15:12"} {
		m := *old
		m.TakenAt, m.Replaces = at(clock), &id
		j.add(&m)
	}
	_, v := j.judge()
	if o := v.Of("replaced_twice").Outcomes; o.Broken != 1 {
		t.Errorf("%+v", o)
	}
}

// The last visit: of the latest day, and of two on that day the greater id.
func TestLastVisit(t *testing.T) {
	j := clean(t)
	second, earlier := *j.visit(), *j.visit()
	earlier.VisitedOn = "2026-10-13"
	id := j.add(&second)
	j.add(&earlier)
	if got := j.assemble().lastVisit(); got != id {
		t.Errorf("%s, want %s", got, id)
	}
}
