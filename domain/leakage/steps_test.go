package leakage

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"ductledger/domain/stat"

	"pgregory.net/rapid"
)

func stepped(cfm25, u float64, kinds ...string) SteppedReading {
	return SteppedReading{RepairKinds: kinds, LeakageCFM25: cfm25, UncertaintyCFM25: u}
}

func TestSteps(t *testing.T) {
	got, err := Steps(
		stepped(320, 8),
		[]SteppedReading{
			stepped(210, 6, "furnace_joint"),
			stepped(200, 6, "crossover"),
			stepped(230, 6, "trunk_end"),
		},
		stepped(120, 4, "boot", "takeoff"))
	if err != nil {
		t.Fatal(err)
	}
	// By hand [calc]: u = √(64+36) = 10, √72, √72, √52; 1.96·u = 19.6, 16.63, 16.63, 14.13.
	for i, want := range []struct {
		reduction, u float64
		told, shared bool
		says         string
	}{
		{110, 10, true, false, "tell this step"},
		{10, math.Sqrt(72), false, false, "smaller than its uncertainty"},
		{-30, math.Sqrt(72), true, false, "rose"},
		{110, math.Sqrt(52), true, true, "tell this step"},
	} {
		s := got.Steps[i]
		if s.ReductionCFM25 != want.reduction || math.Abs(s.UncertaintyCFM25-want.u) > 1e-12 ||
			s.Distinguishable != want.told || s.Shared != want.shared || !strings.Contains(s.Says, want.says) {
			t.Errorf("step %d: %+v, want %+v", i, s, want)
		}
	}
	if math.Abs(got.Steps[0].LowCFM25-90.4) > 1e-12 || math.Abs(got.Steps[0].HighCFM25-129.6) > 1e-12 {
		t.Errorf("first step's range %v to %v, want 90.4 to 129.6", got.Steps[0].LowCFM25, got.Steps[0].HighCFM25)
	}
	if got.SumCFM25 != 200 || got.ReductionCFM25 != 200 || !got.AddUp || !got.Distinguishable {
		t.Errorf("whole: %+v", got)
	}
	if math.Abs(got.UncertaintyCFM25-math.Sqrt(80)) > 1e-12 {
		t.Errorf("u of the whole %v, want √(8² + 4²)", got.UncertaintyCFM25)
	}
}

// A step of exactly 1.96·u is not over it; without interim readings the one
// step is the job's.
func TestStepAtTheLimit(t *testing.T) {
	at, err := Steps(stepped(100+19.6, 6), nil, stepped(100, 8, "boot"))
	if err != nil {
		t.Fatal(err)
	}
	over, err := Steps(stepped(100+19.7, 6), nil, stepped(100, 8, "boot"))
	if err != nil {
		t.Fatal(err)
	}
	if at.Steps[0].Distinguishable || !over.Steps[0].Distinguishable || len(at.Steps) != 1 {
		t.Errorf("at the limit %+v, over it %+v", at.Steps, over.Steps)
	}
}

func TestStepsAddUp(t *testing.T) {
	reading := rapid.Custom(func(t *rapid.T) SteppedReading {
		return stepped(rapid.Float64Range(0, mostStepCFM25).Draw(t, "cfm25"), rapid.Float64Range(0, 50).Draw(t, "u"), "boot")
	})
	rapid.Check(t, func(t *rapid.T) {
		before := reading.Draw(t, "before")
		before.RepairKinds = nil
		interim := rapid.SliceOfN(reading, 0, mostSteps-1).Draw(t, "interim")
		after := reading.Draw(t, "after")
		got, err := Steps(before, interim, after)
		if err != nil {
			t.Fatal(err)
		}
		if !got.AddUp || math.Abs(got.SumCFM25-(before.LeakageCFM25-after.LeakageCFM25)) > 1e-9 {
			t.Fatalf("steps sum to %v, before − after is %v", got.SumCFM25, got.ReductionCFM25)
		}
		if len(got.Steps) != len(interim)+1 {
			t.Fatalf("%d steps of %d interim readings", len(got.Steps), len(interim))
		}
	})
}

func TestStepsRefused(t *testing.T) {
	good, done := stepped(100, 2), stepped(50, 2, "boot")
	for _, c := range []struct {
		name     string
		before   SteppedReading
		interim  []SteppedReading
		after    SteppedReading
		code     string
		argument string
	}{
		{"below zero", stepped(-1, 2), nil, done, stat.OutOfRange, "/before/leakage_cfm25"},
		{"not a number", good, []SteppedReading{done, stepped(math.NaN(), 2, "boot")}, done, stat.NotFinite, "/interim/1/leakage_cfm25"},
		{"endless uncertainty", good, nil, stepped(50, math.Inf(1), "boot"), stat.NotFinite, "/after/uncertainty_cfm25"},
		{"more than any duct", stepped(2e5, 2), nil, done, stat.OutOfRange, "/before/leakage_cfm25"},
		{"no repair", good, []SteppedReading{good}, done, stat.NotComplete, "/interim/0/repair_kinds"},
		{"no repair at the end", good, nil, good, stat.NotComplete, "/after/repair_kinds"},
		{"empty repair", good, nil, stepped(50, 2, "boot", " "), stat.NotComplete, "/after/repair_kinds/1"},
		{"repaired before", done, nil, done, stat.OutOfRange, "/before/repair_kinds"},
		{"too many", good, make([]SteppedReading, mostSteps), done, stat.TooMany, "/interim"},
	} {
		_, err := Steps(c.before, c.interim, c.after)
		var r *stat.Refusal
		if !errors.As(err, &r) || r.Code != c.code || r.Argument != c.argument {
			t.Errorf("%s: %v, want %s %s", c.name, err, c.code, c.argument)
		}
	}
}

// The interim test after the furnace joint says what that repair brought.
func ExampleSteps() {
	steps, err := Steps(
		SteppedReading{LeakageCFM25: 318, UncertaintyCFM25: 8.5},
		[]SteppedReading{{RepairKinds: []string{"furnace_joint"}, LeakageCFM25: 205, UncertaintyCFM25: 5.5}},
		SteppedReading{RepairKinds: []string{"boot"}, LeakageCFM25: 196, UncertaintyCFM25: 5.2})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range steps.Steps {
		fmt.Printf("%s %.0f cfm25: %s\n", s.RepairKinds[0], s.ReductionCFM25, s.Says)
	}
	// Output:
	// furnace_joint 113 cfm25: the tests tell this step from no change
	// boot 9 cfm25: smaller than its uncertainty: not distinguishable from no change by these tests
}
