package rules

import (
	"slices"
	"testing"

	"ductledger/domain"
	"ductledger/domain/leakage"
)

// interim adds a reading between the two of the invented job.
func (j *jobUnderTest) interim(clock string, cfm float64, after ...domain.UUID) *domain.Measurement {
	m := *j.test(0)
	m.Stage, m.TakenAt, m.AfterRepairIDs = domain.Interim, at(clock), after
	m.Readings = []domain.Reading{{PressurePa: new(25.0), FlowCFM: &cfm}}
	j.add(&m)
	return &m
}

// The invented job's repairs: furnace joint 10:40, trunk seam 10:50, crossover
// 12:05, ends to 13:00, boots to 13:40. Steps add up to before − after.
func TestStepsOfAJob(t *testing.T) {
	j := clean(t)
	j.interim("12:10", 200)
	j.interim("11:00", 240)
	r := Compute(j.set(), j.assemble())
	if r.Steps == nil {
		t.Fatal(r.StepsReason)
	}
	want := []struct {
		kinds []string
		cfm25 float64
	}{
		{[]string{"furnace_joint", "trunk_seam"}, 318 - 240},
		{[]string{"crossover"}, 240 - 200},
		{[]string{"boot", "trunk_end"}, 200 - *r.AfterCFM25},
	}
	if len(r.Steps.Steps) != len(want) || len(r.Steps.MeasurementIDs) != len(want) {
		t.Fatalf("%+v", r.Steps)
	}
	sum := 0.0
	for i, w := range want {
		s := r.Steps.Steps[i]
		near(t, s.RepairKinds[0], &s.ReductionCFM25, w.cfm25, 1e-9)
		if !slices.Equal(s.RepairKinds, w.kinds) || s.Shared != (len(w.kinds) > 1) || !s.Distinguishable {
			t.Errorf("step %d is %+v, want %v", i, s, w.kinds)
		}
		sum += s.ReductionCFM25
	}
	near(t, "sum", &sum, *r.ReductionCFM25, 1e-9)
	if !r.Steps.AddUp || r.Steps.MethodVersion != leakage.StepsVersion {
		t.Errorf("%+v", r.Steps)
	}
}

func TestStepsThatAreNone(t *testing.T) {
	for _, row := range []struct {
		name   string
		do     func(j *jobUnderTest)
		steps  int
		reason bool
	}{
		{"no reading in between", func(*jobUnderTest) {}, 0, false},
		{"a reading of another method", func(j *jobUnderTest) { j.interim("11:00", 240).Method = domain.FanOutside }, 0, false},
		{"a reading before the first", func(j *jobUnderTest) { j.interim("09:00", 240) }, 0, false},
		{"a reading that nothing was repaired for", func(j *jobUnderTest) { j.interim("09:30", 310) }, 0, true},
		{"no reading after", func(j *jobUnderTest) {
			j.interim("11:00", 240)
			j.drop(func(i Item) bool { m, ok := i.Record.(*domain.Measurement); return ok && m.Stage == domain.After })
		}, 0, false},
		{"the repairs that it names, whatever the clock", func(j *jobUnderTest) {
			_, boots := nth[domain.Repair](j, 2)
			j.interim("11:00", 240, boots)
		}, 2, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			row.do(j)
			r := Compute(j.set(), j.assemble())
			steps := 0
			if r.Steps != nil {
				steps = len(r.Steps.Steps)
			}
			if steps != row.steps || (r.StepsReason != "") != row.reason {
				t.Errorf("%d steps, reason %q", steps, r.StepsReason)
			}
		})
	}
}

// A step within 1.96·√(u² + u²) is not told from no change.
func TestSmallStep(t *testing.T) {
	j := clean(t)
	j.interim("11:00", 316)
	r := Compute(j.set(), j.assemble())
	if s := r.Steps.Steps[0]; s.Distinguishable || s.Says == "" {
		t.Errorf("%+v", s)
	}
}

// A home at 40 Pa: 2 Pa there are 2.5 Pa at 50 Pa, in proportion.
func TestPanSummary(t *testing.T) {
	j := clean(t)
	j.pan(domain.Before, "09:25", 2).HousePressurePa = new(40.0)
	after := j.pan(domain.After, "15:10", 0.2)
	after.Readings[3] = domain.Reading{ComponentID: after.Readings[3].ComponentID, NotReadReason: "under the bed"}
	r := Compute(j.set(), j.assemble())
	near(t, "max before", r.PanBefore.MaxPa, 2.5, 1e-12)
	near(t, "median before", r.PanBefore.MedianPa, 2.5, 1e-12)
	if *r.PanBefore.OverTargetCount != 14 || !slices.Equal(r.PanBefore.SharedTrunks, []string{"A", "B"}) || r.PanBefore.Note == "" {
		t.Errorf("before %+v", r.PanBefore)
	}
	if p := r.PanAfter; p.RegistersCount != 13 || p.NotReadCount != 1 || *p.OverTargetCount != 0 || *p.IndistinctCount != 13 {
		t.Errorf("after %+v", p)
	}
	j.pan(domain.After, "15:20", 0.4)
	j.pan(domain.After, "14:50", 9)
	if r := Compute(j.set(), j.assemble()); *r.PanAfter.MaxPa != 0.4 {
		t.Errorf("the last pass counts, not %+v", r.PanAfter)
	}
	j.test(2).HousePressurePa = nil
	if r := Compute(j.set(), j.assemble()); r.PanBefore.MaxPa != nil || r.PanBefore.Reason == "" {
		t.Error("readings without the home's pressure cannot be compared")
	}
	j.limit("pan_target", "target_pa", 3)
	j.test(2).HousePressurePa = new(40.0)
	if r := Compute(j.set(), j.assemble()); *r.PanBefore.OverTargetCount != 0 {
		t.Error("the program's own target is not used")
	}
}
