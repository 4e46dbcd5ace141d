package performance

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"ductledger/domain"
)

func explained(t *testing.T, areas bool) (Comparison, Explanation, []Job) {
	t.Helper()
	w := world{effects: []float64{.2, 0, -.1}, counts: []int{14, 30, 25}, sigma: .4, areas: areas,
		classes: []string{"single", "double", "triple"}}
	jobs := w.jobs(rand.New(rand.NewPCG(11, 12)))
	jobs[3].AfterTenths = nil
	jobs[4].Class = ""
	jobs[5].Excluded = true
	c, err := Compare(jobs, october, map[domain.UUID]string{id(1): "Northwind Sealing"})
	if err != nil {
		t.Fatal(err)
	}
	x, err := Explain(jobs, &c, id(1))
	if err != nil {
		t.Fatal(err)
	}
	return c, x, jobs
}

// The lines of the explanation and its published numbers, read back from JSON
// as a stranger would, give the index of the comparison.
func TestIndexFromThePublishedNumbersAlone(t *testing.T) {
	for _, areas := range []bool{false, true} {
		c, x, _ := explained(t, areas)
		text, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		var read struct {
			Model struct {
				Slope    float64 `json:"before_slope"`
				Area     float64 `json:"area_slope"`
				Constant float64 `json:"program_constant"`
				Classes  []struct {
					Classes []string `json:"home_classes"`
					Term    float64  `json:"term"`
				} `json:"class_terms"`
			} `json:"model"`
			Jobs []struct {
				Class  string   `json:"home_class"`
				Before float64  `json:"before_cfm25"`
				After  float64  `json:"after_cfm25"`
				Area   *float64 `json:"floor_area_ft2"`
			} `json:"jobs_in"`
		}
		if err := json.Unmarshal(text, &read); err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, j := range read.Jobs {
			e := math.Log(j.After/200) - read.Model.Constant - read.Model.Slope*math.Log(j.Before/200)
			for _, class := range read.Model.Classes {
				for _, name := range class.Classes {
					if name == j.Class {
						e -= class.Term
					}
				}
			}
			if areas {
				e -= read.Model.Area * math.Log(*j.Area/1000)
			}
			sum += e
		}
		index := math.Exp(sum / float64(len(read.Jobs)))
		near(t, "index", c.Contractors[2].Adjusted.Index, index, 1e-12)
		near(t, "recomputed", x.Recomputed, index, 1e-12)
	}
}

// Every job of the contractor is either in or out with a reason.
func TestExplainListsEveryJob(t *testing.T) {
	c, x, _ := explained(t, false)
	if got := len(x.JobsIn) + len(x.JobsOut); got != c.Contractors[2].JobsCount || x.Adjusted.N != len(x.JobsIn) {
		t.Errorf("%d lines of %d jobs, %d in of %d", got, c.Contractors[2].JobsCount, len(x.JobsIn), x.Adjusted.N)
	}
	want := []string{"missing_after", "missing_class", "excluded"}
	for i, j := range x.JobsOut {
		if j.Reason != want[i] {
			t.Errorf("job %s out because of %q, want %q", j.JobID, j.Reason, want[i])
		}
	}
	if x.Name != "Northwind Sealing" || x.ChanceLow == nil || *x.ChanceLow >= 1 || *x.ChanceHigh <= 1 {
		t.Errorf("name %q, chance %v to %v", x.Name, x.ChanceLow, x.ChanceHigh)
	}
	if _, err := Explain(nil, &c, id(77)); err == nil {
		t.Error("a stranger: no refusal")
	}
}

// What the explanation says of a job left out, or of a lower reading, is what
// the recomputation gives.
func TestWhatWouldChangeIt(t *testing.T) {
	_, x, _ := explained(t, false)
	homes := make([]Home, len(x.JobsIn))
	for i, j := range x.JobsIn {
		homes[i] = Home{*j.BeforeCFM25, *j.AfterCFM25, j.HomeClass, nil}
	}
	without, err := x.Model.Index(homes[1:])
	if err != nil {
		t.Fatal(err)
	}
	near(t, "without the first", x.JobsIn[0].IndexWithout, without, 1e-12)
	homes[0].AfterCFM25 *= .9
	lower, err := x.Model.Index(homes)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "first a tenth lower", x.JobsIn[0].IndexAtTenth, lower, 1e-12)
}

// A home with the program's average outcome has the index 1.
func TestExpectedIsIndexOne(t *testing.T) {
	_, x, _ := explained(t, true)
	area := 1234.0
	h := Home{BeforeCFM25: 321, Class: "triple", AreaFt2: &area}
	after, err := x.Model.Expected(h)
	if err != nil {
		t.Fatal(err)
	}
	h.AfterCFM25 = after
	index, err := x.Model.Index([]Home{h, h})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "index", &index, 1, 1e-12)

	for name, h := range map[string]Home{
		"class without a term": {BeforeCFM25: 1, AfterCFM25: 1, Class: "quadruple", AreaFt2: &area},
		"no area":              {BeforeCFM25: 1, AfterCFM25: 1, Class: "single"},
		"nothing before":       {AfterCFM25: 1, Class: "single", AreaFt2: &area},
		"nothing after":        {BeforeCFM25: 1, Class: "single", AreaFt2: &area},
	} {
		if _, err := x.Model.Index([]Home{h}); err == nil {
			t.Errorf("%s: no refusal", name)
		}
	}
	if _, err := x.Model.Index(nil); err == nil {
		t.Error("no homes: no refusal")
	}
	if _, err := (&Model{Reason: TooFewJobs}).Expected(h); err == nil {
		t.Error("no model: no refusal")
	}
}

// The CSV's own formulas, worked by hand from its cells, give the index that
// it prints.
func TestSpreadsheet(t *testing.T) {
	_, x, _ := explained(t, true)
	var text bytes.Buffer
	if err := x.WriteCSV(&text); err != nil {
		t.Fatal(err)
	}
	reader := csv.NewReader(&text)
	reader.FieldsPerRecord = -1
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cell := func(name string) float64 { // "C9"
		row, err := strconv.Atoi(name[1:])
		if err != nil {
			t.Fatal(err)
		}
		v, err := strconv.ParseFloat(rows[row-1][name[0]-'A'], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	nodes := len(x.Model.Pool.Belief)
	first := 12 + nodes
	if got := rows[6][1]; got != "=EXP(AVERAGE(H"+strconv.Itoa(first)+":H"+strconv.Itoa(first-1+len(x.JobsIn))+"))" {
		t.Errorf("index formula %q", got)
	}
	sum := 0.0
	for i := range x.JobsIn {
		r := strconv.Itoa(first + i)
		// One more row down, every reference without $ moves along.
		if want := strings.ReplaceAll("=B$4*EXP(B$1+B$2*LN(C#/B$4)+F#+B$3*LN(E#/B$5))", "#", r); rows[first-1+i][6] != want {
			t.Fatalf("expected formula %q, want %q", rows[first-1+i][6], want)
		}
		if want := strings.ReplaceAll("=LN(D#/G#)", "#", r); rows[first-1+i][7] != want {
			t.Fatalf("residual formula %q, want %q", rows[first-1+i][7], want)
		}
		expected := cell("B4") * math.Exp(cell("B1")+cell("B2")*math.Log(cell("C"+r)/cell("B4"))+cell("F"+r)+cell("B3")*math.Log(cell("E"+r)/cell("B5")))
		sum += math.Log(cell("D"+r) / expected)
	}
	index := math.Exp(sum / float64(len(x.JobsIn)))
	near(t, "index by formulas", x.Adjusted.Index, index, 1e-12)
	printed := cell("B6")
	near(t, "index printed", &printed, index, 1e-12)

	// The pooled index, by the belief.
	want := strings.ReplaceAll("=EXP(SUMPRODUCT(C$11:C$#,D$11:D$#+B$11:B$#/(B$11:B$#+B$8)*(LN(B$6)-D$11:D$#)-E$11:E$#))", "#", strconv.Itoa(nodes+10))
	if rows[9][1] != want {
		t.Errorf("pooled formula %q, want %q", rows[9][1], want)
	}
	pooled := 0.0
	for i := range nodes {
		r := strconv.Itoa(11 + i)
		pooled += cell("C"+r) * (cell("D"+r) + cell("B"+r)/(cell("B"+r)+cell("B8"))*(math.Log(cell("B6"))-cell("D"+r)) - cell("E"+r))
	}
	printed = cell("B9")
	near(t, "pooled index by formulas", &printed, math.Exp(pooled), 1e-12)
}
