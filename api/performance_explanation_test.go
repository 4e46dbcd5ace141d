package api_test

import (
	"bytes"
	"encoding/csv"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ductledger/domain"

	"github.com/go-json-experiment/json/jsontext"
)

type explanation struct {
	Model struct {
		N            int
		Constant     float64 `json:"program_constant"`
		BeforeSlope  float64 `json:"before_slope"`
		BeforeCenter float64 `json:"before_center_cfm25"`
		AreaSlope    float64 `json:"area_slope"`
		AreaCenter   float64 `json:"area_center_ft2"`
		Classes      []struct {
			Classes []string `json:"home_classes"`
			Term    float64
		} `json:"class_terms"`
	}
	Adjusted struct {
		N     int
		Index float64 `json:"index_ratio"`
	}
	JobsIn     []explainedJob `json:"jobs_in"`
	JobsOut    []explainedJob `json:"jobs_out"`
	ChanceLow  float64        `json:"chance_ratio_low"`
	ChanceHigh float64        `json:"chance_ratio_high"`
}

type explainedJob struct {
	JobID    string   `json:"job_id"`
	Number   int64    `json:"job_number"`
	Class    string   `json:"home_class"`
	Area     float64  `json:"floor_area_ft2"`
	Before   float64  `json:"before_cfm25"`
	After    float64  `json:"after_cfm25"`
	Expected *float64 `json:"expected_after_cfm25"`
	Reason   string
}

// A contractor recomputes its index from the explanation alone, with the
// formula that stands in the contract: geometric mean of after over expected.
func TestIndexFromTheExplanationAlone(t *testing.T) {
	t.Parallel()
	a, at := serve(t)
	second, _ := secondContractor(t, a)
	freeze(a, at, frozenHomes(second, 31, 1.3)...)
	in := freeze(a, at, frozenHomes(a.Contractor, 23, 0.9)...)
	out := freeze(a, at, frozenRow{before: 3000}, frozenRow{before: 3000, after: 900, basis: "deemed"})
	path := "/v1/contractors/" + a.Contractor.String() + "/performance/explanation" + inOctober
	var x explanation
	a.Do(domain.ContractorRole, "GET", path, nil).Want(200).Into(&x)

	logs := 0.0
	for _, j := range x.JobsIn {
		expected := x.Model.Constant + x.Model.BeforeSlope*math.Log(j.Before/x.Model.BeforeCenter) + x.Model.AreaSlope*math.Log(j.Area/x.Model.AreaCenter)
		for _, c := range x.Model.Classes {
			if slices.Contains(c.Classes, j.Class) {
				expected += c.Term
			}
		}
		logs += math.Log(j.After/x.Model.BeforeCenter) - expected
		if want := x.Model.BeforeCenter * math.Exp(expected); j.Expected == nil || math.Abs(*j.Expected/want-1) > 1e-12 {
			t.Errorf("job %s: expected %v, by hand %v", j.JobID, j.Expected, want)
		}
	}
	if index := math.Exp(logs / float64(len(x.JobsIn))); math.Abs(index-x.Adjusted.Index) > 1e-9 || index > 0.95 {
		t.Errorf("by hand %v, published %v", index, x.Adjusted.Index)
	}
	if !sameJobs(x.JobsIn, in) || !sameJobs(x.JobsOut, out) || x.Adjusted.N != 23 || x.Model.N != 54 || x.ChanceLow >= 1 || x.ChanceHigh <= 1 {
		t.Errorf("%d in, %d out, chance %v to %v", len(x.JobsIn), len(x.JobsOut), x.ChanceLow, x.ChanceHigh)
	}
	for _, j := range x.JobsOut {
		if j.Reason != "missing_after" && j.Reason != "deemed" {
			t.Errorf("job %s is out because %q", j.JobID, j.Reason)
		}
	}
	if got := compared(a, domain.Staff, inOctober).Contractors[0].Adjusted.Index; got == nil || *got != x.Adjusted.Index {
		t.Errorf("the comparison says %v, the explanation %v", got, x.Adjusted.Index)
	}

	for _, role := range []domain.Role{domain.ContractorRole, domain.Staff} {
		var alone jsontext.Value
		var beside struct {
			Explanation jsontext.Value `json:"explanation"`
		}
		figures := "/v1/contractors/" + a.Contractor.String() + "/performance" + inOctober
		a.Do(role, "GET", path, nil).Want(200).Into(&alone)
		if a.Do(role, "GET", figures+"&explained=true", nil).Want(200).Into(&beside); !bytes.Equal(alone, beside.Explanation) {
			t.Errorf("%s reads beside the figures %s, alone %s", role, beside.Explanation, alone)
		}
		beside.Explanation = nil
		if a.Do(role, "GET", figures, nil).Want(200).Into(&beside); beside.Explanation != nil {
			t.Errorf("%s reads an explanation that nobody asked for", role)
		}
	}
	numbers := map[string]int64{}
	for i, id := range slices.Concat(in, out) {
		numbers[id.String()] = 1001 + 31 + int64(i) // behind those of the other contractor
	}
	for _, j := range slices.Concat(x.JobsIn, x.JobsOut) {
		if j.Number != numbers[j.JobID] {
			t.Errorf("job %d is explained as %d", numbers[j.JobID], j.Number)
		}
	}

	sheet := a.Do(domain.ContractorRole, "GET", path+"&format=csv", nil).Want(200)
	asked := a.Do(domain.ContractorRole, "GET", path, nil, "Accept", "text/csv").Want(200)
	if !bytes.Equal(sheet.Body, asked.Body) || !strings.HasPrefix(sheet.Header.Get("Content-Type"), "text/csv") {
		t.Errorf("format and Accept differ, or %s", sheet.Header.Get("Content-Type"))
	}
	if index := indexOfSheet(t, sheet.Body); math.Abs(index-x.Adjusted.Index) > 1e-9 {
		t.Errorf("the spreadsheet's cells give %v, published %v", index, x.Adjusted.Index)
	}
}

// sameJobs tells whether the lines, which come by id, are of these jobs.
func sameJobs(jobs []explainedJob, ids []domain.UUID) bool {
	var got, want []string
	for _, j := range jobs {
		got = append(got, j.JobID)
	}
	for _, id := range ids {
		want = append(want, id.String())
	}
	slices.Sort(want)
	return slices.Equal(got, want)
}

// indexOfSheet does by hand what the spreadsheet's formulas say, from its
// numbers only.
func indexOfSheet(t *testing.T, text []byte) float64 {
	t.Helper()
	reader := csv.NewReader(bytes.NewReader(text))
	reader.FieldsPerRecord = -1
	lines, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	top, sum, n, jobs := map[string]float64{}, 0.0, 0, false
	for _, line := range lines {
		switch {
		case line[0] == "job_id":
			jobs = true
		case !jobs && !strings.HasPrefix(line[1], "="):
			top[line[0]] = number(line[1])
		case jobs:
			expected := top["before_center_cfm25"] * math.Exp(top["program_constant"]+
				top["before_slope"]*math.Log(number(line[2])/top["before_center_cfm25"])+number(line[5])+
				top["area_slope"]*math.Log(number(line[4])/top["area_center_ft2"]))
			sum += math.Log(number(line[3]) / expected)
			n++
		}
	}
	return math.Exp(sum / float64(n))
}
