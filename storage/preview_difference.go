package storage

import (
	"slices"

	"ductledger/domain/rules"
)

// differences compares two verdicts on one job: what the first has and the
// second has not, and the other way round. A finding that keeps rule,
// subjects, outcome and severity is the same one, also where the limit that it
// was judged by is another.
func differences(before, after []rules.Finding) (gone, come []rules.Finding) {
	return without(before, after), without(after, before)
}

func without(list, other []rules.Finding) (left []rules.Finding) {
	for i := range list {
		f := &list[i]
		if !slices.ContainsFunc(other, func(g rules.Finding) bool {
			return g.Outcome == f.Outcome && g.Severity == f.Severity && g.Is(f.Ref())
		}) {
			left = append(left, *f)
		}
	}
	return left
}

// newTotals has a row for each rule, in the order of the work.
func newTotals() *PreviewTotals {
	t := &PreviewTotals{}
	for _, key := range rules.Keys() {
		t.Rules = append(t.Rules, PreviewRule{Rule: key})
	}
	return t
}

// add counts one job.
func (t *PreviewTotals) add(before, after rules.Verdict, gone, come []rules.Finding, changed, refused bool) {
	t.Jobs++
	if changed {
		t.Changed++
	}
	if refused {
		t.Refused++
	}
	for i := range t.Rules {
		r := &t.Rules[i]
		addOutcomes(&r.Before, before.Of(r.Rule).Outcomes)
		addOutcomes(&r.After, after.Of(r.Rule).Outcomes)
		of := func(f rules.Finding) bool { return f.Rule == r.Rule }
		if slices.ContainsFunc(gone, of) || slices.ContainsFunc(come, of) {
			r.Changed++
		}
	}
}

func addOutcomes(sum *rules.Outcomes, o rules.Outcomes) {
	sum.Holds += o.Holds
	sum.Broken += o.Broken
	sum.NotRecorded += o.NotRecorded
	sum.NotApplicable += o.NotApplicable
	sum.NotJudged += o.NotJudged
	sum.Waived += o.Waived
}
