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

// commands: without a name, kill.
type commands struct {
	Kill killCommand `cmd:"" default:"withargs" help:"Kill the service and Postgres under work, and ask what was lost."`
	Load loadCommand `cmd:"" help:"Offer many times what the service can do, and ask what is done in time."`
}

type killCommand struct{ settings }

// errFound says that something is wrong; what, was told.
var errFound = errors.New("something is wrong")

func (c *killCommand) Run(ctx context.Context) error {
	found, err := run(ctx, c.settings)
	if err == nil && found {
		err = errFound
	}
	return err
}

// settings are the flags of kill.
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
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second signal ends the program
	parsed := kong.Parse(&commands{}, kong.Description("Kills the service and Postgres under work, or offers more than they can do, and asks what became of it."),
		kong.BindTo(ctx, (*context.Context)(nil)))
	switch err := parsed.Run(); {
	case errors.Is(err, errFound):
		os.Exit(1)
	case err != nil:
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(2)
	}
}

// trial is one run.
type trial struct {
	settings
	folder   string
	binaries []string // of ductledger, by how far its clock is off; the first is right
	postgres *postgres
	services []*service
	serve    []string // their arguments, but where they listen
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
	t := &trial{settings: s, began: time.Now(), counts: counts{answers: map[string]int{}}}
	if t.folder, err = folderOf(s.Folder); err != nil {
		return false, err
	}
	t.serve = []string{"--connections", "8", "--pictures", filepath.Join(t.folder, "pictures"),
		// Phones that write without a pause, each start a new service: rates are not what is tried.
		"--limit", "token_rate_per_s=1000", "--limit", "program_rate_per_s=5000", "--limit", "unknown_token_rate_per_s=1000"}
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

// folderOf makes the folder that is named, or a new one.
func folderOf(named string) (folder string, err error) {
	if folder = named; folder == "" {
		if folder, err = os.MkdirTemp("", "faults-"); err != nil {
			return "", err
		}
	}
	return folder, errors.Join(os.MkdirAll(folder, 0o711), os.Chmod(folder, 0o711)) // Postgres runs as somebody else
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
