package bag_test

import (
	"bytes"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"

	"ductledger/domain/bag"
)

// A table over the limit is split, each part with a header and totals of its
// own, and keys hold across the parts.
func TestSplit(t *testing.T) {
	c := small()
	c.opts.RowsPerFile = 2
	file, _ := c.write(t)
	_, names, members := unzip(t, file)
	list := strings.Join(names, " ")
	for _, want := range []string{"data/jobs-1.csv data/jobs-2.csv", "data/contractors-1.csv data/contractors-2.csv"} {
		if !strings.Contains(list, want) {
			t.Errorf("members %s lack %s", list, want)
		}
	}
	if got := len(rows(t, members["data/jobs-2.csv"])); got != 3 {
		t.Errorf("jobs-2.csv has %d lines, want header and 2", got)
	}
	if r := verify(t, file, bag.VerifyOptions{}); !r.Holds {
		t.Error(r.Text())
	}
	c.jobs[3][0] = "J1"
	file, _ = c.write(t)
	if r := verify(t, file, bag.VerifyOptions{}); !contains(failing(r), bag.CheckPrimaryKey, "jobs-2.csv", 3, "job_id") {
		t.Error(r.Text())
	}
}

// many writes n jobs without keeping them.
func many(tb testing.TB, out io.Writer, n int) {
	w, err := bag.NewWriter(out, testHead(), testTables(), bag.WriterOptions{})
	if err != nil {
		tb.Fatal(err)
	}
	s, _ := w.Table("contractors", 1)
	s.Row("C1", "Invented Ducts")
	s.Close()
	at := time.Date(2026, 10, 14, 15, 0, 0, 0, time.UTC)
	s, _ = w.Table("jobs", int64(n))
	id := []byte("job-0192a4be-7b1c-7c3d-8e4f-000000000000")
	for i := range n {
		for k, v := len(id)-1, i; k > len(id)-13; k, v = k-1, v/10 {
			id[k] = '0' + byte(v%10)
		}
		s.Bytes(id).Text("C1").Text("2026-10-14").Time(at).Text("2026-10").Scaled(int64(i % 5000)).Int(int64(i) * 7).Bool(i%3 > 0).Text("completed").Text("")
		if err := s.End(); err != nil {
			tb.Fatal(err)
		}
	}
	s.Close()
	s, _ = w.Table("reconciliation", 0)
	s.Close()
	if _, err := w.Close(); err != nil {
		tb.Fatal(err)
	}
}

// A row costs no memory: what is allocated for twenty times the rows is the
// same to within a few kilobytes (the list of a part's totals).
func TestMemoryDoesNotGrowWithRows(t *testing.T) {
	allocated := func(n int) uint64 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		many(t, io.Discard, n)
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	few, lots := allocated(1_000), allocated(20_000)
	if lots > few+1<<20 {
		t.Errorf("1,000 rows allocate %d bytes, 20,000 rows %d", few, lots)
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, n := range []int{10_000, 1_000_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			for b.Loop() {
				many(b, io.Discard, n)
			}
			runtime.ReadMemStats(&after)
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
			b.ReportMetric(float64(after.Sys-before.Sys)/(1<<20), "MB-grown")
		})
	}
}

func BenchmarkVerify(b *testing.B) {
	const n = 100_000
	var file bytes.Buffer
	many(b, &file, n)
	b.SetBytes(int64(file.Len()))
	for b.Loop() {
		if r, err := bag.Verify(bytes.NewReader(file.Bytes()), int64(file.Len()), bag.VerifyOptions{}); err != nil || !r.Holds {
			b.Fatal(err, r.Text())
		}
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
