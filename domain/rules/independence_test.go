package rules

import (
	"maps"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Rules that look at facts of their own: no fault of one hides or makes a
// finding of another. Others may: a duct that was left open has no patch to
// look at.
var independent = []string{
	"mastic_thickness", "cut_edge_guarded", "duct_patch_coated", "wide_gap_reinforced", "insulation_put_back",
	"end_closure_faces_air", "end_closure_fastened", "end_closure_board_set",
	"crossover_liner_depth", "crossover_collar_screws", "crossover_supported", "flex_sag",
	"instrument_in_calibration", "crew_certified", "home_not_treated_before", "tape_alone_no_seal",
}

// What a finding names, put right, removes that finding and adds none: with
// any handful of faults the findings are those of each fault alone, so taking
// one fault away takes its own findings and no other.
func TestPuttingRightRemovesItsFindingsAndNoOther(t *testing.T) {
	faults := map[string][]change{}
	for _, c := range allCases() {
		if slices.Contains(independent, c.rule) {
			for _, ch := range slices.Concat(c.broken, c.beyond) {
				if ch.also == nil {
					faults[c.rule] = append(faults[c.rule], ch)
				}
			}
		}
	}
	if len(faults) != len(independent) {
		t.Fatalf("%d rules have faults, %d are named", len(faults), len(independent))
	}
	details := func(r *rapid.T, chosen ...change) []string {
		j := clean(skipping{t, r})
		for _, ch := range chosen {
			if !try(func() { ch.do(j) }) {
				r.SkipNow()
			}
		}
		_, v := j.judge()
		list := make([]string, len(v.Findings))
		for i, f := range v.Findings {
			list[i] = f.Rule + ": " + f.Detail
		}
		slices.Sort(list)
		return list
	}
	rapid.Check(t, func(r *rapid.T) {
		rules := rapid.Permutation(slices.Sorted(maps.Keys(faults))).Draw(r, "rules")[:rapid.IntRange(2, 6).Draw(r, "many")]
		var chosen []change
		var alone []string
		for _, rule := range rules {
			ch := rapid.SampledFrom(faults[rule]).Draw(r, rule)
			chosen, alone = append(chosen, ch), append(alone, details(r, ch)...)
		}
		slices.Sort(alone)
		if together := details(r, chosen...); !slices.Equal(together, alone) {
			r.Fatalf("together\n%v\nalone\n%v", together, alone)
		}
	})
}
