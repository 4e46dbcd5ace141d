package cluster

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// setDeathSignal has the kernel stop the child when we are killed.
func setDeathSignal(a *syscall.SysProcAttr) { a.Pdeathsig = syscall.SIGINT }

// serves says whether pid is a postgres whose data folder is data: Postgres
// makes its data folder its working folder.
func serves(pid int, data string) bool {
	if pid <= 1 {
		return false
	}
	proc := fmt.Sprintf("/proc/%d/", pid)
	folder, err := os.Readlink(proc + "cwd")
	if err != nil || folder != real(data) {
		return false
	}
	program, err := os.Readlink(proc + "exe")
	return err == nil && strings.HasPrefix(filepath.Base(program), "postgres")
}
