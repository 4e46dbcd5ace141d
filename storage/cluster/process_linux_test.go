package cluster

import (
	"fmt"
	"os"
	"syscall"
	"testing"
	"time"
)

func processOwner(t *testing.T, pid int) uint32 {
	t.Helper()
	info, err := os.Stat(fmt.Sprintf("/proc/%d", pid))
	if err != nil {
		t.Fatal(err)
	}
	return info.Sys().(*syscall.Stat_t).Uid
}

// Where the kernel can tell a child of its parent's death, a killed run's
// server ends by itself.
func TestServerEndsWithAKilledRun(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	pid := kill(t, "signaled", temp)
	folders := entries(t, temp)
	if len(folders) != 1 {
		t.Fatalf("the killed run left %v", folders)
	}
	deadline := time.Now().Add(10 * interruptTimeout) // the machine may be busy; forgotten, it would stay for ever
	for serves(pid, folders[0]+"/data") {
		if time.Now().After(deadline) {
			t.Fatalf("process %d outlives its run", pid)
		}
		time.Sleep(stopPoll)
	}
}
