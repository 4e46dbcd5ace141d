package performance

import (
	"iter"
	"math/rand/v2"
	"reflect"
	"testing"

	"ductledger/domain"
)

func step(job int, kind string, before, after int64) Step {
	return Step{JobID: id(job), RepairType: kind, Basis: BasisInterim, BeforeTenths: before, AfterTenths: after}
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
	if e.N != 6 || e.Basis != BasisInterim || got[1].Basis != BasisWholeJob || got[1].Reason != TooFewJobs {
		t.Errorf("%+v", got)
	}
	if few := got[2]; few.RepairType != "end_closure" || few.N != 4 || few.Median != nil || few.Reason != TooFewJobs {
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
