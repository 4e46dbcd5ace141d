package draws

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"ductledger/domain"
	"ductledger/domain/stat"
)

// course follows contractor 1, of whose jobs the inspector's findings are given in their order: p
// passed, f failed, r failed and may still be answered; the others' are passed but for some.
func course(t *testing.T, own string, others, othersFailed int) Course {
	t.Helper()
	var jobs []Job
	looks := map[domain.UUID]Look{}
	add := func(contractor byte, n int, look Look) {
		id := domain.UUID{0: contractor, 14: byte(n >> 8), 15: byte(n)}
		look.On = domain.Date(fmt.Sprintf("2026-%02d-%02d", 1+n/28, 1+n%28))
		jobs = append(jobs, Job{Candidate: Candidate{JobID: id, ContractorID: domain.UUID{15: contractor}, Month: "2026-01"}, DrawnA: true})
		looks[id] = look
	}
	for i, c := range own {
		add(1, i, map[rune]Look{'p': {Outcome: Passed}, 'f': {Outcome: Failed}, 'r': {Outcome: Failed, MayReply: true}, 'd': {Outcome: Failed, Disputed: true}, 'n': {Outcome: NoAccess}}[c])
	}
	for i := range others {
		look := Look{Outcome: Passed}
		if i < othersFailed {
			look.Outcome = Failed
		}
		add(2, i, look)
	}
	jobs = append(jobs, Job{Candidate: Candidate{JobID: domain.UUID{0: 9}, ContractorID: domain.UUID{15: 1}}, DrawnB: true}) // by its risk: tells nothing
	looks[domain.UUID{0: 9}] = Look{Outcome: Failed, On: "2026-01-01"}
	c, err := CourseOf(jobs, looks, domain.UUID{15: 1}, "One")
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// With p1 = .05, p2 = .20, α = .05, β = .10: k = ln 4.75, h1 = ln 9.5/k = 1.4449, h2 = ln 18/k =
// 1.8550, s = ln 1.1875/k = .11029; without a failure it decides at 14 jobs, 14·.11029 > 1.4449,
// and three of ten are too many, 1.8550 + 1.1029 < 3 (Wald's formulas [calc]).
func TestCourseDecides(t *testing.T) {
	for _, c := range []struct {
		own      string
		decision stat.SequentialDecision
		more     int
		decided  int
	}{
		{"pppp", "", 10, 0}, {"ffff", "", 0, 0}, {"ppppp", stat.SequentialMore, 9, 0}, {strings.Repeat("p", 13), stat.SequentialMore, 1, 0}, {strings.Repeat("p", 14), stat.SequentialGood, 0, 0},
		{"pppppppff", stat.SequentialMore, 23, 0}, {"pppppppfff", stat.SequentialBad, 0, 0}, {"fffff", stat.SequentialBad, 0, 0}, // five at least
		{strings.Repeat("p", 14) + "p", "", 13, 1}, {strings.Repeat("p", 14) + "fffff", stat.SequentialBad, 0, 1},
	} {
		got := course(t, c.own, 40, 3)
		s := got.Sequential
		if s.Running.Decision != c.decision || s.MoreCount != c.more && c.decision != stat.SequentialBad && c.own != "ffff" || len(s.Decided) != c.decided {
			t.Errorf("%s: %+v, %d more, %d decided", c.own, s.Running, s.MoreCount, len(s.Decided))
		}
	}
	if s := course(t, "p", 0, 0).Sequential; math.Abs(s.GoodIntercept-1.4449) > 5e-5 || math.Abs(s.BadIntercept-1.8550) > 5e-5 || math.Abs(s.Slope-.11029) > 5e-6 {
		t.Errorf("the lines: %+v", s)
	}
}

// A failure that may still be answered is not passed over: nothing after it counts, so that no
// decision for the contractor rests on silence; nor does it speak against him.
func TestCourseStopsBeforeAnOpenReply(t *testing.T) {
	for _, open := range []string{"r", "d"} {
		c := course(t, "ppppppppppppp"+open+"ppppp", 40, 3)
		if c.InspectedCount != 13 || c.FailedCount != 0 || c.WaitingCount != 6 || c.Sequential.Running.Decision != stat.SequentialMore || !strings.Contains(c.Sequential.Statement, "may still be answered") {
			t.Errorf("%s: %+v", open, c)
		}
	}
	if c := course(t, "ppnnnpp", 40, 3); c.InspectedCount != 4 { // no answer is none
		t.Errorf("%+v", c)
	}
}

// Of a contractor like the others nothing stands out; a run of failures does, and one failure
// alone never, however rare failures are.
func TestCourseWatches(t *testing.T) {
	for _, c := range []struct {
		own                  string
		others, othersFailed int
		signals              int
	}{{"pppppfpppppppp", 100, 8, 0}, {"ppppfff", 100, 8, 1}, {"ppppffff", 100, 8, 2}, {"ppppfpppp", 400, 0, 0}, {strings.Repeat("f", 4), 100, 8, 0}, {"fffffff", 9, 0, 0}} {
		got := course(t, c.own, c.others, c.othersFailed)
		told := len(c.own) >= leastTold && c.others >= leastPooled
		if got.Sum.SignalsCount != c.signals || (got.Sum.Limit != nil) != told || (got.Sum.Reason == "") != told {
			t.Errorf("%+v: %+v", c, got.Sum)
		}
	}
	// (8 + ½)/(100 + 1) is expected [calc].
	if s := course(t, "ppppffff", 100, 8).Sum; math.Abs(*s.ExpectedRatio-8.5/101) > 1e-12 {
		t.Errorf("%+v", s)
	}
}

// Months of few jobs are put together; a month in which much fails is beyond its exact limit.
func TestFailedMonths(t *testing.T) {
	var jobs []Job
	looks := map[domain.UUID]Look{}
	n := 0
	month := func(name string, inspected, failed int) {
		for i := range inspected {
			n++
			id := domain.UUID{14: byte(n >> 8), 15: byte(n)}
			jobs = append(jobs, Job{Candidate: Candidate{JobID: id, Month: name}, DrawnA: true})
			looks[id] = Look{Outcome: Passed}
			if i < failed {
				looks[id] = Look{Outcome: Failed}
			}
		}
	}
	month("2026-01", 12, 1)
	month("2026-02", 4, 0)
	month("2026-03", 7, 1)
	month("2026-05", 12, 10)
	month("2026-06", 3, 0)
	got, err := FailedMonths(jobs, looks)
	if err != nil || len(got) != 3 {
		t.Fatalf("%+v, %v", got, err)
	}
	for i, want := range []FailedMonth{{From: "2026-01", Until: "2026-01", InspectedCount: 12, FailedCount: 1}, {From: "2026-02", Until: "2026-03", InspectedCount: 11, FailedCount: 1},
		{From: "2026-05", Until: "2026-06", InspectedCount: 15, FailedCount: 10, Signal: true}} {
		m := got[i]
		if m.From != want.From || m.Until != want.Until || m.InspectedCount != want.InspectedCount || m.FailedCount != want.FailedCount || m.Signal != want.Signal || !m.Exact || m.Low >= m.High {
			t.Errorf("%+v, want %+v", m, want)
		}
	}
	if got, err := FailedMonths(jobs[:12], looks); err != nil || len(got) != 0 {
		t.Errorf("one point is no chart: %+v, %v", got, err)
	}
}
