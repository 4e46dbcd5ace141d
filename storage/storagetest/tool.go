package storagetest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
)

// Tool is a program of others that a test talks to, installed once a machine
// from its module, as in "example.org/server@v1.2.3": nothing of it enters
// go.mod. Where it cannot be had the test is skipped, in CI it fails.
func Tool(t testing.TB, module string) (program string) {
	t.Helper()
	program = filepath.Join(os.TempDir(), "ductledger-test-"+strings.NewReplacer("/", "-", "@", "-").Replace(module))
	if _, err := os.Stat(program); err == nil {
		return program
	}
	gobin := t.TempDir()
	install := exec.Command("go", "install", module) //nolint:gosec // named by the test
	install.Env = append(os.Environ(), "GOBIN="+gobin, "GOFLAGS=-mod=mod")
	install.Dir = gobin
	if out, err := install.CombinedOutput(); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("install %s: %v\n%s", module, err, out)
		}
		t.Skipf("not to be had here: install %s: %v", module, err)
	}
	made, err := filepath.Glob(filepath.Join(gobin, "*"))
	if err != nil || len(made) != 1 {
		t.Fatalf("%s installed %v, %v", module, made, err)
	}
	if err := os.Rename(made[0], program); err != nil {
		t.Fatal(err)
	}
	return program
}

var addressesGiven atomic.Int64

// FreeAddress is one that stays free while nothing listens: its port lies below
// those that the kernel gives to whoever asks for any (from 32768 on). No other
// test of the process is given it.
func FreeAddress(t testing.TB) string {
	t.Helper()
	for range 1000 {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 20_000+(os.Getpid()*7+int(addressesGiven.Add(1))*11)%12_000))
		if err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
	t.Fatal("no port is free")
	return ""
}
