package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ductledger/storage/storagetest"
)

// The database's address may stand in a file, which nobody else may read, and
// not in two places.
func TestTheAddressInAFile(t *testing.T) {
	t.Parallel()
	address := storagetest.URL(t)
	file := filepath.Join(t.TempDir(), "database-url")
	if err := os.WriteFile(file, []byte(address+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := runWith(t, []string{"DATABASE_URL_FILE=" + file}, "program", "list"); got.code != 0 {
		t.Errorf("exit %d: %s", got.code, got.stderr)
	}
	twice := runWith(t, []string{"DATABASE_URL_FILE=" + file, "DATABASE_URL=" + address}, "program", "list")
	if twice.code != exitRefused || !strings.Contains(twice.stderr, "named twice") {
		t.Errorf("named twice: exit %d %s", twice.code, twice.stderr)
	}
	if err := os.Chmod(file, 0o640); err != nil {
		t.Fatal(err)
	}
	open := runWith(t, []string{"DATABASE_URL_FILE=" + file}, "program", "list")
	if open.code != exitRefused || !strings.Contains(open.stderr, "chmod 600") || strings.Contains(open.stderr, address) {
		t.Errorf("readable by the group: exit %d %s", open.code, open.stderr)
	}
}

// A package never takes the place of what is no file: a link, a folder, a device.
func TestExportRefusesWhatIsNoFile(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	link := filepath.Join(folder, "link.zip")
	if err := os.Symlink(filepath.Join(folder, "elsewhere"), link); err != nil {
		t.Fatal(err)
	}
	for _, out := range []string{folder, link, os.DevNull} {
		got := runWith(t, nil, "export", "--month", "2026-10", "--out", out, "--server", "http://127.0.0.1:1", "--token", "dl_x")
		if got.code != exitRefused || !strings.Contains(got.stderr, "is no file") {
			t.Errorf("--out %s: exit %d %s", out, got.code, got.stderr)
		}
	}
}
