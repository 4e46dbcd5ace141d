package performance

import (
	"math/rand/v2"
	"testing"

	"ductledger/domain"
)

func TestByHomeClass(t *testing.T) {
	jobs := []Job{measured(1, 1, 100, 50), measured(2, 1, 100, 40), measured(3, 2, 100, 30), measured(4, 2, 100, 20), measured(5, 2, 100, 10)}
	for i, class := range []string{"triple", "single", "double", "yurt", ""} {
		jobs[i].Class = class
	}
	g, err := CompareGroups(jobs, october, ByHomeClass, nil)
	if err != nil || len(g.Groups) != 5 || g.Model != nil {
		t.Fatal(g, err)
	}
	for i, want := range []struct {
		class string
		ratio float64
	}{{"single", .6}, {"double", .7}, {"triple", .5}, {"", .9}, {"yurt", .8}} {
		if got := g.Groups[i]; got.HomeClass != want.class || *got.Figures.Pooled.Ratio != want.ratio {
			t.Errorf("group %d: %q %v, want %q %v", i, got.HomeClass, *got.Figures.Pooled.Ratio, want.class, want.ratio)
		}
	}
}

func TestByCrewLead(t *testing.T) {
	w := world{effects: make([]float64, 4), counts: []int{10, 9, 20, 15}, sigma: .4, classes: []string{"single"}}
	jobs := w.jobs(rand.New(rand.NewPCG(15, 16)))
	for i := range jobs {
		jobs[i].CrewLeadID = jobs[i].ContractorID
		if jobs[i].CrewLeadID == id(4) {
			jobs[i].CrewLeadID = domain.UUID{} // not known
		}
		jobs[i].ContractorID = id(9)
	}
	g, err := CompareGroups(jobs, october, ByCrewLead, map[domain.UUID]string{id(1): "Zoe", id(2): "Adam", id(3): "Mia"})
	if err != nil || len(g.Groups) != 4 {
		t.Fatal(g, err)
	}
	unknown, adam, mia, zoe := g.Groups[0], g.Groups[1], g.Groups[2], g.Groups[3]
	if unknown.CrewLeadID != nil || unknown.Adjusted != nil || unknown.JobsCount != 15 {
		t.Errorf("jobs without a lead: %+v", unknown)
	}
	if adam.Reason != TooFewJobs || adam.Figures != nil || adam.Adjusted != nil || adam.UsedCount != 9 {
		t.Errorf("nine homes: %+v", adam)
	}
	if zoe.Figures == nil || zoe.Adjusted == nil || zoe.Adjusted.Shrunk == nil || zoe.Name != "Zoe" || mia.Name != "Mia" {
		t.Errorf("ten homes: %+v", zoe)
	}
	if g.Model.ContractorsCount != 3 || g.Model.N != 39 || len(g.Model.LeftOut) != 1 || g.Model.LeftOut[0] != (LeftOut{MissingLead, 15}) {
		t.Errorf("model over %d leads, %d jobs", g.Model.ContractorsCount, g.Model.N)
	}
	if _, err := CompareGroups(nil, october, ByContractor, nil); err == nil {
		t.Error("by contractor: no refusal")
	}
	if _, err := CompareGroups(nil, october, "color", nil); err == nil {
		t.Error("by color: no refusal")
	}
}
