//go:build !linux

package cluster

import (
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

// setDeathSignal does nothing: this system has no such signal. The next Start
// clears what is left.
func setDeathSignal(*syscall.SysProcAttr) {}

// serves says whether pid is a postgres whose data folder is data, by its
// command line, on which we put the folder.
func serves(pid int, data string) bool {
	if pid <= 1 {
		return false
	}
	out, err := exec.Command("ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	if err != nil {
		return false
	}
	line := string(out)
	return strings.Contains(line, "postgres") && strings.Contains(line, "-D "+data)
}
