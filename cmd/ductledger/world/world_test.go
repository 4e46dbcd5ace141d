package world

import (
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/domain/rules"
)

func invented(t *testing.T, jobs int) *World {
	t.Helper()
	zone, err := time.LoadLocation("America/Los_Angeles")
	if err != nil {
		t.Fatal(err)
	}
	return New(Options{Seed: 1, Jobs: jobs, Months: 13, Contractors: 12, Now: time.Date(2026, 11, 20, 20, 0, 0, 0, time.UTC), Zone: zone, Fixtures: true})
}

// evaluate judges a job by the default rules.
func evaluate(t *testing.T, w *World, p *Plan, work []rules.Item) rules.Verdict {
	t.Helper()
	job := *p.Job
	job.State, job.Outcome = domain.SentIn, domain.Completed
	items := append([]rules.Item{{Kind: domain.JobKind, ID: p.JobID, Record: &job}, {Kind: domain.HomeKind, ID: p.HomeID, Record: p.Home}}, w.Setup...)
	assembled, err := rules.AssembleItems(w.options.Zone, append(items, work...))
	if err != nil {
		t.Fatal(err)
	}
	_, verdict := rules.ComputeAndJudge(rules.DefaultSet(), assembled)
	return verdict
}

// cured lays the cure over what was sent.
func cured(work Work) []rules.Item {
	items := append([]rules.Item(nil), work.Sent...)
	for _, c := range work.Cure {
		found := false
		for i := range items {
			if items[i].ID == c.ID {
				items[i], found = c, true
			}
		}
		if !found {
			items = append(items, c)
		}
	}
	return items
}

func TestJobsWithoutFaultHoldAllRules(t *testing.T) {
	w := invented(t, 400)
	faults := map[Fault]int{}
	for _, p := range w.Plans {
		if p.Deferred || p.Begun() {
			continue
		}
		work := p.Work()
		verdict := evaluate(t, w, p, work.Sent)
		open := verdict.Counts.MustFix + verdict.Counts.Check + verdict.Counts.NotRecorded
		if p.Fault == NoFault && open > 0 {
			t.Errorf("job without a fault: %+v", verdict.Findings[0])
			return
		}
		if p.Fault != NoFault {
			faults[p.Fault]++
			if open == 0 && !(p.Fault == LapsedFan || p.Fault == HigherAfter) { // nothing was read
				t.Errorf("%s is not found", p.Fault)
			}
		}
		if len(work.Cure) > 0 {
			verdict := evaluate(t, w, p, cured(work))
			if open := verdict.Counts.MustFix + verdict.Counts.Check + verdict.Counts.NotRecorded; open > 0 {
				t.Errorf("%s, cured: %+v", p.Fault, verdict.Findings[0])
			}
		}
	}
	t.Log(faults)
	if len(faults) < 10 {
		t.Errorf("only these faults were drawn: %v", faults)
	}
}

func TestAJobIsTheSameEachTime(t *testing.T) {
	few, many := invented(t, 24), invented(t, 24)
	for i, p := range few.Plans {
		a, b := p.Work(), many.Plans[i].Work()
		for k := range a.Sent {
			if a.Sent[k].ID != b.Sent[k].ID {
				t.Fatalf("plan %d, record %d: ids differ", i, k)
			}
		}
	}
}

func TestFixedIDsAreIDs(t *testing.T) {
	for _, text := range []string{FixedContractor, FixedLead, FixedMember, FixedInstrument, FixedCredential, FixedDevice, FixedSpareHome,
		FixedJob, FixedHome, FixedJoint, FixedBoot, FixedOtherBoot, FixedOpening} {
		if fixed(text).IsZero() {
			t.Errorf("%s is no id", text)
		}
	}
}

// A record of the future would be refused by a device's clock rule.
func TestNothingLiesAfterNow(t *testing.T) {
	w := invented(t, 100)
	records := 0
	for _, p := range w.Plans {
		if p.Worked < len(w.Days) && !w.Days[p.Worked].Add(Evening).Before(w.options.Now) {
			t.Errorf("work on day %d, after now", p.Worked)
		}
		records += len(p.Work().Sent)
	}
	t.Logf("%.1f records a job", float64(records)/float64(len(w.Plans)))
}
