package cluster

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestMajorOf(t *testing.T) {
	for _, c := range []struct {
		line string
		want int
	}{
		{"postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n", 15},
		{"postgres (PostgreSQL) 18beta1\n", 18},
		{"postgres (PostgreSQL) 9.6.24\n", 9},
		{"some other program 15.1\n", 0},
	} {
		got, err := majorOf(c.line)
		if got != c.want || (err != nil) != (c.want == 0) {
			t.Errorf("%q is version %d, %v; want %d", c.line, got, err, c.want)
		}
	}
}

// fake puts an installed Postgres of a version into a folder.
func fake(t *testing.T, folder, version string) {
	t.Helper()
	if err := os.MkdirAll(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"initdb", "postgres"} {
		script := fmt.Sprintf("#!/bin/sh\necho '%s (PostgreSQL) %s'\n", name, version)
		if err := os.WriteFile(filepath.Join(folder, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

func TestNewestProgramsAreTaken(t *testing.T) {
	root := t.TempDir()
	for _, version := range []string{"14.11", "15.4", "17.2", "9.6.1"} {
		fake(t, filepath.Join(root, version, "bin"), version)
	}
	onPath := filepath.Join(root, "path")
	fake(t, onPath, "16.1")
	link := filepath.Join(root, "link") // as Homebrew's and this image's
	if err := os.Symlink(filepath.Join(root, "17.2", "bin"), link); err != nil {
		t.Fatal(err)
	}
	got, looked := findPrograms(t.Context(), Options{
		path:   onPath + string(os.PathListSeparator) + link,
		places: []string{filepath.Join(root, "*", "bin")},
	})
	if got == nil || got.major != 17 || got.postgres != filepath.Join(real(root), "17.2", "bin", "postgres") {
		t.Errorf("found %+v; %s", got, looked)
	}
}

// With none of the three ways, one line says what was looked for and what to
// install.
func TestNone(t *testing.T) {
	root := t.TempDir()
	fake(t, root, "14.11")
	t.Setenv("PATH", root) // no docker
	_, err := Start(t.Context(), Options{path: root, places: []string{"/nowhere/*/bin"}, temp: tempFolder(t)})
	if !errors.Is(err, ErrNone) {
		t.Fatalf("error %v", err)
	}
	for _, part := range []string{
		"DATABASE_URL (not set)", "initdb and postgres on PATH", "/nowhere/*/bin", "postgres is version 14",
		"docker is not on PATH", "Postgres 15 or newer", "apt-get install postgresql", "brew install postgresql",
	} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not say %q", err, part)
		}
	}
	if strings.Contains(err.Error(), "\n") {
		t.Errorf("more than one line: %q", err)
	}
}
