package main

import (
	"context"
	"strings"
	"testing"

	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

func TestProgramsTokensAndTheDoctor(t *testing.T) {
	env := []string{"DATABASE_URL=" + storagetest.URL(t)}
	must := func(args ...string) outcome {
		t.Helper()
		got := runWith(t, env, args...)
		if got.code != 0 {
			t.Fatalf("%v: exit %d: %s%s", args, got.code, got.stdout, got.stderr)
		}
		return got
	}
	must("migrate", "up")
	must("program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "America/Los_Angeles")
	if got := runWith(t, env, "program", "create", "--code", "NORTH", "--name", "Again", "--time-zone", "UTC"); got.code != 1 || !strings.Contains(got.stderr, "NORTH") {
		t.Errorf("a second program of the same code: exit %d, %s", got.code, got.stderr)
	}
	if got := runWith(t, env, "program", "create", "--code", "SOUTH", "--name", "South", "--time-zone", "Nowhere/Here"); got.code != 1 || !strings.Contains(got.stderr, "Nowhere/Here") {
		t.Errorf("an unknown zone: exit %d, %s", got.code, got.stderr)
	}
	token := strings.TrimSpace(must("token", "create", "--program", "NORTH", "--role", "staff", "--name", "Ada Invented").stdout)
	if !strings.HasPrefix(token, "dl_") || len(token) != 67 {
		t.Errorf("the token is %q", token)
	}
	list := must("token", "list", "--program", "NORTH").stdout
	if strings.Contains(list, token) || !strings.Contains(list, "Ada Invented") {
		t.Errorf("the list is\n%s", list)
	}
	id := strings.Fields(strings.Split(list, "\n")[1])[0]
	must("token", "revoke", "--program", "NORTH", id)
	if got := runWith(t, env, "token", "revoke", "--program", "NORTH", id); got.code != 1 {
		t.Errorf("a revoked token was revoked again: exit %d", got.code)
	}
	if got := must("program", "list").stdout; !strings.Contains(got, "North County") {
		t.Errorf("the list is\n%s", got)
	}
	// The server of the tests gives up durability for speed; the doctor says so.
	got := runWith(t, env, "doctor")
	if got.code != 1 || !strings.Contains(got.stdout, "NORTH at position 1") || strings.Count(got.stdout, "LOOK") != 1 || !strings.Contains(got.stdout, "fsync is off") {
		t.Errorf("the doctor says\n%s%s", got.stdout, got.stderr)
	}
}

// A changed figure breaks its own link and is named; what is before it holds.
func TestAuditNamesTheFirstLinkThatDoesNotHold(t *testing.T) {
	url := storagetest.URL(t)
	env := []string{"DATABASE_URL=" + url}
	for _, args := range [][]string{
		{"program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "UTC"},
		{"audit", "--program", "NORTH"},
	} {
		if got := runWith(t, env, args...); got.code != 0 {
			t.Fatalf("%v: %s", args, got.stderr)
		}
	}
	conn, err := pgx.Connect(context.Background(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, statement := range []string{"ALTER TABLE entry NO FORCE ROW LEVEL SECURITY", "ALTER TABLE entry DISABLE TRIGGER USER",
		"UPDATE entry SET body = replace(body, 'First rules', 'Other rules')"} {
		if _, err := conn.Exec(context.Background(), statement); err != nil {
			t.Fatal(err)
		}
	}
	got := runWith(t, env, "audit", "--program", "NORTH")
	if got.code != 1 || !strings.Contains(got.stderr, "position 1:") {
		t.Errorf("exit %d: %s%s", got.code, got.stdout, got.stderr)
	}
	if got := runWith(t, env, "audit", "--program", "NONE"); got.code != 1 {
		t.Errorf("a program that is not there: exit %d", got.code)
	}
}
