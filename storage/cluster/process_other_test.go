//go:build !linux

package cluster

import (
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

func processOwner(t *testing.T, pid int) uint32 {
	t.Helper()
	out, err := exec.Command("ps", "-o", "uid=", "-p", strconv.Itoa(pid)).Output()
	if err != nil {
		t.Fatal(err)
	}
	uid, err := strconv.ParseUint(strings.TrimSpace(string(out)), 10, 32)
	if err != nil {
		t.Fatal(err)
	}
	return uint32(uid)
}
