package api

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"ductledger/storage/storagetest"
)

// The processor's time of one pushed job of 40 records, of the service and of
// Postgres apart, from the kernel's own count. What the client costs is
// measured against a server that only reads, and taken off.
//
//	go test ./api -run "^$" -bench PushCPU -benchtime 400x
func BenchmarkPushCPU(b *testing.B) {
	bench := newPushBench(b, 1, 1)
	// As many bodies again for the server that only reads.
	var answer []byte
	null := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusMultiStatus)
		_, _ = w.Write(answer)
	}))
	defer null.Close()
	answer = []byte(strings.Repeat(`"created"`, storagetest.JobRecords) + strings.Repeat(" ", 6000))
	bench.post(0, b.N, null.URL)
	began := processorSeconds(b)
	bench.post(0, b.N, null.URL)
	client := processorSeconds(b) - began

	master := postmaster(b, bench.url)
	began, postgres := processorSeconds(b), treeSeconds(b, master)
	b.ResetTimer()
	bench.post(0, b.N, bench.whole)
	service, stored := processorSeconds(b)-began-client, treeSeconds(b, master)-postgres
	const perSecond = 1e3
	b.ReportMetric(service*perSecond/float64(b.N), "service-ms/job")
	b.ReportMetric(stored*perSecond/float64(b.N), "postgres-ms/job")
	b.ReportMetric(client*perSecond/float64(b.N), "client-ms/job")
}

// postmaster is the process above the one that serves a connection.
func postmaster(b *testing.B, url string) int {
	b.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(context.Background())
	var pid int
	if err := conn.QueryRow(context.Background(), "SELECT pg_backend_pid()").Scan(&pid); err != nil {
		b.Fatal(err)
	}
	parent, _ := processTime(strconv.Itoa(pid))
	return parent
}

// treeSeconds is the time of a process, its ended children and those that live.
func treeSeconds(b *testing.B, master int) (seconds float64) {
	b.Helper()
	files, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		b.Fatal(err)
	}
	for _, file := range files {
		pid := filepath.Base(file)
		if parent, s := processTime(pid); parent == master || pid == strconv.Itoa(master) {
			seconds += s
		}
	}
	return seconds
}

// processTime reads /proc/pid/stat (proc(5)): the parent, and the time of the
// process and of its ended children.
func processTime(pid string) (parent int, seconds float64) {
	text, err := os.ReadFile("/proc/" + pid + "/stat")
	if err != nil {
		return 0, 0 // it has ended
	}
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	parent, _ = strconv.Atoi(fields[1])
	const ticks = 100 // a second, on every Linux that Go runs on
	for _, field := range fields[11:15] {
		n, _ := strconv.Atoi(field)
		seconds += float64(n) / ticks
	}
	return parent, seconds
}
