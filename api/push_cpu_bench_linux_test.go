package api

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"ductledger/storage/storagetest"
)

// The processor's time of a pushed job, 40 records of it and all of it, of the service and of
// Postgres apart, from the kernel's own count. What the client costs is
// measured against a server that only reads, and taken off.
//
//	go test ./api -run "^$" -bench PushCPU -benchtime 400x
func BenchmarkPushCPU(b *testing.B) {
	for _, records := range []int{40, storagetest.JobRecords} {
		b.Run(fmt.Sprintf("records=%d", records), func(b *testing.B) { benchmarkPushCPU(b, records) })
	}
}

func benchmarkPushCPU(b *testing.B, records int) {
	b.Helper()
	bench := newPushBench(b, 1, 1, records)
	// As many bodies again for the server that only reads.
	var answer []byte
	null := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusMultiStatus)
		_, _ = w.Write(answer)
	}))
	defer null.Close()
	answer = []byte(strings.Repeat(`"created"`, records) + strings.Repeat(" ", 6000))
	bench.post(0, b.N, null.URL)
	began := storagetest.ProcessorSeconds(b)
	bench.post(0, b.N, null.URL)
	client := storagetest.ProcessorSeconds(b) - began

	master := storagetest.Postmaster(b, bench.url)
	began, postgres := storagetest.ProcessorSeconds(b), storagetest.TreeSeconds(b, master)
	b.ResetTimer()
	bench.post(0, b.N, bench.whole)
	service, stored := storagetest.ProcessorSeconds(b)-began-client, storagetest.TreeSeconds(b, master)-postgres
	const perSecond = 1e3
	b.ReportMetric(service*perSecond/float64(b.N), "service-ms/job")
	b.ReportMetric(stored*perSecond/float64(b.N), "postgres-ms/job")
	b.ReportMetric(client*perSecond/float64(b.N), "client-ms/job")
}
