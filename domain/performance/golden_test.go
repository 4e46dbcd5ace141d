package performance

import (
	"bytes"
	"encoding/json"
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"ductledger/domain"
)

var update = flag.Bool("update", false, "renew testdata")

// Published figures are given again byte for byte as long as the method has the
// same name: a change of this file needs another MethodVersion.
func TestBytesOfTheMethod(t *testing.T) {
	w := world{effects: []float64{.3, 0, -.2, .1, 0, -.1, 0}, counts: []int{3, 40, 25, 12, 60, 31, 2}, sigma: .4, areas: true,
		classes: []string{"single", "double", "triple"}}
	jobs := w.jobs(rand.New(rand.NewPCG(20261101, 6)))
	jobs[5].AfterTenths, jobs[6].Questioned, jobs[7].Excluded, jobs[8].PayBasis = nil, true, true, Deemed
	c, err := Compare(jobs, october, map[domain.UUID]string{id(1): "Northwind Sealing", id(2): "Alder Ducts", id(9): "Without a job"})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", MethodVersion+".json")
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("equal jobs give other bytes than %s", path)
	}
}
