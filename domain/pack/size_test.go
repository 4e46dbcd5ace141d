package pack_test

import (
	"bytes"
	"fmt"
	"io"
	"runtime"
	"testing"
	"time"

	"ductledger/domain/pack"
)

// many writes n jobs without keeping them.
func many(tb testing.TB, out io.Writer, n int) (live uint64) {
	w, err := pack.NewWriter(out, testHead(), testTables(), pack.WriterOptions{})
	if err != nil {
		tb.Fatal(err)
	}
	s, _ := w.Table("contractors")
	s.Row("C1", "Invented Ducts")
	s.Close()
	at := time.Date(2026, 10, 14, 15, 0, 0, 0, time.UTC)
	s, _ = w.Table("jobs")
	id := []byte("job-0192a4be-7b1c-7c3d-8e4f-000000000000")
	for i := range n {
		for k, v := len(id)-1, i; k > len(id)-13; k, v = k-1, v/10 {
			id[k] = '0' + byte(v%10)
		}
		s.Text(string(id)).Text("C1").Text("2026-10-14").Time(at).Text("2026-10").Scaled(int64(i % 5000)).Int(int64(i) * 7).Bool(i%3 > 0).Text("completed").Text("")
		if err := s.End(); err != nil {
			tb.Fatal(err)
		}
	}
	var memory runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&memory)
	s.Close()
	s, _ = w.Table("reconciliation")
	s.Close()
	if _, err := w.Close(); err != nil {
		tb.Fatal(err)
	}
	return memory.HeapAlloc
}

// A row costs no memory: what is held at the last of them is the same for
// twenty times the rows, to within what the runtime itself keeps.
func TestMemoryDoesNotGrowWithRows(t *testing.T) {
	many(t, io.Discard, 1_000) // what is made once
	few, lots := many(t, io.Discard, 1_000), many(t, io.Discard, 20_000)
	if lots > few+200<<10 {
		t.Errorf("1,000 rows hold %d bytes, 20,000 rows %d", few, lots)
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
		if r, err := pack.Verify(bytes.NewReader(file.Bytes()), int64(file.Len()), pack.VerifyOptions{}); err != nil || !r.Holds {
			b.Fatal(err, r.Text())
		}
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
