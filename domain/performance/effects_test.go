package performance

import (
	"iter"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"ductledger/domain"
)

func step(job int, kind string, before, after int64) Step {
	return Step{JobID: id(job), HomeID: id(1000 + job), RepairType: kind, Basis: BasisInterim, BeforeTenths: before, AfterTenths: after}
}

// byJob gives the steps of each job together, jobs in the order of their first.
func byJob(steps ...Step) iter.Seq2[[]Step, error] {
	var jobs [][]Step
	at := map[domain.UUID]int{}
	for _, s := range steps {
		i, known := at[s.JobID]
		if !known {
			i = len(jobs)
			at[s.JobID], jobs = i, append(jobs, nil)
		}
		jobs[i] = append(jobs[i], s)
	}
	return func(yield func([]Step, error) bool) {
		for _, j := range jobs {
			if !yield(j, nil) {
				return
			}
		}
	}
}

// Six drops of 10, 20, 30, 40, 50, 90 cfm25: median 35, quarter points 22.5
// and 47.5 (type 7), interval 10 to 90 at 96.9 % [calc]. One comes in two steps.
func TestRepairEffects(t *testing.T) {
	steps := []Step{
		step(1, "boot_seal", 1000, 900), step(2, "boot_seal", 1000, 800), step(3, "boot_seal", 1000, 700),
		step(4, "boot_seal", 1000, 600), step(5, "boot_seal", 1000, 500), step(6, "boot_seal", 1000, 600), step(6, "boot_seal", 600, 100),
		step(1, "end_closure", 500, 400), step(2, "end_closure", 500, 400), step(3, "end_closure", 500, 400), step(4, "end_closure", 500, 600),
	}
	association := step(7, "boot_seal", 2000, 100)
	association.Basis = BasisWholeJob
	steps = append(steps, association)

	got, err := RepairEffects(byJob(steps...))
	if err != nil || len(got) != 3 {
		t.Fatal(got, err)
	}
	e := got[0]
	near(t, "median", e.Median, 35, 0)
	near(t, "quarter", e.MiddleLow, 22.5, 0)
	near(t, "three quarters", e.MiddleHigh, 47.5, 0)
	near(t, "low", e.Low, 10, 0)
	near(t, "high", e.High, 90, 0)
	near(t, "coverage", e.Level, .96875, 0)
	if e.N != 6 || e.Basis != BasisInterim || got[1].Basis != BasisWholeJob || got[1].Reason != TooFewHomes || e.HomesCount != 6 || e.IndependentCount != 6 {
		t.Errorf("%+v", got)
	}
	if few := got[2]; few.RepairType != "end_closure" || few.N != 4 || few.Median != nil || few.Reason != TooFewHomes {
		t.Errorf("four jobs: %+v", few)
	}

	// Five have a median and no interval.
	five, err := RepairEffects(byJob(append(steps[7:11:11], step(5, "end_closure", 500, 400))...))
	if err != nil || five[0].Median == nil || five[0].Low != nil || five[0].IntervalReason != TooFewJobs {
		t.Errorf("five jobs: %+v, %v", five, err)
	}

	rand.New(rand.NewPCG(1, 1)).Shuffle(len(steps), func(i, j int) { steps[i], steps[j] = steps[j], steps[i] })
	if again, err := RepairEffects(byJob(steps...)); err != nil || !reflect.DeepEqual(again, got) {
		t.Errorf("another order: %+v, %v", again, err)
	}
}

// Without readings in between a kind of repair has no cfm25 of its own; the whole
// jobs' reduction stands under its own name. Each class stands apart too.
func TestWholeJobsAreNoEffect(t *testing.T) {
	var steps []Step
	for i := range 6 {
		s := step(i+1, "boot_seal", 2000, int64(1000+10*i))
		s.Basis, s.HomeClass = BasisWholeJob, "double"
		steps = append(steps, s)
	}
	got, err := RepairEffects(byJob(steps...))
	if err != nil || len(got) != 2 || got[0].HomeClass != "" || got[1].HomeClass != "double" {
		t.Fatal(got, err)
	}
	for _, e := range got {
		if e.Median != nil || e.Low != nil || e.MiddleLow != nil || e.N != 6 {
			t.Errorf("an effect is made of whole jobs: %+v", e)
		}
		near(t, "whole jobs", e.JobMedian, 97.5, 1e-12)
	}
}

// Figures rest on homes, not on jobs; where all homes go together there is no
// interval, and in two runs of six alike no more than two count [calc].
func TestEffectsOfFewHomesAndRuns(t *testing.T) {
	effect := func(change func(i int, s *Step)) RepairEffect {
		t.Helper()
		var steps []Step
		for i := range 12 {
			s := step(i+1, "boot", 2000, int64(1000+10*(i/6)))
			change(i, &s)
			steps = append(steps, s)
		}
		got, err := RepairEffects(byJob(steps...))
		if err != nil {
			t.Fatal(err)
		}
		return got[0]
	}
	if e := effect(func(i int, s *Step) { s.HomeID = id(i % 4) }); e.N != 12 || e.HomesCount != 4 || e.Reason != TooFewHomes || e.Median != nil {
		t.Errorf("twelve jobs at four homes: %+v", e)
	}
	if e := effect(func(i int, s *Step) { s.HomeID = id(i % 5) }); e.HomesCount != 5 || e.Median == nil || e.Low == nil {
		t.Errorf("twelve jobs at five homes: %+v", e)
	}
	if e := effect(func(_ int, s *Step) { s.Together = 7 }); e.IndependentCount != 1 || e.Median == nil || e.Low != nil || e.IntervalReason != OneRun {
		t.Errorf("one park: %+v", e)
	}
	if e := effect(func(i int, s *Step) { s.Together = uint64(1 + i/6) }); e.IndependentCount != 2 || e.Median == nil || e.Low != nil || e.IntervalReason != TooFewJobs {
		t.Errorf("two parks alike: %+v", e)
	}
}

func TestRepairEffectsRefuse(t *testing.T) {
	for name, s := range map[string]Step{
		"no kind":        {JobID: id(1), Basis: BasisInterim},
		"no basis":       {JobID: id(1), RepairType: "boot_seal"},
		"negative":       step(1, "boot_seal", -1, 0),
		"beyond any fan": step(1, "boot_seal", MaxTenths+1, 0),
	} {
		if _, err := RepairEffects(byJob(s)); err == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
	if got, err := RepairEffects(byJob()); err != nil || got == nil || len(got) != 0 {
		t.Errorf("no steps: %v, %v", got, err)
	}
}

func TestStepsOf(t *testing.T) {
	joint, boot1, boot2, end := id(11), id(12), id(13), id(14)
	kinds := map[domain.UUID]string{joint: "furnace_joint", boot1: "boot", boot2: "boot", end: "trunk_end"}
	morning := time.Date(2026, 10, 14, 9, 0, 0, 0, time.UTC)
	read := func(hour int, tenths int64, pressure float64, repairs ...domain.UUID) StageReading {
		return StageReading{ID: id(100 + hour), Method: "fan_total", TakenAt: morning.Add(time.Duration(hour) * time.Hour), Tenths: tenths, PressurePa: pressure, Repairs: repairs}
	}
	other := read(2, 1, 25, joint)
	other.Method = "fan_outside"
	step := func(kind string, before, after int64) Step {
		return Step{JobID: id(1), RepairType: kind, Basis: BasisInterim, BeforeTenths: before, AfterTenths: after}
	}
	for _, c := range []struct {
		name     string
		readings []StageReading
		steps    []Step
		reasons  []string
	}{
		{"no reading", nil, nil, nil},
		{"one reading", []StageReading{read(0, 3180, 25)}, nil, nil},
		{"one kind in the whole job", []StageReading{read(0, 3180, 25), read(6, 1210, 25.1, boot1, boot2)}, []Step{step("boot", 3180, 1210)}, nil},
		{"steps in any order add up", []StageReading{read(6, 1210, 25.1, joint, boot1, boot2), read(0, 3180, 25), read(3, 2500, 25, joint)},
			[]Step{step("furnace_joint", 3180, 2500), step("boot", 2500, 1210)}, nil},
		{"several kinds between", []StageReading{read(0, 3180, 25), read(3, 2500, 25, joint, end), read(6, 1210, 25, joint, end, boot1)},
			[]Step{step("boot", 2500, 1210)}, []string{SeveralKinds}},
		{"twice the same", []StageReading{read(0, 3180, 25), read(1, 3170, 25)}, nil, []string{NoRepair}},
		{"fewer repairs later", []StageReading{read(3, 2500, 25, joint), read(6, 1210, 25, boot1)}, nil, []string{NotInOrder}},
		{"at the pressures' limit", []StageReading{read(0, 3180, 25), read(6, 1210, 25.5, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
		{"other pressures", []StageReading{read(0, 3180, 25), read(6, 1210, 20, boot1)}, nil, []string{PressuresDrift}},
		{"lines through several", []StageReading{read(0, 3180, 0), read(6, 1210, 0, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
		{"another method is passed over", []StageReading{read(0, 3180, 25), other, read(6, 1210, 25, boot1)}, []Step{step("boot", 3180, 1210)}, nil},
	} {
		steps, reasons := StepsOf(id(1), c.readings, kinds)
		if !slices.Equal(steps, c.steps) || !slices.Equal(reasons, c.reasons) {
			t.Errorf("%s: %v %v, want %v %v", c.name, steps, reasons, c.steps, c.reasons)
		}
	}
}
