//go:build linux

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"strconv"
	"sync"
	"syscall"
	"time"

	"ductledger/storage/cluster"
	"ductledger/storage/proxy"
)

// postgres is a cluster of the trial's own behind a proxy whose address stays.
type postgres struct {
	folder  string
	link    *proxy.Proxy
	address string // by the proxy

	mu      sync.Mutex // of whoever breaks it
	cluster *cluster.Cluster
}

func newPostgres(ctx context.Context, folder string) (*postgres, error) {
	link, err := proxy.Listen("127.0.0.1:0") // to nowhere yet
	if err != nil {
		return nil, err
	}
	p := &postgres{folder: folder, link: link}
	if err := p.start(ctx); err != nil {
		return nil, err
	}
	address, err := url.Parse(p.cluster.URL(""))
	if err != nil {
		return nil, err
	}
	address.Host = link.Address()
	p.address = address.String()
	return p, nil
}

// start starts it on its folder, and again after a kill.
func (p *postgres) start(ctx context.Context) error {
	started, err := cluster.Start(ctx, cluster.Options{Keep: p.folder, NoContainer: true, Parameters: []string{"max_connections=200"}})
	if err != nil {
		return err // the one before stays, to be stopped
	}
	p.cluster = started
	address, err := url.Parse(p.cluster.URL(""))
	if err == nil {
		p.link.Point(address.Host)
	}
	return err
}

func (p *postgres) stop() error {
	p.link.Close()
	return p.cluster.Stop()
}

// kill kills all its processes at once and starts it again on what the disk has.
// The first stands still meanwhile, so that it bears no child that is missed; the
// next Postgres does not start while one of them holds the old one's memory.
func (p *postgres) kill(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	pids, err := p.cluster.Processes()
	if err != nil {
		return err
	}
	if len(pids) > 0 {
		_ = syscall.Kill(pids[0], syscall.SIGSTOP) // it may have ended
		if pids, err = p.cluster.Processes(); err != nil {
			return err
		}
	}
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	err = p.cluster.Stop()
	for _, pid := range pids {
		for end := time.Now().Add(endTime); lives(pid) && time.Now().Before(end); {
			time.Sleep(time.Millisecond)
		}
	}
	return errors.Join(err, p.start(ctx))
}

// endTime is how long a killed process may take to end.
const endTime = 30 * time.Second

// lives tells a process that runs from one that has ended and that nobody has asked after.
func lives(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && !bytes.Contains(text, []byte(") Z "))
}

// one is a process of a session or of a helper, by chance; 0 where there is none.
func (p *postgres) one(r *rand.Rand) (int, error) {
	pids, err := p.cluster.Processes()
	if err != nil || len(pids) < 2 {
		return 0, err
	}
	return pids[1+r.IntN(len(pids)-1)], nil
}

// killOne kills one process: Postgres then resets all sessions by itself.
func (p *postgres) killOne(r *rand.Rand) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	pid, err := p.one(r)
	if pid == 0 {
		return err
	}
	return ended(syscall.Kill(pid, syscall.SIGKILL))
}

// failDisk lets the next write of one process fail, whatever it writes: no file
// may have a byte. A write of the log that fails is a panic, from which Postgres
// recovers by itself. The limit is set by the process's own user: nobody else
// may in a container.
func (p *postgres) failDisk(r *rand.Rand) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	pid, err := p.one(r)
	if pid == 0 {
		return err
	}
	about, err := os.Stat(fmt.Sprintf("/proc/%d", pid))
	if err != nil {
		return nil // it has ended
	}
	limit := exec.Command("prlimit", "--pid", strconv.Itoa(pid), "--fsize=0:unlimited")
	if owner, ok := about.Sys().(*syscall.Stat_t); ok && int(owner.Uid) != os.Geteuid() {
		limit.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: owner.Uid, Gid: owner.Gid}}
	}
	if said, err := limit.CombinedOutput(); err != nil && syscall.Kill(pid, 0) == nil {
		return fmt.Errorf("a limit for process %d of Postgres: %w: %s", pid, err, said)
	}
	return nil
}

// stopFor has all its processes stand still for a while.
func (p *postgres) stopFor(d time.Duration) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	pids, err := p.cluster.Processes()
	if err != nil {
		return err
	}
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGSTOP) // it may have ended
	}
	time.Sleep(d)
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGCONT)
	}
	return nil
}

// ended lets pass that a process had ended already.
func ended(err error) error {
	if errors.Is(err, syscall.ESRCH) {
		return nil
	}
	return err
}
