package storagetest

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
)

// ProcessorSeconds is the processor's time of this process so far, from the kernel's
// own count: what else the machine does hardly moves it.
func ProcessorSeconds(t testing.TB) float64 {
	t.Helper()
	var use syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &use); err != nil {
		t.Fatal(err)
	}
	const perSecond = 1e9
	return float64(use.Utime.Nano()+use.Stime.Nano()) / perSecond
}

// Postmaster is the process above the one that serves a connection.
func Postmaster(t testing.TB, url string) int {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var pid int
	if err := conn.QueryRow(context.Background(), "SELECT pg_backend_pid()").Scan(&pid); err != nil {
		t.Fatal(err)
	}
	parent, _ := processTime(strconv.Itoa(pid))
	return parent
}

// TreeSeconds is the time of a process, its ended children and those that live.
func TreeSeconds(t testing.TB, master int) (seconds float64) {
	t.Helper()
	files, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		t.Fatal(err)
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
