//go:build linux

package main

import (
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
func (p *postgres) start(ctx context.Context) (err error) {
	p.cluster, err = cluster.Start(ctx, cluster.Options{Keep: p.folder, NoContainer: true, Parameters: []string{"max_connections=200"}})
	if err != nil {
		return err
	}
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
func (p *postgres) kill(ctx context.Context) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	pids, err := p.cluster.Processes()
	if err != nil {
		return err
	}
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGKILL) // it may have ended
	}
	return errors.Join(p.cluster.Stop(), p.start(ctx))
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
