package cluster

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

const (
	interruptTimeout = 10 * time.Second // SIGINT: sessions are rolled back, a checkpoint is written
	quitTimeout      = 5 * time.Second  // SIGQUIT: at once, recovery at the next start
	stopPoll         = 10 * time.Millisecond
)

// process is a child that we end before we end.
type process struct {
	cmd  *exec.Cmd
	done chan struct{} // closed when it has ended
	err  error         // of Wait, to be read once done is closed
}

// command prepares a program of Postgres: as the account, in a group of its
// own (the terminal's Ctrl-C is for us first; we then stop it in order), with
// an environment that no PG… variable of the caller reaches. LC_ALL is needed
// on macOS, where Postgres refuses to start without a locale.
func command(a account, folder, program string, args ...string) *exec.Cmd {
	cmd := exec.Command(program, args...)
	cmd.Dir = folder
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C", "LANG=C", "TZ=UTC", "HOME=" + folder}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: a.credential}
	return cmd
}

// start runs cmd. The thread that starts a child is locked until it has ended,
// because the death signal (where the system has one) is sent when that thread
// ends, not when the process does.
func start(cmd *exec.Cmd, outlivesParent bool) (*process, error) {
	if !outlivesParent {
		setDeathSignal(cmd.SysProcAttr)
	}
	p := &process{cmd: cmd, done: make(chan struct{})}
	started := make(chan error)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			p.err = cmd.Wait()
			close(p.done)
		}
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return p, nil
}

func (p *process) pid() int { return p.cmd.Process.Pid }

// stop asks, then insists, then kills the whole group.
func (p *process) stop() error {
	for _, step := range []struct {
		signal syscall.Signal
		wait   time.Duration
	}{{syscall.SIGINT, interruptTimeout}, {syscall.SIGQUIT, quitTimeout}} {
		_ = p.cmd.Process.Signal(step.signal) // it may have ended
		select {
		case <-p.done:
			return nil
		case <-time.After(step.wait):
		}
	}
	_ = syscall.Kill(-p.pid(), syscall.SIGKILL)
	select {
	case <-p.done:
		return nil
	case <-time.After(quitTimeout):
		return fmt.Errorf("process %d of Postgres does not end", p.pid())
	}
}

// stopOrphan ends the server of a folder that is not our child. Before each
// signal it is looked at again: the number may be another process's by now.
func stopOrphan(pid int, data string) error {
	for _, step := range []struct {
		signal syscall.Signal
		wait   time.Duration
	}{{syscall.SIGINT, interruptTimeout}, {syscall.SIGQUIT, quitTimeout}, {syscall.SIGKILL, quitTimeout}} {
		if !serves(pid, data) {
			return nil
		}
		if err := syscall.Kill(pid, step.signal); err != nil && !errors.Is(err, syscall.ESRCH) {
			return err
		}
		for end := time.Now().Add(step.wait); time.Now().Before(end); time.Sleep(stopPoll) {
			if !serves(pid, data) {
				return nil
			}
		}
	}
	return fmt.Errorf("process %d, the Postgres of %s, does not end", pid, data)
}

// lastLine is the last line of a log that says something, for an error.
func lastLine(log string) string {
	lines := strings.Split(strings.TrimSpace(log), "\n")
	for i := len(lines) - 1; i >= 0; i-- {
		if strings.Contains(lines[i], "FATAL") || strings.Contains(lines[i], "error") {
			return strings.TrimSpace(lines[i])
		}
	}
	return strings.TrimSpace(lines[len(lines)-1])
}

// real is path with its links resolved, as the system names it.
func real(path string) string {
	if r, err := filepath.EvalSymlinks(path); err == nil {
		return r
	}
	return path
}
