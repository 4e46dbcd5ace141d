package main

import (
	"bytes"
	"context"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/storage"
	"ductledger/storage/cluster"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// backups is a folder with room for the server's own user, who writes the archive.
func backups(t *testing.T) string {
	t.Helper()
	folder, err := os.MkdirTemp("", "ductledger-test-backups-*")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(folder) })
	wal := filepath.Join(folder, "wal")
	for _, path := range []string{folder, wal} {
		if err := os.MkdirAll(path, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, 0o777); err != nil { // a folder of this test alone
			t.Fatal(err)
		}
	}
	return folder
}

// archiving starts a server of its own that archives its WAL with the script
// that operators use.
func archiving(t *testing.T, folder string) *cluster.Cluster {
	t.Helper()
	for _, tool := range []string{"pg_basebackup", "pg_verifybackup"} {
		if _, err := exec.LookPath(tool); err != nil {
			if found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + tool); len(found) == 0 {
				t.Skip(tool + " is not on this machine")
			}
		}
	}
	script, err := os.ReadFile("../../deploy/backup/archive-wal")
	if err != nil {
		t.Fatal(err)
	}
	command := filepath.Join(folder, "archive-wal")              // the checkout may be closed to the server's user
	if err := os.WriteFile(command, script, 0o755); err != nil { //nolint:gosec // it has to be run by another user
		t.Fatal(err)
	}
	server, err := cluster.Start(t.Context(), cluster.Options{Database: "office", NoContainer: true, Parameters: []string{
		"archive_mode=on", "archive_command=" + command + ` "%p" "%f" ` + filepath.Join(folder, "wal")}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := server.Stop(); err != nil {
			t.Error(err)
		}
	})
	return server
}

// baseBackup runs the script that operators use and answers the backup's folder.
func baseBackup(t *testing.T, folder, address string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "sh", "../../deploy/backup/base-backup", folder)
	cmd.Env = append(os.Environ(), "BACKUP_URL="+address, "KEEP=2")
	var problems bytes.Buffer
	cmd.Stderr = &problems
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("base-backup: %v: %s", err, problems.String())
	}
	return strings.TrimSpace(string(out))
}

// archived waits until all that was committed so far is in the archive.
func archived(t *testing.T, address string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var name string
	if err := conn.QueryRow(t.Context(), "SELECT pg_walfile_name(pg_switch_wal())").Scan(&name); err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
		var there bool
		err := conn.QueryRow(t.Context(), "SELECT coalesce(last_archived_wal >= $1, false) FROM pg_stat_archiver", name).Scan(&there)
		if err != nil || there {
			if err != nil {
				t.Fatal(err)
			}
			return
		}
		if time.Now().After(end) {
			t.Fatal("the archive does not get " + name)
		}
	}
}

// A backup of Monday and the archive since then bring Tuesday back: the drill
// says so in the database that serves, a restore to Monday evening gives Monday,
// and nothing is ever written over.
func TestABackupBringsTheLedgerBack(t *testing.T) {
	t.Parallel()
	folder := backups(t)
	server := archiving(t, folder)
	address := server.URL("")
	env := []string{"DATABASE_URL=" + address}
	must := func(args ...string) outcome {
		t.Helper()
		got := runWith(t, env, args...)
		if got.code != 0 {
			t.Fatalf("%v: exit %d: %s%s", args, got.code, got.stdout, got.stderr)
		}
		return got
	}
	must("migrate", "up")
	db, err := storage.Open(t.Context(), address, storage.Options{Connections: 4, Now: time.Now, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	w := storagetest.Program(t, db)
	programs, err := db.Programs(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	code := programs[0].Code
	w.Must(t, w.Field, w.WholeJob(t)...)
	must("export", "--program", code, "--month", thisMonth(t), "--out", filepath.Join(t.TempDir(), "month.zip"))
	backup := baseBackup(t, folder, address)
	monday, err := db.Positions(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	evening := time.Now()
	w.NewHome(t)
	w.Must(t, w.Field, w.WholeJob(t)...)
	archived(t, address)
	at, err := db.Positions(t.Context())
	if err != nil {
		t.Fatal(err)
	}

	doctor := runWith(t, env, "doctor")
	if !strings.Contains(doctor.stdout, "no backup was tried yet") {
		t.Errorf("the doctor says\n%s", doctor.stdout)
	}
	tried := must("restore", "--json", "--verify", backup, "--archive", filepath.Join(folder, "wal"))
	if want := at[w.Program]; !strings.Contains(tried.stdout, `"position": `+strconv.FormatInt(want, 10)) || !strings.Contains(tried.stdout, code+"_") {
		t.Errorf("at position %d the trial says\n%s", want, tried.stdout)
	}
	doctor = runWith(t, env, "doctor")
	if !strings.Contains(doctor.stdout, "a backup was restored and proved") {
		t.Errorf("after the trial the doctor says\n%s", doctor.stdout)
	}

	// Restored for good, it is a data folder on which Postgres starts.
	into := filepath.Join(folder, "restored")
	restored := must("restore", "--json", backup, "--archive", filepath.Join(folder, "wal"), "--until", evening.Format(time.RFC3339Nano), "--into", into)
	if want := monday[w.Program]; !strings.Contains(restored.stdout, `"position": `+strconv.FormatInt(want, 10)) {
		t.Errorf("until Monday evening, position %d, it says\n%s", want, restored.stdout)
	}
	if _, err := os.Stat(filepath.Join(into, "PG_VERSION")); err != nil {
		t.Error(err)
	}
	again := runWith(t, env, "restore", backup, "--into", into)
	if again.code == 0 || !strings.Contains(again.stderr, "is not empty") {
		t.Errorf("over what is there: exit %d %s", again.code, again.stderr)
	}

	// One byte of the backup is another: nothing is restored.
	spoil(t, backup)
	spoiled := runWith(t, env, "restore", backup, "--into", filepath.Join(folder, "spoiled"))
	if spoiled.code == 0 || !strings.Contains(spoiled.stderr, "is not whole") {
		t.Errorf("a spoiled backup: exit %d %s", spoiled.code, spoiled.stderr)
	}
	if _, err := os.Stat(filepath.Join(folder, "spoiled")); err == nil {
		t.Error("a spoiled backup left a folder")
	}
}

// thisMonth is the month in which a program of storagetest works now.
func thisMonth(t *testing.T) string {
	t.Helper()
	zone, err := time.LoadLocation("America/Los_Angeles")
	if err != nil {
		t.Fatal(err)
	}
	return time.Now().In(zone).Format("2006-01")
}

// spoil changes one byte of the largest file of a table.
func spoil(t *testing.T, backup string) {
	t.Helper()
	var largest string
	var size int64
	err := filepath.WalkDir(filepath.Join(backup, "base"), func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		info, err := entry.Info()
		if err == nil && info.Size() > size {
			largest, size = path, info.Size()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.OpenFile(largest, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	b := make([]byte, 1)
	if _, err := file.ReadAt(b, size/2); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 0xff
	if _, err := file.WriteAt(b, size/2); err != nil {
		t.Fatal(err)
	}
}

// Without a login, a database, a place, or with a moment but no archive, nothing begins.
func TestRestoreSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		address, want string
		args          []string
	}{
		{"postgres://db.agency.example/", "must name the login and the database", []string{"restore", "nowhere", "--into", "new"}},
		{"postgres://service@db.agency.example/office", "--into names the new data folder", []string{"restore", "nowhere"}},
		{"postgres://service@db.agency.example/office", "--until needs the --archive", []string{"restore", "nowhere", "--into", "new", "--until", "2026-11-30T14:00:00Z"}},
	} {
		got := runWith(t, []string{"DATABASE_URL=" + c.address}, c.args...)
		if got.code != exitRefused || !strings.Contains(got.stderr, c.want) {
			t.Errorf("%v: exit %d %s", c.args, got.code, got.stderr)
		}
	}
}
