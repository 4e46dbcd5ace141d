package main

import (
	"encoding/json"
	"strings"
	"testing"

	"ductledger/storage/storagetest"
)

// Whatever a command answers, a script can read: one JSON value on standard
// output and nothing else there.
func TestEveryAnswerIsJSONWhenAsked(t *testing.T) {
	env := []string{"DATABASE_URL=" + storagetest.URL(t)}
	answer := func(code int, args ...string) map[string]any {
		t.Helper()
		got := runWith(t, env, append(args, "--json")...)
		var value map[string]any
		if err := json.Unmarshal([]byte(got.stdout), &value); err != nil || got.code != code {
			t.Fatalf("%v: exit %d, %v: %s%s", args, got.code, err, got.stdout, got.stderr)
		}
		return value
	}
	items := func(v map[string]any) []any { return v["items"].([]any) }
	if v := answer(0, "migrate", "up"); v["version"] != v["newest_version"] || len(v["pending"].([]any)) != 0 {
		t.Errorf("migrate up: %v", v)
	}
	answer(0, "migrate", "status")
	if v := answer(0, "program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "UTC"); v["code"] != "NORTH" {
		t.Errorf("program create: %v", v)
	}
	if v := answer(0, "program", "list"); len(items(v)) != 1 || items(v)[0].(map[string]any)["name"] != "North County" {
		t.Errorf("program list: %v", v)
	}
	made := answer(0, "token", "create", "--program", "NORTH", "--role", "staff", "--name", "Ada Invented")
	if token, _ := made["token"].(string); !strings.HasPrefix(token, "dl_") {
		t.Errorf("token create: %v", made)
	}
	listed := items(answer(0, "token", "list", "--program", "NORTH"))
	if len(listed) != 1 || listed[0].(map[string]any)["name"] != "Ada Invented" {
		t.Fatalf("token list: %v", listed)
	}
	id := listed[0].(map[string]any)["id"].(string)
	if v := answer(0, "token", "revoke", "--program", "NORTH", id); v["id"] != id {
		t.Errorf("token revoke: %v", v)
	}
	if v := answer(0, "audit", "--program", "NORTH"); v["from"] != 1.0 || v["link"] == "" {
		t.Errorf("audit: %v", v)
	}
	if v := answer(0, "recompute", "--program", "NORTH"); v["results_count"] != 0.0 || len(v["differing"].([]any)) != 0 {
		t.Errorf("recompute: %v", v)
	}
	if v := answer(1, "doctor"); len(v["settings"].([]any)) == 0 || len(v["found"].([]any)) == 0 { // the tests' server has no fsync
		t.Errorf("doctor: %v", v)
	}
	answer(0, "history", "failover")
	answer(0, "history", "restored")
	answer(0, "id")
	answer(0, "complete", "zsh")
	answer(0, "example", "job")
}

// A credential for a device or a contractor that is not there is refused in
// one line that says what to do, not in the database's words.
func TestTokensForWhatIsNotThere(t *testing.T) {
	env := []string{"DATABASE_URL=" + storagetest.URL(t)}
	if got := runWith(t, env, "program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "UTC"); got.code != 0 {
		t.Fatal(got.stderr)
	}
	const nobody = "0198b1c4-7a10-7c3e-9d55-3f2a6b8c0d99"
	for _, row := range []struct {
		args []string
		want string
	}{
		{[]string{"--role", "staff", "--device", nobody}, "--device " + nobody + ": program NORTH has no such device"},
		{[]string{"--role", "contractor", "--contractor", nobody}, "--contractor " + nobody + ": program NORTH has no such contractor"},
		{[]string{"--role", "staff", "--device", "phone"}, "--device"},
	} {
		got := runWith(t, env, append([]string{"token", "create", "--program", "NORTH"}, row.args...)...)
		if got.code != 2 || !strings.Contains(got.stderr, row.want) || strings.Count(got.stderr, "\n") != 1 || strings.Contains(got.stderr, "SQLSTATE") || got.stdout != "" {
			t.Errorf("%v: exit %d: %s%s", row.args, got.code, got.stdout, got.stderr)
		}
	}
}
