package cluster

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// What a run that was killed with kill -9 leaves, the next start clears.
func TestOrphanIsCleared(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	pid := kill(t, "outlived", temp)
	orphans := entries(t, temp)
	if len(orphans) != 1 || !serves(pid, filepath.Join(orphans[0], "data")) {
		t.Fatalf("the killed run left %v, and process %d does not serve it", orphans, pid)
	}

	var said []string
	c := mustStart(t, Options{temp: temp, NoContainer: true, Fast: true, Say: func(line string) { said = append(said, line) }})
	if serves(pid, filepath.Join(orphans[0], "data")) {
		t.Errorf("process %d of the killed run is left", pid)
	}
	if slices.Contains(entries(t, temp), orphans[0]) {
		t.Errorf("%s of the killed run is left", orphans[0])
	}
	if !strings.Contains(strings.Join(said, "\n"), "cleared "+orphans[0]) {
		t.Errorf("said only %q", said)
	}
	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if left := entries(t, temp); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestLiveRunIsNotTouched(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	first := mustStart(t, Options{temp: temp, NoContainer: true, Fast: true})
	conn := dial(t, first.URL(""))
	mustStart(t, Options{temp: temp, NoContainer: true, Fast: true, Say: func(line string) {
		if strings.HasPrefix(line, "cleared") {
			t.Error(line)
		}
	}})
	if got := ask(t, conn, "SELECT 'alive'"); got != "alive" {
		t.Errorf("the first run's server says %q", got)
	}
}

// A folder that only bears such a name, and a process that only has such a
// number, are none of our business.
func TestClearOrphansIsCareful(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	foreign := filepath.Join(temp, "ductledger-notes")
	reused := filepath.Join(temp, "ductledger-reused")
	empty := filepath.Join(temp, "ductledger-empty")
	target := filepath.Join(temp, "elsewhere")
	link := filepath.Join(temp, "ductledger-link")
	for _, path := range []string{foreign, reused, empty, target} {
		if err := os.Mkdir(path, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Symlink(target, link); err != nil {
		t.Fatal(err)
	}
	// The number now belongs to this test program, which would not survive.
	body, err := json.Marshal(record{OwnerPID: 1, ServerPID: os.Getpid()})
	if err != nil {
		t.Fatal(err)
	}
	for path, text := range map[string]string{
		filepath.Join(foreign, "todo.txt"): "keep me",
		filepath.Join(reused, "run.json"):  string(body),
		filepath.Join(target, "run.json"):  string(body),
	} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}

	clearOrphans(t.Context(), Options{temp: temp, Say: func(line string) { t.Log(line) }})

	if got, want := entries(t, temp), []string{link, foreign, target}; !slices.Equal(got, want) {
		t.Errorf("left %v, want %v", got, want)
	}
	if left := entries(t, target); len(left) != 1 {
		t.Errorf("a link was followed: %v", left)
	}
}
