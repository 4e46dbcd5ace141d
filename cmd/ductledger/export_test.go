package main

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/month"
	"ductledger/domain/pack"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

// rewritten is a package with one member changed and all digests left as they
// were.
func rewritten(t *testing.T, file []byte, suffix string, change func([]byte) []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, f := range in.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(f.Name, suffix) {
			body = change(body)
		}
		member, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := member.Write(body); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A package built on the database alone, signed, and what verify says of it
// and of what somebody made of it.
func TestExportOnTheDatabaseAndVerify(t *testing.T) {
	env := []string{"DATABASE_URL=" + storagetest.URL(t)}
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	put := func(name string, content []byte) string {
		t.Helper()
		if err := os.WriteFile(in(name), content, 0o600); err != nil {
			t.Fatal(err)
		}
		return in(name)
	}
	for _, args := range [][]string{{"migrate", "up"}, {"program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "UTC"}} {
		if got := runWith(t, env, args...); got.code != 0 {
			t.Fatalf("%v: %s", args, got.stderr)
		}
	}
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	key := put("key.pem", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: pkcs8}))
	signer := put("signer.pub", []byte(pack.PublicKeyLine(public)))
	export := []string{"export", "--program", "NORTH", "--month", time.Now().UTC().Format("2006-01"), "--key", key, "--out"}
	for _, name := range []string{"a.zip", "b.zip"} {
		if got := runWith(t, env, append(export, in(name))...); got.code != 0 || !strings.Contains(got.stdout, "revision 1") {
			t.Fatalf("export: exit %d, %s%s", got.code, got.stdout, got.stderr)
		}
	}
	owner, err := pgx.Connect(t.Context(), strings.TrimPrefix(env[0], "DATABASE_URL="))
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(context.Background())
	var packages, nobodys, tokens int // the operator is no person: what it built is nobody's to release, and it leaves no token
	err = owner.QueryRow(t.Context(), "SELECT count(*), count(*) FILTER (WHERE built_by IS NULL), (SELECT count(*) FROM token) FROM month_package").Scan(&packages, &nobodys, &tokens)
	if err != nil || packages != 1 || nobodys != 1 || tokens != 0 {
		t.Errorf("%d packages, %d of them nobody's, %d tokens, %v", packages, nobodys, tokens, err)
	}
	file, err := os.ReadFile(in("a.zip"))
	if err != nil {
		t.Fatal(err)
	}
	if second, err := os.ReadFile(in("b.zip")); err != nil || !bytes.Equal(file, second) {
		t.Errorf("two exports differ (%v)", err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 4 {
		t.Errorf("besides the packages and keys there is something left: %v, %v", left, err)
	}

	const page = 80 // lines of nine points on a sheet of eleven inches with half an inch of margin
	rewritten(t, file, "/README.txt", func(b []byte) []byte {
		if n := bytes.Count(b, []byte("\n")); n < 40 || n > page {
			t.Errorf("README.txt has %d lines:\n%s", n, b)
		}
		return b
	})

	row := 2 + slices.IndexFunc(month.Codes(), func(c month.Code) bool { return c.Meaning == "The work was done" }) // below the header
	altered := put("altered.zip", rewritten(t, file, "codes.csv", func(b []byte) []byte {
		return bytes.Replace(b, []byte("The work was done"), []byte("The work was dome"), 1)
	}))
	cut := put("cut.zip", file[:1000])
	other := put("other.pub", []byte(strings.Replace(pack.PublicKeyLine(make([]byte, ed25519.PublicKeySize)), "\n", "", 1)))
	for _, c := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"whole", []string{in("a.zip")}, exitGood, "holds"},
		{"signed by the one who is expected", []string{in("a.zip"), "--signed-by", signer}, exitGood, "ok   signature"},
		{"signed by another", []string{in("a.zip"), "--signed-by", other}, exitFailed, "FAIL signature"},
		{"one altered cell", []string{altered}, exitFailed, fmt.Sprintf("codes.csv row %d column meaning", row)},
		{"the month itself as the month before", []string{in("a.zip"), "--previous", in("a.zip")}, exitFailed, "FAIL previous"},
		{"a cut file", []string{cut}, exitRefused, ""},
		{"no file", []string{in("none.zip")}, exitRefused, ""},
		{"a folder", []string{dir}, exitRefused, ""},
		{"no file before", []string{in("a.zip"), "--previous", in("none.zip")}, exitRefused, ""},
	} {
		got := runWith(t, nil, append([]string{"verify"}, c.args...)...)
		if got.code != c.code || !strings.Contains(got.stdout, c.says) {
			t.Errorf("%s: exit %d, want %d saying %q:\n%s%s", c.name, got.code, c.code, c.says, got.stdout, got.stderr)
		}
	}
	var report pack.Report
	got := runWith(t, nil, "verify", "--json", altered)
	if err := json.Unmarshal([]byte(got.stdout), &report); err != nil || report.Holds || got.code != exitFailed {
		t.Errorf("--json: exit %d, %v\n%s", got.code, err, got.stdout)
	}
}

func TestExportThroughTheService(t *testing.T) {
	a := apitest.Serve(t)
	out := filepath.Join(t.TempDir(), "month.zip")
	env := []string{"DUCTLEDGER_URL=" + a.URL, "DUCTLEDGER_STAFF_TOKEN=" + a.Tokens[domain.Staff], "DATABASE_URL=postgres://nowhere/"}
	got := runWith(t, env, "export", "--month", "2026-10", "--out", out)
	if got.code != 0 || !strings.Contains(got.stdout, "draft") {
		t.Fatalf("exit %d: %s%s", got.code, got.stdout, got.stderr)
	}
	if got := runWith(t, nil, "verify", out); got.code != 0 {
		t.Errorf("verify: exit %d\n%s%s", got.code, got.stdout, got.stderr)
	}
	before, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"a month to come", []string{"--month", "2027-01"}, exitFailed, "has not begun"},
		{"no month", []string{"--month", "October"}, exitFailed, "month"},
		{"a position beyond the head", []string{"--month", "2026-10", "--position", "9999"}, exitFailed, "position"},
		{"a token that is none", []string{"--month", "2026-10", "--token", "dl_x"}, exitFailed, "unauthorized"},
		{"a key for a service", []string{"--month", "2026-10", "--key", out}, exitRefused, "--program"},
		{"nobody there", []string{"--month", "2026-10", "--server", "http://127.0.0.1:1"}, exitFailed, "refused"},
	} {
		got := runWith(t, env, append([]string{"export", "--out", out}, c.args...)...)
		if got.code != c.code || !strings.Contains(got.stderr, c.says) {
			t.Errorf("%s: exit %d, want %d saying %q: %s", c.name, got.code, c.code, c.says, got.stderr)
		}
	}
	after, err := os.ReadFile(out)
	left, err2 := os.ReadDir(filepath.Dir(out))
	if err != nil || err2 != nil || !bytes.Equal(before, after) || len(left) != 1 {
		t.Errorf("a failed export touched the file, or left %v (%v, %v)", left, err, err2)
	}
}

// A month that does not reconcile with the one before: the service's build
// fails, the command says why and which sums, and writes no file.
func TestExportOfABuildThatFails(t *testing.T) {
	a := apitest.Serve(t)
	dir := t.TempDir()
	env := []string{"DUCTLEDGER_URL=" + a.URL, "DUCTLEDGER_STAFF_TOKEN=" + a.Tokens[domain.Staff]}
	a.Clock.Move(time.Date(2026, 11, 2, 12, 0, 0, 0, time.UTC).Sub(a.Clock.Now()))
	if got := runWith(t, env, "export", "--month", "2026-10", "--out", filepath.Join(dir, "october.zip")); got.code != 0 {
		t.Fatalf("exit %d: %s", got.code, got.stderr)
	}
	a.Do(domain.Admin, "POST", "/v1/months/2026-10/packages/1/release", nil).Want(200)
	owner, err := pgx.Connect(t.Context(), storagetest.AddressOf(a.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(context.Background())
	const spoil = "UPDATE month_package SET cumulative = regexp_replace(cumulative, '0', '7')"
	if tag, err := owner.Exec(t.Context(), spoil); err != nil || tag.RowsAffected() != 1 {
		t.Fatal(tag, err)
	}
	out := filepath.Join(dir, "november.zip")
	got := runWith(t, env, "export", "--month", "2026-11", "--out", out)
	if got.code != exitFailed || !strings.Contains(got.stderr, "not_reconciled") || !strings.Contains(got.stderr, "reconciliation.csv") {
		t.Errorf("exit %d, want %d: %s%s", got.code, exitFailed, got.stdout, got.stderr)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 1 {
		t.Errorf("there is %v, %v", left, err)
	}
}

// An export that is killed, at whatever moment, leaves nothing at the name that
// it was to write; the next one writes the very file that an undisturbed one
// does.
func TestExportKilledLeavesNoFile(t *testing.T) {
	env := []string{"DATABASE_URL=" + storagetest.URL(t)}
	for _, args := range [][]string{{"migrate", "up"}, {"program", "create", "--code", "NORTH", "--name", "North County", "--time-zone", "UTC"}} {
		if got := runWith(t, env, args...); got.code != 0 {
			t.Fatalf("%v: %s", args, got.stderr)
		}
	}
	this := time.Now().UTC().Format("2006-01")
	export := func(out string) *exec.Cmd {
		child := exec.Command(os.Args[0], "export", "--program", "NORTH", "--month", this, "--out", out)
		child.Env = append(append(os.Environ(), env...), asProgram+"=1")
		return child
	}
	dir := t.TempDir()
	whole := filepath.Join(dir, "whole.zip")
	begun := time.Now()
	if said, err := export(whole).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	took := time.Since(begun)
	want, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	owner, err := pgx.Connect(t.Context(), strings.TrimPrefix(env[0], "DATABASE_URL="))
	if err != nil {
		t.Fatal(err)
	}
	defer owner.Close(context.Background())
	const kills = 12
	for i := 0; i < kills; {
		if _, err := owner.Exec(t.Context(), "TRUNCATE month_package, month_package_part, month_build"); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(dir, fmt.Sprintf("killed%d.zip", i))
		child := export(out)
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(took * time.Duration(2*i+1) / (2 * kills))
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		if err := child.Wait(); err == nil {
			took = took * 3 / 4 // it was faster than the first
			if err := os.Remove(out); err != nil {
				t.Fatal(err)
			}
			continue
		}
		got, err := os.ReadFile(out)
		if err == nil && !bytes.Equal(got, want) {
			t.Errorf("killed after %d of %d parts of its time: %d bytes at the final name, want %d or none", i, kills, len(got), len(want))
		}
		i++
	}
	after := filepath.Join(dir, "after.zip")
	if said, err := export(after).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, said)
	}
	if got, err := os.ReadFile(after); err != nil || !bytes.Equal(got, want) {
		t.Errorf("the export after the kills is another file (%v)", err)
	}
}
