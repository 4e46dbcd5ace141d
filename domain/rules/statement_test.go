package rules

import (
	"testing"

	"ductledger/domain"
)

// One statement about five boots is judged as five records of their own would
// be: as many parts hold, are broken, and are read.
func TestStatementsCountTheirParts(t *testing.T) {
	j := clean(t)
	many := stated(j, 1, 4, 5, 6, 7)
	_, v := j.judge()
	if len(v.Findings) > 0 {
		t.Fatal(show(v.Findings))
	}
	_, own := clean(t).judge()
	for _, rule := range []string{"boot_sealed", "survey_before_cutting", "photos_complete"} {
		if got, want := v.Of(rule).Outcomes, own.Of(rule).Outcomes; got != want {
			t.Errorf("%s: %+v, five records give %+v", rule, got, want)
		}
	}
	r := j.repair(2)
	r.ComponentIDs = r.ComponentIDs[:len(r.ComponentIDs)-1]
	_, v = j.judge()
	if o := v.Of("boot_sealed").Outcomes; o.Broken != 5 || len(v.Findings) != 1 {
		t.Errorf("%+v, %s", o, show(v.Findings))
	}
	if want := "boots B1, B4, B5, B6 and 1 more: found leaky, and nothing repairs it."; v.Findings[0].Detail != want {
		t.Errorf("%q, want %q", v.Findings[0].Detail, want)
	}
	many.Found = domain.FoundTight
	if _, v = j.judge(); len(v.Findings) > 0 {
		t.Error(show(v.Findings))
	}
}

// A pan pass reads each boot of a statement by its number.
func TestStatementsInPanPasses(t *testing.T) {
	j := clean(t)
	stated(j, 1, 4, 5, 6, 7)
	j.asksPan()
	var id domain.UUID
	for _, i := range j.items {
		if c, ok := i.Record.(*domain.Component); ok && len(c.Numbers) > 0 {
			id = i.ID
		}
	}
	for _, i := range j.items {
		m, ok := i.Record.(*domain.Measurement)
		if !ok || m.Method != domain.Pan {
			continue
		}
		for n := range m.Readings {
			if *m.Readings[n].ComponentID == id {
				m.Readings[n].Number = new(1)
				for _, number := range []int{4, 5, 6, 7} {
					line := m.Readings[n]
					line.Number = &number
					m.Readings = append(m.Readings, line)
				}
				break
			}
		}
	}
	_, v := j.judge()
	if o := v.Of("pan_target").Outcomes; len(v.Findings) > 0 || o.Holds != 14 {
		t.Fatalf("%+v, %s", o, show(v.Findings))
	}
	last := one[domain.Measurement](j, 3)
	last.Readings[len(last.Readings)-1].PanPa = new(3.0)
	last.Readings = append(last.Readings[:len(last.Readings)-2], last.Readings[len(last.Readings)-1])
	_, v = j.judge()
	if o := v.Of("every_register_read").Outcomes; o.Broken != 1 || v.Of("pan_target").Outcomes.Broken == 0 {
		t.Errorf("%+v, %s", o, show(v.Findings))
	}
}

// What is done again takes its parts from the repair before, and only those.
func TestRedone(t *testing.T) {
	for _, row := range []struct {
		name string
		do   func(j *jobUnderTest, old domain.UUID)
		want int // findings
	}{
		{"left as it was", func(*jobUnderTest, domain.UUID) {}, 1},
		{"all of it", func(j *jobUnderTest, old domain.UUID) { again(j, old, j.repair(2).ComponentIDs, "13:50") }, 0},
		{"all of it, no part named", func(j *jobUnderTest, old domain.UUID) { again(j, old, nil, "13:50") }, 0},
		{"one part: the rest stands as it was", func(j *jobUnderTest, old domain.UUID) { again(j, old, j.repair(2).ComponentIDs[:1], "13:50") }, 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := clean(t)
			_, old := nth[domain.Repair](j, 2)
			j.repair(2).Materials = []domain.Material{domain.Tape}
			row.do(j, old)
			_, v := j.judge()
			if len(v.Findings) != row.want {
				t.Error(show(v.Findings))
			}
		})
	}
}

func again(j *jobUnderTest, old domain.UUID, parts []domain.UUID, clock string) {
	j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairBoot, ComponentIDs: parts, Access: domain.FromAbove, DoneAt: at(clock),
		Materials: []domain.Material{domain.Mastic}, WidestGapIn: new(0.25), RedoesID: &old})
}

// Before a job is sent in, what is missing is a list of notes in the order of
// the crawl, no longer than a phone's screen; it counts as ever.
func TestListOfWhatIsStillToBeEntered(t *testing.T) {
	const lines = 12
	j := newStatedJob(t, statedPlan{[]domain.Section{"A", "B"}, domain.GasFurnace, "A", domain.MetalTrunk, domain.Crosswise})
	j.nothingDone()
	job := j.jobRecord()
	job.State, job.Outcome = domain.InWork, ""
	j.visit().LeftAt, j.visit().Air, j.visit().Combustion = nil, nil, nil
	for _, section := range []domain.Section{"B", "A"} {
		j.add(&domain.Component{JobID: j.job, Component: domain.Trunk, Section: section, Found: domain.FoundTight})
		j.add(&domain.Component{JobID: j.job, Component: domain.Boot, Section: section, Number: new(2), PositionFt: new(9.0)})
	}
	_, v := j.judge()
	if len(v.Findings) > lines {
		t.Errorf("%d lines", len(v.Findings))
	}
	var trunks, boots []domain.Section
	for _, f := range v.Findings {
		if f.Outcome == NotRecorded && f.Severity != Note {
			t.Errorf("not a note: %s", show(f))
		}
		if c, ok := j.assemble().record(f.Subjects[0]).(*domain.Component); ok && f.Outcome == NotRecorded {
			switch c.Component {
			case domain.Trunk:
				if len(trunks) == 0 || trunks[len(trunks)-1] != c.Section {
					trunks = append(trunks, c.Section)
				}
				if len(boots) > 0 && boots[len(boots)-1] == c.Section {
					t.Error("a boot before its trunk")
				}
			case domain.Boot:
				boots = append(boots, c.Section)
			}
		}
	}
	if len(trunks) != 2 || trunks[0] != "A" || len(boots) != 2 || boots[0] != "A" {
		t.Errorf("trunks %v, boots %v: not in the order of the crawl\n%s", trunks, boots, show(v.Findings))
	}
	if v.Counts.NotRecorded == 0 || v.Counts.Note != 0 {
		t.Errorf("%+v", v.Counts)
	}
	job.State, job.Outcome = domain.SentIn, domain.Completed
	if _, v = j.judge(); v.Findings[0].Severity != MustFix {
		t.Error("a job that is sent in owes them")
	}
}
