package pack_test

import (
	"bytes"
	"crypto/ed25519"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"ductledger/domain/pack"
)

// unpacked writes the package and its folder to disk, as a receiver has them.
func unpacked(t *testing.T, file []byte) (zipPath, folder string) {
	t.Helper()
	dir := t.TempDir()
	root, _, members := unzip(t, file)
	for name, m := range members {
		path := filepath.Join(dir, root, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, m, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	zipPath = filepath.Join(dir, root+".zip")
	if err := os.WriteFile(zipPath, file, 0o644); err != nil {
		t.Fatal(err)
	}
	return zipPath, filepath.Join(dir, root)
}

// run runs a stock tool and gives its exit code; the test is skipped where
// the machine lacks it.
func run(t *testing.T, dir string, stdin []byte, name string, args ...string) (string, int) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Skipf("%s is not on this machine", name)
	}
	c := exec.Command(name, args...)
	c.Dir, c.Stdin = dir, bytes.NewReader(stdin)
	out, err := c.CombinedOutput()
	if _, exited := err.(*exec.ExitError); err != nil && !exited {
		t.Fatal(err)
	}
	return string(out), c.ProcessState.ExitCode()
}

func TestSha256sum(t *testing.T) {
	file, _ := small().write(t)
	_, folder := unpacked(t, file)
	for _, list := range []string{"manifest-sha256.txt", "tagmanifest-sha256.txt"} {
		if out, code := run(t, folder, nil, "sha256sum", "--strict", "-c", list); code != 0 {
			t.Errorf("%s: exit %d\n%s", list, code, out)
		}
	}
}

func TestSSHKeygenVerifies(t *testing.T) {
	file, _ := small().write(t)
	_, folder := unpacked(t, file)
	signers := filepath.Join(folder, "signers")
	if err := os.WriteFile(signers, []byte("agency "+pack.PublicKeyLine(testKey.Public().(ed25519.PublicKey))+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	list, err := os.ReadFile(filepath.Join(folder, "tagmanifest-sha256.txt"))
	if err != nil {
		t.Fatal(err)
	}
	args := []string{"-Y", "verify", "-f", signers, "-I", "agency", "-n", pack.SignatureNamespace, "-s", "tagmanifest-sha256.txt.sig"}
	if out, code := run(t, folder, list, "ssh-keygen", args...); code != 0 {
		t.Errorf("exit %d\n%s", code, out)
	}
	if out, code := run(t, folder, append(list, '\n'), "ssh-keygen", args...); code == 0 {
		t.Errorf("another list passes:\n%s", out)
	}
}

// A key and a signature made by ssh-keygen are read here.
func TestReadsSSHKeygen(t *testing.T) {
	dir := t.TempDir()
	if out, code := run(t, dir, nil, "ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "somebody", "-f", "key"); code != 0 {
		t.Fatal(out)
	}
	line, err := os.ReadFile(filepath.Join(dir, "key.pub"))
	if err != nil {
		t.Fatal(err)
	}
	pub, err := pack.ParsePublicKey(string(line))
	if err != nil {
		t.Fatal(err)
	}
	out, _ := run(t, dir, nil, "ssh-keygen", "-l", "-f", "key.pub")
	if !strings.Contains(out, pack.Fingerprint(pub)+" ") {
		t.Errorf("ssh-keygen says %q, we say %q", out, pack.Fingerprint(pub))
	}
	file, _ := small().write(t)
	folder, names, members := unzip(t, file)
	ours := pack.Fingerprint(testKey.Public().(ed25519.PublicKey))
	members["bag-info.txt"] = bytes.Replace(members["bag-info.txt"], []byte(ours), []byte(pack.Fingerprint(pub)), 1)
	info := bytes.Clone(members["bag-info.txt"])
	redigest(names, members)
	members["tagmanifest-sha256.txt"] = bytes.Replace(members["tagmanifest-sha256.txt"],
		[]byte(digest(members["bag-info.txt"])), []byte(digest(info)), 1)
	members["bag-info.txt"] = info
	if err := os.WriteFile(filepath.Join(dir, "list"), members["tagmanifest-sha256.txt"], 0o644); err != nil {
		t.Fatal(err)
	}
	if out, code := run(t, dir, nil, "ssh-keygen", "-q", "-Y", "sign", "-f", "key", "-n", pack.SignatureNamespace, "list"); code != 0 {
		t.Fatal(out)
	}
	if members["tagmanifest-sha256.txt.sig"], err = os.ReadFile(filepath.Join(dir, "list.sig")); err != nil {
		t.Fatal(err)
	}
	if r := verify(t, rezip(t, folder, names, members), pack.VerifyOptions{PublicKey: pub}); !r.Holds {
		t.Error(r.Text())
	}
}

// The Python script finds what Verify finds.
func TestPythonScript(t *testing.T) {
	script, err := filepath.Abs("../../deploy/verify_package.py")
	if err != nil {
		t.Fatal(err)
	}
	file, _ := small().write(t)
	key := pack.PublicKeyLine(testKey.Public().(ed25519.PublicKey))
	folder, names, members := unzip(t, file)
	alter := func(name, from, to string) []byte {
		changed := map[string][]byte{}
		for k, v := range members {
			changed[k] = v
		}
		if !bytes.Contains(changed[name], []byte(from)) {
			t.Fatalf("%s has no %q", name, from)
		}
		changed[name] = bytes.Replace(changed[name], []byte(from), []byte(to), 1)
		changed["bag-info.txt"] = reoxum(changed["bag-info.txt"], changed)
		redigest(names, changed)
		return rezip(t, folder, names, changed)
	}
	otherList := map[string][]byte{}
	for k, v := range members {
		otherList[k] = v
	}
	otherList["tagmanifest-sha256.txt"] = append(bytes.Clone(members["tagmanifest-sha256.txt"]), '\n')
	for _, c := range []struct {
		name string
		file []byte
		args []string
		code int
		says string
	}{
		{"holds", file, []string{"--key", key}, 0, "holds; signed by ssh-ed25519"},
		{"text cell", alter("data/jobs.csv", "north", "south"), nil, 1, "jobs.csv row 2 column label"},
		{"number cell", alter("data/jobs.csv", "31050", "31051"), nil, 1, "jobs.csv row 3 column paid_cents"},
		{"not a number", alter("data/jobs.csv", "120.7", "1207e-1"), nil, 1, "jobs.csv row 2 column after_cfm25: '1207e-1' is no number"},
		{"formula", alter("data/contractors.csv", "'=HYPER", "=HYPER"), nil, 1, "contractors.csv row 3 column name"},
		{"cumulative", alter("data/reconciliation.csv", ",12,", ",13,"), nil, 1, "reconciliation.csv row 2 column cumulative"},
		{"control", alter("data/control.csv", "219.0", "219.1"), nil, 1, "total is '219.0'"},
		{"unsigned", alter("data/control.csv", "219.0", "219.0"), nil, 0, "holds; not signed"},
		{"unsigned, key asked", alter("data/control.csv", "219.0", "219.0"), []string{"--key", key}, 1, "missing"},
		{"signature", rezip(t, folder, names, otherList), nil, 1, ""},
		{"truncated", file[:len(file)/2], nil, 2, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "p.zip"), c.file, 0o644); err != nil {
				t.Fatal(err)
			}
			out, code := run(t, dir, nil, "python3", append([]string{script, "p.zip"}, c.args...)...)
			if code != c.code || !strings.Contains(out, c.says) {
				t.Errorf("exit %d, want %d with %q:\n%s", code, c.code, c.says, out)
			}
			r, err := pack.Verify(bytes.NewReader(c.file), int64(len(c.file)), verifyOptions(c.args))
			if got := exitCode(r, err); got != c.code {
				t.Errorf("Verify gives %d, want %d: %v\n%s", got, c.code, err, r.Text())
			}
		})
	}
}

func verifyOptions(args []string) (o pack.VerifyOptions) {
	if len(args) > 0 {
		o.PublicKey = testKey.Public().(ed25519.PublicKey)
	}
	return o
}

func exitCode(r pack.Report, err error) int {
	switch {
	case err != nil:
		return 2
	case !r.Holds:
		return 1
	}
	return 0
}
