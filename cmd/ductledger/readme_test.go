package main

import (
	"bytes"
	"context"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"ductledger/storage/storagetest"
)

// sources are what the program is built from.
var sources = []string{"api", "cmd", "domain", "migrations", "storage", "go.mod", "go.sum"}

// A newcomer pastes what README shows, in a folder of the sources and nothing
// else. The demo is a small one and listens where there is room: both are said
// by variables, so that each command runs as it is written.
func TestReadmesCommands(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	for _, b := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllSubmatch(text, -1) {
		blocks = append(blocks, string(b[1]))
	}
	const demo, tests, job, month, production = 0, 1, 2, 3, 4
	if len(blocks) != 5 || blocks[tests] != "go test ./...\n" || !strings.HasSuffix(blocks[production], "./ductledger serve\n") {
		t.Fatalf("README has other blocks of commands than this test knows: %q", blocks)
	}
	folder := t.TempDir()
	for _, name := range sources {
		if err := copied(filepath.Join("../..", name), filepath.Join(folder, name)); err != nil {
			t.Fatal(err)
		}
	}
	env := func(more ...string) []string {
		clean := slices.DeleteFunc(os.Environ(), func(v string) bool {
			return strings.HasPrefix(v, variablePrefix) || strings.HasPrefix(v, "DATABASE_URL=")
		})
		return append(clean, append(more, "DUCTLEDGER_LISTEN=127.0.0.1:0", "DUCTLEDGER_METRICS_LISTEN=-", "DUCTLEDGER_NO_DOWNLOAD=true")...)
	}

	// The demo is the first command, and stays.
	given := []string{"DUCTLEDGER_JOBS=24", "DUCTLEDGER_MONTHS=3"}
	if url := os.Getenv("TEST_DATABASE_URL"); url != "" {
		given = append(given, "DATABASE_URL="+url)
	}
	stayed := begin(t, folder, blocks[demo], env(given...), "Try next:")

	pasted := func(block string) string {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
		defer cancel()
		shell := exec.CommandContext(ctx, "bash", "-euo", "pipefail", "-c", block)
		shell.Dir, shell.Env = folder, env()
		var stderr bytes.Buffer
		shell.Stderr = &stderr
		out, err := shell.Output()
		if err != nil {
			t.Fatalf("%v\n%s%s\nthe demo wrote:\n%s", err, out, &stderr, stayed)
		}
		return string(out)
	}
	out := pasted(blocks[job])
	for _, want := range []string{`"status":"created"`, `"status":"updated"`, `"energy_isolated"`, `"end_closure_clear_of_outlets"`, `"crossover_collar_screws"`} {
		if !strings.Contains(out, want) {
			t.Errorf("the first job of one's own: the answers lack %s:\n%s", want, out)
		}
	}
	for _, never := range []string{`"status":"rejected"`, `"status":"waiting"`, `"status":"conflict"`} {
		if strings.Contains(out, never) {
			t.Errorf("the first job of one's own: %s in\n%s", never, out)
		}
	}
	if quoted := regexp.MustCompile(`(?m)^> .*must fix: (.*\.) Take`).FindSubmatch(text); quoted == nil || !strings.Contains(out, string(quoted[1])) {
		t.Errorf("README quotes a finding that is not among the answers: %q", quoted)
	}
	if out := pasted("set -a; . ./demo.env; set +a\n" + blocks[month]); !strings.Contains(out, "month.zip") {
		t.Errorf("the month's package: %s", out)
	}

	lines := strings.SplitAfter(blocks[production], "\n")
	serve := len(lines) - 2
	database := "DATABASE_URL=" + storagetest.URL(t)
	if out := pasted("export " + database + "\n" + strings.Join(lines[:serve], "")); !strings.Contains(out, "/staff/") {
		t.Errorf("no link for the first admin: %s", out)
	}
	begin(t, folder, lines[serve], env(database), `"listening"`)
}

// copied copies a file or a folder.
func copied(from, to string) error {
	return filepath.WalkDir(from, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		inside, err := filepath.Rel(from, name)
		if err != nil {
			return err
		}
		if d.IsDir() {
			return os.MkdirAll(filepath.Join(to, inside), 0o755)
		}
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(to, inside), text, 0o644)
	})
}

// begin starts a command that stays, waits until it has written the words, and
// ends it with the test, as Ctrl-C does.
func begin(t *testing.T, folder, command string, env []string, words string) *watched {
	t.Helper()
	out := &watched{words: words, atWork: make(chan struct{})}
	shell := exec.Command("bash", "-euc", command)
	shell.Dir, shell.Env, shell.Stdout, shell.Stderr = folder, env, out, out
	shell.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := shell.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- shell.Wait() }()
	t.Cleanup(func() {
		_ = syscall.Kill(-shell.Process.Pid, syscall.SIGINT)
		<-ended
	})
	select {
	case <-out.atWork:
	case err := <-ended:
		ended <- err
		t.Fatalf("%s ended: %v\n%s", command, err, out)
	}
	return out
}

// README says of each promise where it is tested, deploy/TRIED.md of each attack and fault.
func TestReadmesPromisesAreTested(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	tried, err := os.ReadFile("../../deploy/TRIED.md")
	if err != nil {
		t.Fatal(err)
	}
	test := regexp.MustCompile("`((?:Test|Fuzz)\\w+)`")
	named := test.FindAllSubmatch(text, -1)
	if len(named) < 16 {
		t.Errorf("only %d tests are named", len(named))
	}
	named = append(named, test.FindAllSubmatch(tried, -1)...)
	var all bytes.Buffer
	for _, folder := range []string{"../../api", "../../cmd", "../../domain", "../../migrations", "../../storage"} {
		err := filepath.WalkDir(folder, func(name string, _ fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(name, "_test.go") {
				return err
			}
			text, err := os.ReadFile(name)
			all.Write(text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range named {
		if !bytes.Contains(all.Bytes(), []byte("\nfunc "+string(name[1])+"(")) {
			t.Errorf("README or TRIED.md names %s, and there is no such test", name[1])
		}
	}
}
