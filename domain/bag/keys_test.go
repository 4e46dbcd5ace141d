package bag_test

import (
	"bytes"
	"fmt"
	"testing"

	"ductledger/domain/bag"
)

// Tables with more keys than are held at once: a key that stands twice far
// apart, and a reference that leads nowhere, are found all the same.
func TestKeysBeyondMemory(t *testing.T) {
	const n = 300_000
	write := func(contractor, job, reference int) []byte {
		t.Helper()
		var file bytes.Buffer
		w, err := bag.NewWriter(&file, testHead(), testTables(), bag.WriterOptions{})
		if err != nil {
			t.Fatal(err)
		}
		s, _ := w.Table("contractors", n)
		for i := range n {
			if i == n-2 {
				i = contractor
			}
			s.Row(fmt.Sprintf("C%d", i), "")
		}
		s.Close()
		s, _ = w.Table("jobs", n)
		for i := range n {
			id, by := i, i%(n-2) // every contractor but those that the rows above replace
			if i == n-1 {
				id, by = job, reference
			}
			s.Row(fmt.Sprintf("J%d", id), fmt.Sprintf("C%d", by), "", "", "", "", "", "", "", "")
		}
		s.Close()
		s, _ = w.Table("reconciliation", 0)
		s.Close()
		if _, err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return file.Bytes()
	}
	if r := verify(t, write(n-2, n-1, 5), bag.VerifyOptions{}); !r.Holds {
		t.Error(r.Text())
	}
	r := verify(t, write(17, 3, n), bag.VerifyOptions{})
	found := failing(r)
	if len(found) != 3 || !contains(found, bag.CheckPrimaryKey, "contractors.csv", n, "contractor_id") ||
		!contains(found, bag.CheckPrimaryKey, "jobs.csv", n+1, "job_id") || !contains(found, bag.CheckForeignKey, "jobs.csv", n+1, "contractor_id") {
		t.Error(r.Text())
	}
}
