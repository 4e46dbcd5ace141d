package rules

import (
	"encoding/json"
	"slices"
	"testing"

	"ductledger/domain"
)

// change is one thing that a case does to the clean job; also names the other
// rules that it breaks besides.
type change struct {
	name string
	do   func(j *jobUnderTest)
	also []string
}

// ruleCases are the cases of one rule. Each outcome has at least one, or
// cannot says why it has none. atLimit holds exactly at the limit; beyond is
// just over it and broken.
type ruleCases struct {
	rule          string
	broken        []change
	notRecorded   []change // not judged, where the rule keeps silent
	notApplicable []change
	atLimit       []change
	beyond        []change
	holds         []change          // besides the clean job
	cannot        map[string]string // case → why there is none
}

func allCases() []ruleCases {
	return slices.Concat(trunkCases(), openingCases(), repairCases(), furnaceCases(), endCases(), crossoverCases(),
		energyCases(), measurementCases(), recordCases(), visitCases(), homeCases(), homeFactCases())
}

const (
	noLimit       = "a yes or no has no limit"
	noFact        = "what it looks at is not a fact that the crew may leave out"
	alwaysApplies = "the clean job has one, and without it another rule speaks"
)

// Every rule has every case, or says why not; a new rule without cases fails
// here.
func TestEveryRuleHasItsCases(t *testing.T) {
	seen := map[string]int{}
	_, v := clean(t).judge()
	for _, c := range allCases() {
		seen[c.rule]++
		if _, excused := c.cannot["holds"]; excused != (v.Of(c.rule).Outcomes.Holds == 0 && len(c.holds)+len(c.atLimit) == 0) {
			t.Errorf("%s: no case holds, the clean job neither, excused: %v", c.rule, excused)
		}
		if _, excused := c.cannot["broken"]; excused != (len(c.broken)+len(c.beyond) == 0) {
			t.Errorf("%s: nothing to waive, excused: %v", c.rule, excused)
		}
		for name, n := range map[string]int{"broken": len(c.broken), "not_recorded": len(c.notRecorded),
			"not_applicable": len(c.notApplicable), "at_the_limit": len(c.atLimit)} {
			if _, excused := c.cannot[name]; (n == 0) != excused {
				t.Errorf("%s: %d cases %s, excused: %v", c.rule, n, name, excused)
			}
		}
		if len(c.atLimit) > 0 && len(c.beyond) == 0 {
			t.Errorf("%s: a case at the limit needs one beyond it", c.rule)
		}
	}
	for _, key := range Keys() {
		if seen[key] != 1 {
			t.Errorf("%s has %d sets of cases, want 1", key, seen[key])
		}
	}
	if len(seen) != len(all) {
		t.Errorf("cases for %d rules, there are %d", len(seen), len(all))
	}
}

func TestCleanJobHasNoFinding(t *testing.T) {
	_, v := clean(t).judge()
	if len(v.Findings) != 0 {
		t.Fatal(show(v.Findings))
	}
}

func TestRules(t *testing.T) {
	for _, c := range allCases() {
		rule := all[placeOf(c.rule)]
		for _, ch := range c.holds {
			t.Run(c.rule+"/holds/"+ch.name, func(t *testing.T) {
				o := judged(t, c.rule, ch)
				if o.Holds == 0 || o.Broken+o.NotRecorded > 0 {
					t.Errorf("%+v", o)
				}
			})
		}
		for _, ch := range c.atLimit {
			t.Run(c.rule+"/at_the_limit/"+ch.name, func(t *testing.T) {
				o := judged(t, c.rule, ch)
				if o.Holds == 0 || o.Broken+o.NotRecorded > 0 {
					t.Errorf("%+v", o)
				}
			})
		}
		for _, ch := range slices.Concat(c.broken, c.beyond) {
			t.Run(c.rule+"/broken/"+ch.name, func(t *testing.T) {
				o := judged(t, c.rule, ch)
				if o.Broken == 0 {
					t.Errorf("%+v", o)
				}
			})
			t.Run(c.rule+"/waived/"+ch.name, func(t *testing.T) { waive(t, c.rule, ch) })
		}
		for _, ch := range c.notRecorded {
			t.Run(c.rule+"/not_recorded/"+ch.name, func(t *testing.T) {
				o := judged(t, c.rule, ch)
				if o.Broken > 0 || rule.Missing == Silent && (o.NotJudged == 0 || o.NotRecorded > 0) || rule.Missing != Silent && o.NotRecorded == 0 {
					t.Errorf("%+v", o)
				}
			})
		}
		for _, ch := range c.notApplicable {
			t.Run(c.rule+"/not_applicable/"+ch.name, func(t *testing.T) {
				o := judged(t, c.rule, ch)
				if o.NotApplicable == 0 || o.Broken+o.NotRecorded+o.Holds+o.NotJudged > 0 {
					t.Errorf("%+v", o)
				}
			})
		}
	}
}

// judged applies one change to the clean job and demands that no finding comes
// but of the rule itself and of those that the case names, and at least one of
// each of these.
func judged(t *testing.T, rule string, ch change) Outcomes {
	t.Helper()
	j := clean(t)
	ch.do(j)
	_, v := j.judge()
	for _, f := range v.Findings {
		if f.Rule != rule && !slices.Contains(ch.also, f.Rule) {
			t.Errorf("also %s", show(f))
		}
		if f.Detail == "" || f.Why == "" || f.Fix == "" || len(f.Subjects) == 0 {
			t.Errorf("a finding says too little: %s", show(f))
		}
	}
	for _, other := range ch.also {
		if !slices.ContainsFunc(v.Findings, func(f Finding) bool { return f.Rule == other }) {
			t.Errorf("no finding of %s: %s", other, show(v.Findings))
		}
	}
	tally := v.Of(rule)
	if tally.Outcomes.NotApplicable > 0 && len(tally.Because) == 0 {
		t.Error("not applicable without a fact")
	}
	return tally.Outcomes
}

// waive lifts the findings of a case: then they are counted and not listed.
func waive(t *testing.T, rule string, ch change) {
	j := clean(t)
	ch.do(j)
	_, before := j.judge()
	waivers := 0
	for _, f := range before.Findings {
		if f.Rule == rule {
			ref := f.Ref()
			slices.Reverse(ref.Subjects) // their order is not the finding's
			j.add(&domain.Waiver{JobID: j.job, Finding: ref, Reason: "a test", AgreedConsequence: "none", SafetyTalkOn: "2026-10-20"})
			waivers++
		}
	}
	_, after := j.judge()
	if o := after.Of(rule).Outcomes; o.Waived != waivers || o.Broken != 0 ||
		slices.ContainsFunc(after.Findings, func(f Finding) bool { return f.Rule == rule }) {
		t.Errorf("%d waivers, %+v", waivers, o)
	}
	if len(after.Findings) != len(before.Findings)-waivers {
		t.Errorf("%d findings before, %d after %d waivers", len(before.Findings), len(after.Findings), waivers)
	}
}

func show(v any) string {
	text, _ := json.MarshalIndent(v, "", "  ")
	return string(text)
}
