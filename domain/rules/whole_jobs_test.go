package rules

import (
	"slices"
	"strings"
	"testing"

	"ductledger/domain"
)

// lengthwise turns the home's joists: no risers, one joint at a boot, brackets.
func (j *jobUnderTest) lengthwise() { j.home().JoistDirection = domain.Lengthwise }

// tripleSection adds to the clean job a section C, described, repaired and
// shown as B is, and joined to it by a crossover of its own.
func tripleSection(t testing.TB) *jobUnderTest {
	j := clean(t)
	h := j.home()
	h.SectionCount, h.DuctedSections = 3, []domain.Section{"A", "B", "C"}
	twins := map[domain.UUID]domain.UUID{} // of records of B, in C
	for _, i := range slices.Clone(j.items) {
		switch r := i.Record.(type) {
		case *domain.Component:
			if r.Section == "B" {
				twin := *r
				twin.Section = "C"
				twins[i.ID] = j.add(&twin)
			}
		case *domain.Crossover:
			twin := *r
			twin.FromSection, twin.ToSection = "B", "C"
			twin.Ends = []domain.CrossoverEnd{r.Ends[0], r.Ends[1]}
			twin.Ends[0].Section, twin.Ends[1].Section = "B", "C"
			twin.Ends[0].PositionFt, twin.Ends[1].PositionFt = new(32.0), new(32.0)
			twins[i.ID] = j.add(&twin)
		}
	}
	for _, i := range slices.Clone(j.items) {
		switch r := i.Record.(type) {
		case *domain.Opening:
			if r.Origin == domain.FoundEnlarged {
				twin := *r
				twin.Section, twin.PositionFt = "C", new(32.0)
				twin.Target = &domain.Subject{Kind: domain.CrossoverKind, ID: twins[r.Target.ID]}
				twins[i.ID] = j.add(&twin)
			}
		case *domain.Repair:
			twin := *r
			twin.ComponentIDs = nil
			for _, id := range r.ComponentIDs {
				if twins[id] != (domain.UUID{}) {
					twin.ComponentIDs = append(twin.ComponentIDs, twins[id])
				}
			}
			if r.CrossoverID != nil {
				id := twins[*r.CrossoverID]
				twin.CrossoverID = &id
			}
			if len(twin.ComponentIDs) > 0 || twin.CrossoverID != nil {
				if r.EndClosure != nil {
					closure := *r.EndClosure
					twin.EndClosure = &closure
				}
				j.add(&twin)
			}
		}
	}
	for _, i := range slices.Clone(j.items) {
		if p, ok := i.Record.(*domain.Photo); ok {
			if id := twins[p.Subjects[0].ID]; !id.IsZero() {
				twin, subject := *p, p.Subjects[0]
				subject.ID = id
				switch subject.Section {
				case "A":
					subject.Section = "B"
				case "B":
					subject.Section = "C"
				}
				twin.Subjects = []domain.PhotoSubject{subject}
				j.add(&twin)
			}
		}
	}
	return j
}

// Whole invented jobs with known faults: exactly these findings come, in the
// order of the crew's way, and no other.
func TestWholeJobs(t *testing.T) {
	electricSingle := func(t testing.TB) *jobUnderTest {
		j := singleSection(t)
		j.home().FurnaceKind, j.home().CombustionAppliances, j.visit().Combustion = domain.ElectricFurnace, []string{}, nil
		return j
	}
	gasDouble := func(t testing.TB) *jobUnderTest { j := clean(t); j.gas(); j.lengthwise(); return j }
	end := func(j *jobUnderTest, section domain.Section, end domain.End) *domain.EndClosure {
		_, id := j.part(domain.TrunkEnd, section, 0, end)
		for _, i := range j.items {
			if r, ok := i.Record.(*domain.Repair); ok && slices.Contains(r.ComponentIDs, id) {
				return r.EndClosure
			}
		}
		j.Fatalf("nothing closes %s %s", section, end)
		return nil
	}
	for _, row := range []struct {
		name   string
		job    func(testing.TB) *jobUnderTest
		faults func(j *jobUnderTest)
		want   []string // rule, severity, named record
	}{
		{"single, lengthwise, gas, well done", singleSection, func(*jobUnderTest) {}, nil},
		{"single, lengthwise, electric, well done", electricSingle, func(*jobUnderTest) {}, nil},
		{"single, crosswise, electric, well done", electricSingle, func(j *jobUnderTest) { j.home().JoistDirection = domain.Crosswise }, nil},
		{"double, crosswise, electric, well done", clean, func(*jobUnderTest) {}, nil},
		{"double, lengthwise, gas, well done", gasDouble, func(*jobUnderTest) {}, nil},
		{"triple, crosswise, electric, well done", tripleSection, func(*jobUnderTest) {}, nil},
		{"triple, lengthwise, gas, well done", tripleSection, func(j *jobUnderTest) { j.gas(); j.lengthwise() }, nil},

		{"single, lengthwise, gas: bad air, a loose boot and a weak bracket", singleSection, func(j *jobUnderTest) {
			j.visit().Combustion.AmbientCOPpm = new(40.0)
			r := j.repair(3) // boots A2 and A5
			r.Fasteners, r.Materials = nil, append(r.Materials, domain.Bracket)
			r.BracketTrunkScrewsCount, r.BracketOtherLegFastened = new(2), new(true)
			c, id := j.boot("A", 7)
			bare(j, c, id, domain.FoundLeaky, "")
		}, []string{
			"boot_sealed must_fix boot A7",
			"combustion_checked must_fix visit of 2026-10-14",
			"trunk_bracket_screws check repair of boots A2, A5",
			"carbon_monoxide_told note visit of 2026-10-14",
		}},
		{"single, crosswise, electric: no lock, one end open, nobody looked in", electricSingle, func(j *jobUnderTest) {
			j.home().JoistDirection = domain.Crosswise
			_, lock := nth[domain.EnergyIsolation](j, 0)
			j.dropPhotos(lock, "")
			j.dropAll(domain.EnergyIsolationKind)
			c, id := j.part(domain.TrunkEnd, "A", 0, domain.Front)
			j.drop(func(i Item) bool {
				r, ok := i.Record.(*domain.Repair)
				return ok && slices.Contains(r.ComponentIDs, id)
			})
			c.Found = domain.FoundMissing
			dropSurvey(j)
		}, []string{
			"energy_isolated must_fix opening in trunk A at 20.4 ft, for furnace joint A",
			"trunk_end_treated must_fix trunk end A front",
			"survey_before_cutting check trunk A",
			"photos_complete check this job",
		}},
		{"double, crosswise, electric: the crossover banded by hand, on the soil, one turn short", clean, func(j *jobUnderTest) {
			x := j.crossing()
			x.Ends[0].OuterBandToolTightened, x.Ends[1].LinerTurnsCount = new(false), new(1.0)
			x.ClearanceIn, x.SupportSpacingFt = new(0.0), new(6.5)
			j.opening(3).Closure.WrapJoining = "tape"
		}, []string{
			"crossover_ties_tensioned must_fix crossover A→B",
			"crossover_off_ground must_fix crossover A→B",
			"wrap_closure_material check opening in the wrap of section B at 24.0 ft, for crossover A→B",
			"crossover_liner_depth check crossover A→B",
			"crossover_supported check crossover A→B",
		}},
		{"double, lengthwise, gas: crossover before the lock is a question, tape is no seal, a lapsed tester", gasDouble, func(j *jobUnderTest) {
			j.crossing().TakenDownAt = when("09:41")
			j.repair(1).Materials = []domain.Material{domain.Tape}
			one[domain.Credential](j, 1).ValidUntilOn = "2026-10-13"
			j.test(1).TakenAt = at("14:00")
		}, []string{
			"tape_alone_no_seal must_fix repair of trunk A",
			"readings_in_order must_fix after reading of 14:00 (total leakage by fan)",
			"combustion_checked must_fix visit of 2026-10-14",
			"energy_isolated check crossover A→B",
		}},
		{"triple, crosswise, electric: the second crossover was left alone, a sloped blank starves a register", tripleSection, func(j *jobUnderTest) {
			x, id := nth[domain.Crossover](j, 1)
			x.Action, x.TakenDownAt = domain.LeftAlone, nil
			j.dropPhotos(id, "")
			end(j, "C", domain.Rear).PositionFt = new(50.0)
			end(j, "B", domain.Rear).BackToEndWall = new(false)
		}, []string{
			"crossover_taken_down must_fix crossover B→C",
			"end_closure_clear_of_outlets must_fix sloped blank at trunk end C rear",
			"end_closure_faces_air check sloped blank at trunk end B rear",
		}},
		{"triple, lengthwise, gas: nothing feeds C", tripleSection, func(j *jobUnderTest) {
			j.gas()
			j.lengthwise()
			_, id := nth[domain.Crossover](j, 1)
			j.dropPhotos(id, "")
			j.drop(func(i Item) bool {
				r, repair := i.Record.(*domain.Repair)
				o, cut := i.Record.(*domain.Opening)
				return i.ID == id || repair && r.CrossoverID != nil && *r.CrossoverID == id || cut && o.Target != nil && o.Target.ID == id
			})
		}, []string{"section_reached must_fix this home"}},
		{"triple, lengthwise, gas: C has a furnace of its own, whose joint nobody described", tripleSection, func(j *jobUnderTest) {
			j.gas()
			j.lengthwise()
			secondFurnace(j, "C")
		}, []string{"furnace_joint_treated must_fix this job"}},
		{"double, packaged unit outdoors, a fixed sum: no reading is owed, the lead's paper is", clean, func(j *jobUnderTest) {
			packaged(j)
			j.jobRecord().PayBasis = domain.Deemed
			for n := range 2 {
				_, id := nth[domain.Measurement](j, n)
				j.dropPhotos(id, "")
			}
			j.dropAll(domain.MeasurementKind)
			one[domain.Credential](j, 0).ValidUntilOn = "2026-09-30"
		}, []string{"crew_certified must_fix visit of 2026-10-14"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			j := row.job(t)
			row.faults(j)
			_, v := j.judge()
			var got []string
			for _, f := range v.Findings {
				name, _, _ := strings.Cut(f.Detail, ": ")
				got = append(got, f.Rule+" "+string(f.Severity)+" "+name)
			}
			if !slices.Equal(got, row.want) {
				t.Errorf("%d findings, want %d:\n%s\nwant\n%s", len(got), len(row.want), strings.Join(got, "\n"), strings.Join(row.want, "\n"))
			}
		})
	}
}
