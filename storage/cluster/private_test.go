package cluster

import (
	"context"
	"errors"
	"os"
	"syscall"
	"testing"
)

func TestPrivateLeavesNothing(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	c := mustStart(t, Options{temp: temp, NoContainer: true, Database: "own"})
	conn := dial(t, c.URL(""))
	data := ask(t, conn, "SHOW data_directory")

	for _, setting := range []struct{ query, want string }{
		{"SHOW listen_addresses", "127.0.0.1"},
		{"SHOW unix_socket_directories", ""},
		{"SHOW data_checksums", "on"},
		{"SHOW server_encoding", "UTF8"},
		{"SHOW lc_collate", "C"},
		{"SHOW fsync", "on"},
		{"SELECT current_database()", c.Database()},
	} {
		if got := ask(t, conn, setting.query); got != setting.want {
			t.Errorf("%s is %q, want %q", setting.query, got, setting.want)
		}
	}
	if !serves(c.PID(), data) {
		t.Errorf("process %d is not the Postgres of %s", c.PID(), data)
	}
	// Ctrl-C in a terminal goes to our group: the server must not be in it.
	if group, err := syscall.Getpgid(c.PID()); err != nil || group == syscall.Getpgrp() {
		t.Errorf("the server is in our process group %d, %v", group, err)
	}
	// initdb -A scram-sha-256: a wrong password is refused.
	wrong := *c.server.admin
	wrong.User = nil
	if conn, err := connect(t.Context(), &wrong); err == nil {
		_ = conn.Close(t.Context())
		t.Error("the server lets us in without a password")
	}

	if err := c.Stop(); err != nil {
		t.Fatal(err)
	}
	if serves(c.PID(), data) || syscall.Kill(c.PID(), 0) == nil {
		t.Errorf("process %d is left", c.PID())
	}
	if left := entries(t, temp); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestFastAndParameters(t *testing.T) {
	t.Parallel()
	c := mustStart(t, Options{temp: tempFolder(t), NoContainer: true, Fast: true, Parameters: []string{"max_connections=37"}})
	conn := dial(t, c.URL(""))
	for setting, want := range map[string]string{
		"fsync": "off", "full_page_writes": "off", "synchronous_commit": "off", "max_connections": "37",
	} {
		if got := ask(t, conn, "SELECT current_setting($1)", setting); got != want {
			t.Errorf("%s is %s, want %s", setting, got, want)
		}
	}
}

// Started by root, the server runs as somebody else, who owns its data and
// nothing of ours.
func TestRootDropsPrivileges(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("these tests do not run as root")
	}
	c := mustStart(t, Options{temp: tempFolder(t), NoContainer: true, Fast: true})
	data := ask(t, dial(t, c.URL("")), "SHOW data_directory")
	account, err := serverAccount()
	if err != nil {
		t.Fatal(err)
	}
	if account.credential == nil || account.credential.Uid == 0 {
		t.Fatalf("the account is %+v", account)
	}
	info, err := os.Stat(data)
	if err != nil {
		t.Fatal(err)
	}
	if owner := info.Sys().(*syscall.Stat_t).Uid; owner != account.credential.Uid || info.Mode().Perm() != 0o700 {
		t.Errorf("%s belongs to user %d with mode %o", data, owner, info.Mode().Perm())
	}
	if owner := processOwner(t, c.PID()); owner != account.credential.Uid {
		t.Errorf("the server runs as user %d, want %d", owner, account.credential.Uid)
	}
}

func TestKeep(t *testing.T) {
	t.Parallel()
	folder := tempFolder(t)
	o := Options{temp: tempFolder(t), NoContainer: true, Fast: true, Keep: folder}
	first := mustStart(t, o)
	run(t, dial(t, first.URL("")), "CREATE TABLE kept AS SELECT 'still here' AS answer")

	if _, err := Start(t.Context(), o); !errors.Is(err, errLocked) {
		t.Errorf("a second run in the same folder: %v", err)
	}
	if err := first.Stop(); err != nil {
		t.Fatal(err)
	}
	second := mustStart(t, o)
	if got := ask(t, dial(t, second.URL("")), "SELECT answer FROM kept"); got != "still here" {
		t.Errorf("the kept cluster says %q", got)
	}
}

func TestCancelledStartLeavesNothing(t *testing.T) {
	t.Parallel()
	temp := tempFolder(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	programs, found := findPrograms(t.Context(), Options{})
	if programs == nil {
		t.Fatal(found)
	}
	// From here on, so that the folder is made and initdb runs when it ends.
	if _, err := private(ctx, Options{temp: temp}, *programs); !errors.Is(err, context.Canceled) {
		t.Errorf("error %v", err)
	}
	if left := entries(t, temp); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}
