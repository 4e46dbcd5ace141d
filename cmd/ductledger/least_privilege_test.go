package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net/http"
	"net/url"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"ductledger/domain"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// logins makes an own database of an owner that is no superuser, and a login
// that is only a member of ductledger_app; their addresses are given.
func logins(t *testing.T) (owner, service string) {
	t.Helper()
	ctx := context.Background()
	address, err := url.Parse(storagetest.URL(t))
	if err != nil {
		t.Fatal(err)
	}
	admin, err := pgx.Connect(ctx, address.String())
	if err != nil {
		t.Fatal(err)
	}
	base := strings.Trim(address.Path, "/")
	names := []string{base + "_owner", base + "_service", base + "_own"}
	ownerName, serviceName, database := pgx.Identifier(names[:1]).Sanitize(), pgx.Identifier(names[1:2]).Sanitize(), pgx.Identifier(names[2:]).Sanitize()
	run := func(statements ...string) {
		t.Helper()
		for _, sql := range statements {
			if _, err := admin.Exec(ctx, sql); err != nil {
				t.Errorf("%s: %v", sql, err)
			}
		}
	}
	t.Cleanup(func() {
		run("DROP DATABASE "+database+" WITH (FORCE)", "DROP ROLE "+ownerName, "DROP ROLE "+serviceName)
		if err := admin.Close(ctx); err != nil {
			t.Error(err)
		}
	})
	run("CREATE ROLE "+ownerName+" LOGIN PASSWORD 'owner' NOSUPERUSER NOCREATEROLE NOBYPASSRLS",
		"CREATE ROLE "+serviceName+" LOGIN PASSWORD 'service' NOSUPERUSER NOCREATEROLE NOBYPASSRLS IN ROLE ductledger_app",
		"CREATE DATABASE "+database+" OWNER "+ownerName)
	as := func(name, password string) string {
		u := *address
		u.User, u.Path = url.UserPassword(name, password), "/"+names[2]
		return u.String()
	}
	return as(names[0], "owner"), as(names[1], "service")
}

// The owner is no superuser and may make no roles: it migrates and dumps. The
// service's login is only a member of ductledger_app: it makes a program, looks
// at all with the doctor and serves. A dump holds every program's rows.
func TestLeastPrivilege(t *testing.T) {
	owner, service := logins(t)
	must := func(address string, args ...string) string {
		t.Helper()
		got := runWith(t, []string{"DATABASE_URL=" + address}, args...)
		if got.code != 0 {
			t.Fatalf("%v: exit %d: %s%s", args, got.code, got.stdout, got.stderr)
		}
		return got.stdout
	}
	must(owner, "migrate", "up")
	for _, code := range []string{"NORTH", "SOUTH"} {
		must(service, "program", "create", "--code", code, "--name", code, "--time-zone", "America/Los_Angeles")
		must(service, "token", "create", "--program", code, "--role", "staff", "--name", "Ada Invented")
	}
	if list := must(service, "program", "list"); !strings.Contains(list, "NORTH") || !strings.Contains(list, "SOUTH") {
		t.Errorf("the programs are\n%s", list)
	}
	must(service, "migrate", "status")
	// The server of the tests has fsync off; nothing else may need a hand.
	got := runWith(t, []string{"DATABASE_URL=" + service}, "doctor")
	if !strings.Contains(got.stdout, "SOUTH at position 1") || strings.Count(got.stdout, "LOOK") != 1 || !strings.Contains(got.stdout, "fsync is off") {
		t.Errorf("the doctor says\n%s%s", got.stdout, got.stderr)
	}
	serves(t, service)
	if got := runWith(t, []string{"DATABASE_URL=" + service}, "migrate", "up"); got.code != 0 && !strings.Contains(got.stderr, "permission denied") {
		t.Errorf("the service migrates: exit %d %s", got.code, got.stderr)
	}
	conn, err := pgx.Connect(t.Context(), service)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, sql := range []string{"DELETE FROM entry", "UPDATE audit SET detail = ''", "CREATE TABLE mine (id int)", "ALTER TABLE entry NO FORCE ROW LEVEL SECURITY"} {
		if _, err := conn.Exec(t.Context(), sql); err == nil {
			t.Errorf("the service's login may %s", sql)
		}
	}
	dump := dumped(t, owner)
	if n := len(regexp.MustCompile(`First rules`).FindAllString(dump, -1)); n < 2 { // of each program one
		t.Errorf("the dump has %d rows of rule sets", n)
	}
	if !strings.Contains(dump, "ductledger_app") || !strings.Contains(dump, "FORCE ROW LEVEL SECURITY") {
		t.Error("the dump has no grants or no row security")
	}
}

// dumped is the database as pg_dump writes it.
func dumped(t *testing.T, address string) string {
	t.Helper()
	tool, err := exec.LookPath("pg_dump")
	if err != nil {
		t.Skip("pg_dump is not on this machine")
	}
	out, err := exec.CommandContext(t.Context(), tool, "--enable-row-security", "--dbname", address).Output()
	if err != nil {
		var failed *exec.ExitError
		if errors.As(err, &failed) {
			t.Fatalf("pg_dump: %v: %s", err, failed.Stderr)
		}
		t.Fatal(err)
	}
	return string(out)
}

// serves starts the service and asks whether it is ready, also while nobody reads
// its log.
func serves(t *testing.T, address string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	log, lines := io.Pipe()
	ended := make(chan int, 1)
	go func() {
		defer lines.Close()
		ended <- run(ctx, []string{"serve", "--listen", "127.0.0.1:0", "--metrics-listen", "-"}, []string{"DATABASE_URL=" + address},
			strings.NewReader(""), io.Discard, lines)
	}()
	var said []string
	for scan := bufio.NewScanner(log); scan.Scan(); {
		said = append(said, scan.Text())
		at := regexp.MustCompile(`"address":"([^"]+)"`).FindStringSubmatch(scan.Text())
		if at == nil {
			continue
		}
		func() { // nobody reads its log meanwhile, which must not stop it
			defer cancel()
			request, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+at[1]+"/readyz", nil)
			if err != nil {
				t.Error(err)
				return
			}
			response, err := http.DefaultClient.Do(request)
			if err != nil {
				t.Error(err)
			} else if response.Body.Close(); response.StatusCode != http.StatusOK {
				t.Errorf("/readyz answers %d", response.StatusCode)
			}
		}()
	}
	http.DefaultClient.CloseIdleConnections()
	if code := <-ended; code != 0 || ctx.Err() != context.Canceled {
		t.Errorf("serve ended with %d and said %s", code, said)
	}
}

// A service that gets no connection says so at once, and works again when there
// is one.
func TestNoConnectionIsLeft(t *testing.T) {
	owner, service := logins(t)
	if got := runWith(t, []string{"DATABASE_URL=" + owner}, "migrate", "up"); got.code != 0 {
		t.Fatal(got.stderr)
	}
	admin, err := pgx.Connect(t.Context(), storagetest.URL(t))
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(context.Background())
	config, err := pgx.ParseConfig(service)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := admin.Exec(t.Context(), "ALTER ROLE "+pgx.Identifier{config.User}.Sanitize()+" CONNECTION LIMIT 1"); err != nil {
		t.Fatal(err)
	}
	only, err := pgx.ConnectConfig(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	db, err := storage.Open(t.Context(), service, storage.Options{Connections: 2, Now: time.Now})
	if err == nil {
		defer db.Close()
		_, err = db.Programs(t.Context())
	}
	if domain.CodeOf(err) != domain.Overloaded {
		t.Errorf("with no connection left: %v", err)
	}
	if err := only.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if db == nil {
		t.Fatal("it does not open while the database is busy")
	}
	for range 6000 { // the server frees the place in its own time
		if _, err = db.Programs(t.Context()); err == nil {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("with a connection free: %v", err)
}

// An index whose building was interrupted is found by the doctor.
func TestDoctorFindsAnIndexThatIsNotWhole(t *testing.T) {
	address := storagetest.URL(t)
	admin, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(context.Background())
	env := []string{"DATABASE_URL=" + address}
	if got := runWith(t, env, "migrate", "up"); got.code != 0 {
		t.Fatal(got.stderr)
	}
	if got := runWith(t, env, "doctor"); !strings.Contains(got.stdout, "all valid") {
		t.Errorf("at first: %s", got.stdout)
	}
	if _, err := admin.Exec(t.Context(), "UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'person_name_once'::regclass"); err != nil {
		t.Fatal(err)
	}
	if got := runWith(t, env, "doctor"); got.code == 0 || !strings.Contains(got.stdout, "invalid, to be built again: person_name_once") {
		t.Errorf("exit %d: %s", got.code, got.stdout)
	}
}

// A schema that is newer than the program knows keeps it from serving and from
// all else, and it says so: the way back after an upgrade is a restore.
func TestAnotherSchemaIsRefused(t *testing.T) {
	address := storagetest.URL(t)
	admin, err := pgx.Connect(t.Context(), address)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(context.Background())
	env := []string{"DATABASE_URL=" + address}
	if got := runWith(t, env, "migrate", "up"); got.code != 0 {
		t.Fatal(got.stderr)
	}
	if _, err := admin.Exec(t.Context(), "UPDATE schema_migrations SET version = version + 1"); err != nil {
		t.Fatal(err)
	}
	for _, command := range [][]string{{"serve", "--listen", "127.0.0.1:0"}, {"migrate", "up"}, {"program", "list"}} {
		if got := runWith(t, env, command...); got.code == 0 || !strings.Contains(got.stderr, "use the newer program") {
			t.Errorf("%v on a newer schema: exit %d %s", command, got.code, got.stderr)
		}
	}
}
