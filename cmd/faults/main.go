//go:build linux

// Command faults kills the service and its Postgres again and again, under work,
// over links that break, with a disk that fails and clocks that jump, and then
// asks whether anything was lost, doubled, left half or stuck.
//
//	go run ./cmd/faults --kills 1000 --database-kills 100
//
// It builds ductledger, starts a Postgres of its own that keeps its promises
// (fsync), several services on it, and phones of two programs: the example
// field app (api/device) with a journal in a file. Between phones and services,
// and between services and Postgres, stand proxies. When the kills are done,
// all is healed, the phones deliver what they have, and the oracle compares
// what they were told with the ledger, from outside: by the feed, by audit and
// recompute, by what is held, by the pictures' bytes, by a package of the month.
//
// The seed decides what the phones write and which faults are drawn; how
// processes interleave is the machine's. What is found stays in the folder that
// is named, with the logs.
package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
)

// settings are the flags.
type settings struct {
	Seed          uint64        `default:"1" help:"What is drawn by chance."`
	Kills         int           `default:"1000" help:"How often a service is killed."`
	DatabaseKills int           `default:"100" help:"How often Postgres is killed."`
	Services      int           `default:"3" help:"Services on one database."`
	Phones        int           `default:"4" help:"Phones of each of the two programs."`
	Most          time.Duration `default:"40m" help:"The longest that kills may take."`
	Folder        string        `help:"Where logs, journals and the database are; removed when nothing was found. A new one by default."`
}

func main() {
	var s settings
	kong.Parse(&s, kong.Description("Kills the service and Postgres under work, and asks what was lost."))
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program
	found, err := run(ctx, s)
	switch {
	case err != nil:
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(2)
	case found:
		os.Exit(1)
	}
}

// trial is one run.
type trial struct {
	settings
	folder   string
	binaries []string // of ductledger, by how far its clock is off; the first is right
	postgres *postgres
	services []*service
	programs []*program
	counts   counts
	began    time.Time
}

// clocks are how far the clock of a service may be off when it starts. The last
// is that of the agencies' founding: rules begin after the day on which they are
// made, and are to be in force already.
var clocks = []string{"0s", "26h", "-26h", "-2400h"}

// chance is a source of its own for each part of the trial, so that one does not
// disturb what another draws.
func (t *trial) chance(part uint64) *rand.Rand { return rand.New(rand.NewPCG(t.Seed, part)) }

func (t *trial) say(format string, args ...any) {
	fmt.Printf("%4.0f s  "+format+"\n", append([]any{time.Since(t.began).Seconds()}, args...)...)
}

// run makes the world, breaks it, heals it and asks the oracle. found says that
// something is wrong.
func run(ctx context.Context, s settings) (found bool, err error) {
	t := &trial{settings: s, folder: s.Folder, began: time.Now(), counts: counts{answers: map[string]int{}}}
	if t.folder == "" {
		if t.folder, err = os.MkdirTemp("", "faults-"); err != nil {
			return false, err
		}
	}
	if err := errors.Join(os.MkdirAll(t.folder, 0o711), os.Chmod(t.folder, 0o711)); err != nil { // Postgres runs as somebody else
		return false, err
	}
	fmt.Printf("seed %d: %d kills of %d services, %d of Postgres, %d phones; in %s\n", t.Seed, t.Kills, t.Services, t.DatabaseKills, 2*t.Phones, t.folder)
	defer func() {
		if !found && err == nil {
			err = os.RemoveAll(t.folder)
		}
	}()
	if err := t.build(ctx); err != nil {
		return false, err
	}
	if t.postgres, err = newPostgres(ctx, filepath.Join(t.folder, "postgres")); err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, t.postgres.stop()) }()
	if _, err := t.ductledger(ctx, "migrate", "up"); err != nil {
		return false, err
	}
	defer t.endServices()
	if err := t.startServices(ctx); err != nil {
		return false, err
	}
	if err := t.foundPrograms(ctx); err != nil {
		return false, err
	}
	if err := t.restart(ctx); err != nil {
		return false, err
	}
	t.say("two programs work")

	enough := ctx // a signal ends the kills; what was done is judged all the same
	ctx = context.WithoutCancel(ctx)
	var working sync.WaitGroup
	stopped := make(chan struct{})
	for _, p := range t.programs {
		for _, a := range p.apps {
			working.Go(func() { a.live(ctx, stopped) })
		}
	}
	t.breakLinks()
	err = t.breakThings(enough)
	t.heal()
	close(stopped)
	working.Wait()
	if err != nil {
		return false, err
	}
	t.say("all is healed; the phones deliver")
	if err := t.rest(ctx); err != nil {
		return true, err
	}
	findings, err := t.judge(ctx)
	if err != nil {
		return true, err
	}
	t.report(findings)
	return len(findings) > 0, nil
}

// build links ductledger once for each clock.
func (t *trial) build(ctx context.Context) error {
	for i, shift := range clocks {
		binary := filepath.Join(t.folder, fmt.Sprintf("ductledger%d", i))
		build := exec.CommandContext(ctx, "go", "build", "-o", binary, "-ldflags", "-X main.clockShift="+shift, "ductledger/cmd/ductledger")
		if said, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("build: %w\n%s", err, said)
		}
		t.binaries = append(t.binaries, binary)
	}
	return nil
}

// ductledger runs a command of the program whose clock is right.
func (t *trial) ductledger(ctx context.Context, args ...string) (string, error) {
	command := exec.CommandContext(ctx, t.binaries[0], args...)
	command.Env = t.environment()
	var failed *exec.ExitError
	said, err := command.Output()
	if errors.As(err, &failed) {
		err = fmt.Errorf("ductledger %v: %w: %s%s", args[:1], err, said, failed.Stderr)
	}
	return string(said), err
}

// environment is a service's: what the caller has set of ours is left out.
func (t *trial) environment() []string {
	return []string{"PATH=" + os.Getenv("PATH"), "HOME=" + t.folder, "DATABASE_URL=" + t.postgres.address}
}
