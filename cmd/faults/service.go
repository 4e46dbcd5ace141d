//go:build linux

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"ductledger/storage/proxy"
)

// service is one service with the proxy before it, whose address stays. It is
// started again whenever it ends, as by a supervisor.
type service struct {
	t    *trial
	name string
	r    *rand.Rand // of its keeper
	link *proxy.Proxy
	log  *os.File

	mu      sync.Mutex
	running *exec.Cmd
	address string        // where it listens itself
	ready   chan struct{} // closed when it listens
	ended   chan struct{} // closed when it has ended
	asked   bool          // to end by itself
}

const (
	startTime = 10 * time.Minute // for a service to listen, while Postgres may be away and the machine busy
	termTime  = 40 * time.Second
)

func (t *trial) startServices(ctx context.Context) error {
	for i := range t.Services {
		link, err := proxy.Listen("127.0.0.1:0") // to nowhere yet
		if err != nil {
			return err
		}
		log, err := os.Create(filepath.Join(t.folder, fmt.Sprintf("service%d.log", i)))
		if err != nil {
			return err
		}
		s := &service{t: t, name: fmt.Sprintf("service %d", i), r: t.chance(100 + uint64(i)), link: link, log: log}
		t.services = append(t.services, s)
		if err := s.start(len(clocks) - 1); err != nil {
			return err
		}
	}
	for _, s := range t.services {
		if err := s.await(ctx); err != nil {
			return err
		}
	}
	return nil
}

// start starts the program whose clock is off by that many steps.
func (s *service) start(clock int) error {
	command := exec.Command(s.t.binaries[clock], append([]string{"serve", "--listen", "127.0.0.1:0", "--metrics-listen", "-"}, s.t.serve...)...)
	command.Env = s.t.environment()
	command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	output, err := command.StderrPipe()
	if err != nil {
		return err
	}
	if err := command.Start(); err != nil {
		return err
	}
	ready, ended := make(chan struct{}), make(chan struct{})
	s.mu.Lock()
	s.running, s.ready, s.ended, s.asked = command, ready, ended, false
	s.mu.Unlock()
	began := time.Now()
	go func() {
		defer close(ended)
		lines := bufio.NewScanner(io.TeeReader(output, s.log))
		lines.Buffer(nil, 1<<20)
		for listens := false; !listens && lines.Scan(); {
			var line struct{ Msg, Address string }
			if json.Unmarshal(lines.Bytes(), &line) == nil && line.Msg == "listening" { // the API is the first
				listens = true
				s.link.Point(line.Address)
				s.mu.Lock()
				s.address = line.Address
				s.mu.Unlock()
				s.t.counts.started(time.Since(began))
				close(ready)
			}
		}
		_, _ = io.Copy(s.log, output) // until it ends
		_ = command.Wait()            // how it ended is asked of its state
	}()
	return nil
}

// state is what runs now.
func (s *service) state() (running *exec.Cmd, ready, ended chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.running, s.ready, s.ended
}

// await waits until it listens. A service that finds no database ends, and is
// started again.
func (s *service) await(ctx context.Context) error {
	limit := time.After(startTime)
	for {
		_, ready, ended := s.state()
		select {
		case <-ready:
			return nil
		case <-ended:
			time.Sleep(50 * time.Millisecond)
			if err := s.start(0); err != nil {
				return err
			}
		case <-limit:
			return fmt.Errorf("%s does not start: its log is %s", s.name, s.log.Name())
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// kill kills it, at best in the middle of a request.
func (s *service) kill(r *rand.Rand) (underWay bool) {
	for end := time.Now().Add(500 * time.Millisecond); s.link.Waiting() == 0 && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	time.Sleep(time.Duration(r.IntN(15_000)) * time.Microsecond)
	running, _, ended := s.state()
	underWay = s.link.Waiting() > 0
	_ = running.Process.Kill() // it may have ended
	<-ended
	return underWay
}

// terminate asks it to end, which it must do by itself and without a failure.
func (s *service) terminate() error {
	running, _, ended := s.state()
	if err := running.Process.Signal(syscall.SIGTERM); err != nil {
		return nil // it has ended
	}
	select {
	case <-ended:
	case <-time.After(termTime):
		_ = running.Process.Kill()
		return fmt.Errorf("%s did not end within %s of SIGTERM", s.name, termTime)
	}
	if code := running.ProcessState.ExitCode(); code != 0 {
		return fmt.Errorf("%s ended with %d after SIGTERM", s.name, code)
	}
	return nil
}

// stopFor has it stand still for a while.
func (s *service) stopFor(d time.Duration) error {
	running, _, _ := s.state()
	if err := running.Process.Signal(syscall.SIGSTOP); err != nil {
		return nil // it has ended
	}
	time.Sleep(d)
	return running.Process.Signal(syscall.SIGCONT)
}

func (t *trial) endServices() {
	for _, s := range t.services {
		running, _, ended := s.state()
		_ = running.Process.Kill()
		<-ended
		s.link.Close()
		_ = s.log.Close()
	}
}
