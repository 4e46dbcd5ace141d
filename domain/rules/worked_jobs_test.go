package rules

import (
	"encoding/csv"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
)

var update = flag.Bool("update", false, "write the worked jobs to testdata")

// workedJobs are the published jobs, testdata/jobs/<name>.json: bodies for
// POST /v1/evaluations. What must be found in each stands in findings.csv,
// written by hand from the work that the job describes.
var workedJobs = []struct {
	name string
	plan statedPlan
	do   func(j *statedJob)
}{
	// One boot stands in neither the statement nor a record of its own, and a
	// patch laps half an inch; it is coated and fastened.
	{"single_gas_metal", statedPlan{[]domain.Section{"A"}, domain.GasFurnace, "A", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		one[domain.Component](j.jobUnderTest, 1).Numbers = []int{1, 2, 5, 6}
		j.opening(1).Closure.PatchLapIn = new(0.5)
	}},
	// A hole that was found in the trunk was left open.
	{"single_electric_board", statedPlan{[]domain.Section{"A"}, domain.ElectricFurnace, "A", domain.BoardTrunk, domain.Crosswise}, func(j *statedJob) {
		one[domain.Component](j.jobUnderTest, 0).Found = domain.FoundHoled
		j.add(&domain.Opening{JobID: j.job, In: domain.InDuct, Origin: domain.FoundOpen, Section: "A", PositionFt: new(33.0)})
	}},
	// Well done, and said in as few words as can be.
	{"double_electric_metal", statedPlan{[]domain.Section{"A", "B"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Crosswise}, func(*statedJob) {}},
	// A blank is turned round, the loose boot of A gives no air, and at one end
	// of the crossover fewer turns were felt than the program wants.
	{"double_heat_pump_metal", statedPlan{[]domain.Section{"A", "B"}, domain.HeatPump, "B", domain.MetalTrunk, domain.Crosswise}, func(j *statedJob) {
		j.closing("A", domain.Rear).BackToEndWall = new(false)
		v := j.visit()
		v.Air.EveryOutlet, v.Air.WithoutIDs = new(false), []domain.UUID{j.loose["A"]}
		j.crossing().Ends[1].TurnsFelt = new(false)
	}},
	// The second crossover could not be reached, and the photo of a closed end
	// was lost; the crew has left.
	{"triple_gas_metal", statedPlan{[]domain.Section{"A", "B", "C"}, domain.GasFurnace, "B", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		id := j.crossings[1]
		j.withoutWorkOn(id)
		x := one[domain.Crossover](j.jobUnderTest, 1)
		*x = domain.Crossover{JobID: j.job, FromSection: "B", ToSection: "C", Crossover: domain.FlexRound, Action: domain.LeftAlone, NotReachedReason: "behind a concrete footing"}
		j.dropPhotos(j.ends["C"][1], "")
	}},
	// Put off with a code; nobody says what would let the work begin.
	{"deferred", statedPlan{[]domain.Section{"A"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		j.nothingDone()
		job := j.jobRecord()
		job.Outcome, job.DeferCodes = domain.DeferredWork, []domain.DeferCode{domain.DeferSewage}
		v := j.visit()
		v.Air, v.LeftAt, v.Stops = nil, when("08:50"), []domain.Stop{{Reason: "sewage", At: at("08:40")}}
		_, visit := nth[domain.Visit](j.jobUnderTest, 0)
		j.photo("08:42", domain.SurveyStage, domain.PhotoSubject{Kind: domain.VisitKind, ID: visit})
	}},
	// Dark before the boots were done: all but the loose one are left as found.
	{"partial", statedPlan{[]domain.Section{"A"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		j.drop(func(i Item) bool {
			r, ok := i.Record.(*domain.Repair)
			return ok && slices.Contains(r.ComponentIDs, j.boots["A"])
		})
		job := j.jobRecord()
		job.Outcome, job.OutcomeReason = domain.Partial, "the light failed; the boots are done on another day"
	}},
	{"refused", statedPlan{[]domain.Section{"A"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		j.nothingDone()
		job := j.jobRecord()
		job.Outcome, job.OutcomeReason = domain.Refused, "the resident does not want the work"
		j.dropAll(domain.VisitKind)
	}},
	// After a complaint a boot was done again, with tape alone.
	{"call_back", statedPlan{[]domain.Section{"A"}, domain.ElectricFurnace, "A", domain.MetalTrunk, domain.Lengthwise}, func(j *statedJob) {
		later := func(clock string) *time.Time { t := at(clock).AddDate(0, 0, 20); return &t }
		complaint := j.add(&domain.CallBack{JobID: j.job, ReportedOn: "2026-11-01", Reason: "cold_room"})
		lead, member := j.lead(), j.member()
		j.add(&domain.Visit{JobID: j.job, VisitedOn: "2026-11-03", LeadID: &lead, CrewIDs: []domain.UUID{lead, member}, ArrivedAt: later("09:00"), LeftAt: later("11:00"), CallBackID: &complaint, Stops: []domain.Stop{}})
		lock := *j.isolation()
		lock.IsolatedAt, lock.VerifiedAt, lock.ReleasedAt = later("09:20"), later("09:24"), later("10:30")
		id := j.add(&lock)
		j.photo("09:25", domain.BeforeStage, domain.PhotoSubject{Kind: domain.EnergyIsolationKind, ID: id, Shows: domain.ShowsLock})
		old := j.repairOf(j.loose["A"])
		j.add(&domain.Repair{JobID: j.job, Repair: domain.RepairBoot, ComponentIDs: []domain.UUID{j.loose["A"]}, Access: domain.FromAbove, DoneAt: *later("10:00"),
			Materials: []domain.Material{domain.Tape}, WidestGapIn: new(0.125), FastenersEach: new(4), RedoesID: &old})
	}},
	// It says completed, and holds nothing but home and job.
	{"nothing_shown", statedPlan{[]domain.Section{"A", "B"}, domain.GasFurnace, "A", domain.MetalTrunk, domain.Crosswise}, func(j *statedJob) {
		j.nothingDone()
		j.dropAll(domain.VisitKind)
	}},
}

// nothingDone leaves what the office knew before the crew drove out, and the
// visit.
func (j *statedJob) nothingDone() {
	j.dropAll(domain.ComponentKind, domain.CrossoverKind, domain.OpeningKind, domain.RepairKind, domain.EnergyIsolationKind, domain.MeasurementKind, domain.PhotoKind)
}

// withoutWorkOn removes what was opened for a crossover, done to it and shown.
func (j *statedJob) withoutWorkOn(crossover domain.UUID) {
	j.dropPhotos(crossover, "")
	j.drop(func(i Item) bool {
		r, repair := i.Record.(*domain.Repair)
		o, cut := i.Record.(*domain.Opening)
		if cut && o.Target != nil && o.Target.ID == crossover {
			j.dropPhotos(i.ID, "")
			return true
		}
		return repair && r.CrossoverID != nil && *r.CrossoverID == crossover
	})
}

func (j *statedJob) repairOf(part domain.UUID) domain.UUID {
	for _, i := range j.items {
		if r, ok := i.Record.(*domain.Repair); ok && slices.Contains(r.ComponentIDs, part) {
			return i.ID
		}
	}
	j.Fatal("nothing repairs it")
	return domain.UUID{}
}

func (j *statedJob) closing(section domain.Section, end domain.End) *domain.EndClosure {
	id := j.repairOf(j.ends[section][slices.Index([]domain.End{domain.Front, domain.Rear}, end)])
	for _, i := range j.items {
		if i.ID == id {
			return i.Record.(*domain.Repair).EndClosure
		}
	}
	return nil
}

func TestWorkedJobs(t *testing.T) {
	want := workedFindings(t)
	for _, w := range workedJobs {
		t.Run(w.name, func(t *testing.T) {
			j := newStatedJob(t, w.plan)
			w.do(j)
			text, err := json.MarshalIndent(Evaluation{RulesOn: exampleDay, Items: j.items}, "", " ")
			if err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("..", "..", "testdata", "jobs", w.name+".json")
			if *update {
				if err := os.WriteFile(path, append(text, '\n'), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			published, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if string(published) != string(text)+"\n" {
				t.Error("the published job differs; -update writes it")
			}
			_, v := j.judge()
			var got []string
			for _, f := range v.Findings {
				name, _, _ := strings.Cut(f.Detail, ": ")
				got = append(got, strings.Join([]string{f.Rule, string(f.Outcome), string(f.Severity), string(f.Cure), name}, ","))
			}
			if !slices.Equal(got, want[w.name]) {
				t.Errorf("found\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want[w.name], "\n"))
			}
			delete(want, w.name)
		})
	}
	for name := range want {
		t.Errorf("findings.csv tells of %s, which is no job", name)
	}
}

// workedFindings reads findings.csv: by job, in the order in which a crew
// works them off. A job without any has a row that says so.
func workedFindings(t *testing.T) map[string][]string {
	file, err := os.Open(filepath.Join("..", "..", "testdata", "jobs", "findings.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string][]string{}
	for _, row := range rows[1:] {
		if row[1] == "none" {
			want[row[0]] = nil
			continue
		}
		want[row[0]] = append(want[row[0]], strings.Join(row[1:6], ","))
	}
	return want
}
