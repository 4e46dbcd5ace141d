package cluster

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// Processes are the postmaster of a private cluster and its children, for whoever
// breaks them.
func (c *Cluster) Processes() ([]int, error) {
	pids := []int{c.PID()}
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return nil, err
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // it has ended
		}
		_, after, _ := bytes.Cut(text, []byte(") "))
		fields := bytes.Fields(after)
		if len(fields) > 1 && string(fields[1]) == strconv.Itoa(c.PID()) {
			pid, err := strconv.Atoi(filepath.Base(filepath.Dir(file)))
			if err != nil {
				return nil, err
			}
			pids = append(pids, pid)
		}
	}
	return pids, nil
}

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
