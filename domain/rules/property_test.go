package rules

import (
	"bytes"
	"encoding/json"
	"slices"
	"testing"

	"ductledger/domain"

	"pgregory.net/rapid"
)

// faulty is a job with a drawn handful of the faults of all cases.
func faulty(t testing.TB, r *rapid.T) *jobUnderTest {
	var broken []change
	for _, c := range allCases() {
		broken = append(broken, slices.Concat(c.broken, c.notRecorded)...)
	}
	j := clean(t)
	for range rapid.IntRange(0, 4).Draw(r, "faults") {
		ch := broken[rapid.IntRange(0, len(broken)-1).Draw(r, "fault")]
		if !try(func() { ch.do(j) }) { // the fault is about something that an earlier one removed
			r.SkipNow()
		}
	}
	return j
}

// try tells whether a change could be made at all. A case may rest on a part
// that another case took away; only tests combine them.
func try(do func()) (done bool) {
	defer func() {
		if recover() != nil {
			done = false
		}
	}()
	do()
	return true
}

func (j *jobUnderTest) bytes() []byte {
	result, verdict := j.judge()
	text, err := json.Marshal([]any{result, verdict})
	if err != nil {
		j.Fatal(err)
	}
	return text
}

// The order in which records came changes no byte.
func TestOrderOfRecordsChangesNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		j := faulty(skipping{t, r}, r)
		want := j.bytes()
		j.items = rapid.Permutation(j.items).Draw(r, "order")
		if got := j.bytes(); !bytes.Equal(got, want) {
			r.Fatalf("%s\n\nin another order:\n%s", want, got)
		}
	})
}

// skipping lets a case that does not fit be skipped, not failed.
type skipping struct {
	testing.TB
	r *rapid.T
}

func (s skipping) Fatalf(string, ...any) { s.r.SkipNow() }
func (s skipping) Fatal(...any)          { s.r.SkipNow() }

// A record that no rule of the job looks at changes no finding.
func TestUnrelatedRecordChangesNoFinding(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		j := faulty(skipping{t, r}, r)
		_, before := j.judge()
		unrelated := []domain.Record{
			&domain.CrewMember{ContractorID: j.jobRecord().ContractorID, Name: "Invented Member 9"},
			&domain.Credential{ContractorID: &j.jobRecord().ContractorID, Credential: domain.Insurance, ValidFromOn: "2026-01-01"},
			&domain.Instrument{Instrument: domain.Gauge, Serial: "INV-9"},
			&domain.Home{SectionCount: 1},
			&domain.Review{JobID: j.job, Decision: domain.Reply, Text: "a reply"},
			&domain.CallBack{JobID: j.job, ReportedOn: "2026-11-16", Reason: "cold room"},
			&domain.Inspection{JobID: j.job, Purpose: "final", InspectedOn: "2026-10-21", InspectorName: "Invented Inspector", Result: "passed"},
			&domain.Waiver{JobID: j.job, Finding: domain.FindingRef{Rule: "flex_sag", Subjects: []domain.Subject{{Kind: domain.JobKind, ID: j.job}}}, Reason: "a test"},
			&domain.Measurement{JobID: j.job, Method: domain.FanTotal, Stage: domain.Interim, InstrumentID: j.test(0).InstrumentID,
				TakenAt: at("12:15"), Readings: []domain.Reading{{PressurePa: new(25.0), FlowCFM: new(200.0)}}},
		}
		j.add(rapid.SampledFrom(unrelated).Draw(r, "unrelated"))
		_, after := j.judge()
		if show(before.Findings) != show(after.Findings) {
			r.Fatalf("%s\n\nafter:\n%s", show(before.Findings), show(after.Findings))
		}
	})
}

// What a finding says can be put right: one after the other, each removes its
// finding and brings no other.
func TestFixingTheExample(t *testing.T) {
	j := &jobUnderTest{TB: t, example: &example{items: ExampleEvaluation().Items}}
	for _, item := range j.items {
		if item.Kind == domain.JobKind {
			j.job = item.ID
		}
	}
	_, v := j.judge()
	fixes := map[string]func(){
		"energy_isolated": func() { // no entry cures it: only a waiver does
			j.next = 0x1000
			j.add(&domain.Waiver{JobID: j.job, Finding: v.Findings[0].Ref(), Reason: "crew trained again", AgreedConsequence: "no pay for the trip", SafetyTalkOn: "2026-10-20"})
		},
		"end_closure_clear_of_outlets": func() { j.repair(7).EndClosure.PositionFt = new(53.0) },
		"crossover_collar_screws":      func() { j.crossing().Ends[0].FastenersCount = new(4) },
	}
	left := v.Findings
	for len(left) > 0 {
		fixed := left[0].Rule
		fixes[fixed]()
		_, v := j.judge()
		if len(v.Findings) != len(left)-1 {
			t.Fatalf("fixing %s leaves %s", fixed, show(v.Findings))
		}
		for i, f := range v.Findings {
			if f.Rule != left[i+1].Rule {
				t.Errorf("after fixing %s comes %s", fixed, f.Rule)
			}
		}
		left = v.Findings
	}
}

// More of a good thing never breaks a rule that is about a least number, and
// less of it never mends one.
func TestMonotone(t *testing.T) {
	rows := []struct {
		rule string
		set  func(j *jobUnderTest, x float64)
	}{
		{"crossover_collar_screws", func(j *jobUnderTest, x float64) { j.crossing().Ends[0].FastenersCount = new(int(x)) }},
		{"crossover_liner_depth", func(j *jobUnderTest, x float64) { j.crossing().Ends[0].LinerTurnsCount = new(x) }},
		{"duct_patch_overlap", func(j *jobUnderTest, x float64) { j.opening(1).Closure.PatchLapIn = new(x) }},
		{"crossover_off_ground", func(j *jobUnderTest, x float64) { j.crossing().ClearanceIn = new(x) }},
		{"crossover_size_kept", func(j *jobUnderTest, x float64) { j.crossing().InsulationR = new(x) }},
		{"crossover_supported", func(j *jobUnderTest, x float64) { j.crossing().SupportSpacingFt = new(10 - x) }},
		{"flex_sag", func(j *jobUnderTest, x float64) { j.crossing().SagInPerFt = new(10 - x) }},
		{"wide_gap_reinforced", func(j *jobUnderTest, x float64) { j.repair(2).WidestGapIn = new((10 - x) / 10) }},
		{"opening_has_target", func(j *jobUnderTest, x float64) { j.opening(3).PositionFt = new(24 + (10-x)/2) }},
		{"end_closure_clear_of_outlets", func(j *jobUnderTest, x float64) { j.repair(7).EndClosure.PositionFt = new(45 + x) }},
		{"pan_target", func(j *jobUnderTest, x float64) { j.asksPan(); j.test(3).Readings[4].PanPa = new((10 - x) / 5) }},
		{"combustion_checked", func(j *jobUnderTest, x float64) { j.gas(); j.visit().Combustion.AmbientCOPpm = new(10 * (10 - x)) }},
		{"leakage_not_higher_after", func(j *jobUnderTest, x float64) { j.test(1).Readings[0].FlowCFM = new(100 * (10.5 - x)) }},
	}
	rapid.Check(t, func(r *rapid.T) {
		row := rapid.SampledFrom(rows).Draw(r, "rule")
		low := rapid.Float64Range(0, 10).Draw(r, "low")
		high := rapid.Float64Range(low, 10).Draw(r, "high")
		broken := func(x float64) int {
			j := clean(t)
			row.set(j, x)
			_, v := j.judge()
			return v.Of(row.rule).Outcomes.Broken
		}
		if broken(high) > broken(low) {
			r.Fatalf("%s holds at %v and is broken at %v", row.rule, low, high)
		}
	})
}
