package cluster

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"go.uber.org/goleak"
)

// The test program runs itself once more as a run that gets killed; these
// variables say so.
const (
	victimWay  = "CLUSTER_TEST_VICTIM" // outlived, signaled or container
	victimTemp = "CLUSTER_TEST_TEMP"
)

func TestMain(m *testing.M) {
	if way := os.Getenv(victimWay); way != "" {
		victim(way)
		return
	}
	goleak.VerifyTestMain(m)
}

// victim starts a cluster, says its process, and waits to be killed.
func victim(way string) {
	o := Options{temp: os.Getenv(victimTemp), Fast: true, NoContainer: true, outlivesParent: way == "outlived"}
	if way == "container" {
		o = containerOptions(o.temp)
	}
	c, err := Start(context.Background(), o)
	if err != nil {
		fmt.Println("error", err)
		return
	}
	fmt.Println("pid", c.PID())
	_, _ = io.Copy(io.Discard, os.Stdin)
}

// kill runs a victim until its cluster is up, kills it as kill -9 does, and
// returns the postmaster's process.
func kill(t *testing.T, way, temp string) int {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), victimWay+"="+way, victimTemp+"="+temp)
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = stdin.Close() }()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(stdout).ReadString('\n')
	number, isPID := strings.CutPrefix(strings.TrimSpace(line), "pid ")
	if err != nil || !isPID {
		t.Fatalf("the run to be killed said %q, %v", line, err)
	}
	if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // killed: an error
	pid, err := strconv.Atoi(number)
	if err != nil {
		t.Fatal(err)
	}
	return pid
}

// tempFolder is one that the server's user can reach, unlike t.TempDir.
func tempFolder(t *testing.T) string {
	t.Helper()
	path, err := os.MkdirTemp("", "cluster-test-*")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(path, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(path) })
	return path
}

func mustStart(t *testing.T, o Options) *Cluster {
	t.Helper()
	if o.Say == nil {
		o.Say = func(line string) { t.Log(line) }
	}
	c, err := Start(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	return c
}

func dial(t *testing.T, address string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func ask(t *testing.T, conn *pgx.Conn, query string, args ...any) string {
	t.Helper()
	var answer string
	if err := conn.QueryRow(t.Context(), query, args...).Scan(&answer); err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	return answer
}

func run(t *testing.T, conn *pgx.Conn, statement string) {
	t.Helper()
	if _, err := conn.Exec(t.Context(), statement); err != nil {
		t.Fatalf("%s: %v", statement, err)
	}
}

func entries(t *testing.T, folder string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}
