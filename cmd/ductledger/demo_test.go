package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"ductledger/api/calculations"
	"ductledger/api/frame"
	"ductledger/domain"
)

// smallDemo is a demo's process with folders of its own, so that what it
// leaves behind can be counted.
type smallDemo struct {
	*exec.Cmd
	temp   string
	stderr *watched
	lines  *bufio.Scanner // of standard output
}

// watched keeps what is written and tells when certain words are.
type watched struct {
	mu     sync.Mutex
	text   bytes.Buffer
	words  string
	atWork chan struct{}
	told   bool
}

func (w *watched) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.text.Write(b)
	if !w.told && strings.Contains(w.text.String(), w.words) {
		w.told = true
		close(w.atWork)
	}
	return len(b), nil
}

func (w *watched) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.text.String()
}

func startDemo(t *testing.T, args ...string) *smallDemo {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	temp, err := os.MkdirTemp("", "demo-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(temp) })
	if err := os.Chmod(temp, 0o755); err != nil { // Postgres runs as another user when we are root
		t.Fatal(err)
	}
	d := &smallDemo{temp: temp, stderr: &watched{words: "jobs sent in", atWork: make(chan struct{})}}
	d.Cmd = exec.Command(program, append([]string{"demo", "--jobs", "24", "--months", "3", "--listen", "127.0.0.1:0"}, args...)...)
	d.Env = append(os.Environ(), asProgram+"=1", "TMPDIR="+temp, "DATABASE_URL="+os.Getenv("TEST_DATABASE_URL"))
	d.Stderr = d.stderr
	out, err := d.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	d.lines = bufio.NewScanner(out)
	if err := d.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if d.ProcessState == nil {
			_ = d.Process.Signal(syscall.SIGTERM)
			_ = d.Wait()
		}
	})
	return d
}

// left fails when a folder or a process of the demo is left.
func (d *smallDemo) left(t *testing.T) {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(d.temp, "*"))
	if err != nil || len(names) > 0 {
		t.Errorf("left behind: %v %v", names, err)
	}
	commands, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	for _, file := range commands {
		if text, err := os.ReadFile(file); err == nil && bytes.Contains(text, []byte(d.temp)) {
			t.Errorf("still running: %s", bytes.ReplaceAll(text, []byte{0}, []byte(" ")))
		}
	}
}

func TestDemoTwiceInARow(t *testing.T) {
	for range 2 {
		file := filepath.Join(t.TempDir(), "env")
		d := startDemo(t, "--exit", "--env-file", file)
		var out strings.Builder
		for d.lines.Scan() {
			fmt.Fprintln(&out, d.lines.Text())
		}
		if err := d.Wait(); err != nil {
			t.Fatalf("%v\n%s", err, d.stderr)
		}
		d.left(t)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range append(demoVariables(), "DATABASE_URL") {
			if !strings.Contains(string(text), name+"='") || !strings.Contains(out.String(), "export "+name+"='") {
				t.Errorf("%s is not handed out", name)
			}
		}
		if !strings.Contains(out.String(), "DEMO: everything here is invented") {
			t.Error("no warning")
		}
	}
}

func TestSignalInTheMiddleLeavesNothing(t *testing.T) {
	d := startDemo(t)
	ended := make(chan struct{})
	go func() { // nothing comes on standard output before it is ready
		defer close(ended)
		for d.lines.Scan() {
		}
	}()
	select {
	case <-d.stderr.atWork:
	case <-ended:
		t.Fatalf("it ended before the crews were at work:\n%s", d.stderr)
	}
	if err := d.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	<-ended
	if err := d.Wait(); err == nil || !strings.Contains(d.stderr.String(), "ended before the demo was ready") {
		t.Errorf("%v\n%s", err, d.stderr)
	}
	d.left(t)
}

// The examples, as a newcomer tries them against a demo.
func TestExamplesAreTaken(t *testing.T) {
	d := startDemo(t)
	env := map[string]string{}
	for d.lines.Scan() {
		if name, value, found := strings.Cut(strings.TrimPrefix(d.lines.Text(), "export "), "='"); found {
			env[name] = strings.TrimSuffix(value, "'")
		}
		if strings.HasPrefix(d.lines.Text(), "DEMO: ") {
			break
		}
	}
	if env["DUCTLEDGER_URL"] == "" {
		t.Fatalf("the demo did not come up:\n%s", d.stderr)
	}
	send := func(method, path, token, body string) (int, string) {
		t.Helper()
		request, err := http.NewRequest(method, env["DUCTLEDGER_URL"]+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Authorization", "Bearer "+token)
		request.Header.Set("Content-Type", "application/json")
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		text, err := io.ReadAll(response.Body)
		if err != nil {
			t.Fatal(err)
		}
		return response.StatusCode, string(text)
	}
	defer http.DefaultClient.CloseIdleConnections()
	// A month was released by another person than the one who built it: the funder finds it.
	var months struct {
		Items []struct{ Month, Released string }
	}
	status, text := send(http.MethodGet, "/v1/months", env["DUCTLEDGER_FUNDER_TOKEN"], "")
	if err := json.Unmarshal([]byte(text), &months); status != http.StatusOK || err != nil || len(months.Items) != 2 {
		t.Fatalf("the funder's months, one of each fund: %d %s (%v)", status, text, err)
	}
	for _, m := range months.Items {
		var released struct {
			State   string
			BuiltBy string `json:"built_by"`
			By      string `json:"released_by"`
		}
		status, text := send(http.MethodGet, "/v1/months/"+m.Month+"/packages/"+m.Released, env["DUCTLEDGER_FUNDER_TOKEN"], "")
		if err := json.Unmarshal([]byte(text), &released); status != http.StatusOK || err != nil || released.State != "released" || released.BuiltBy == "" || released.By == "" || released.By == released.BuiltBy {
			t.Errorf("%s: %d %s (%v)", m.Released, status, text, err)
		}
	}
	tokens := map[domain.Role]string{domain.Field: env["DUCTLEDGER_FIELD_TOKEN"], domain.Staff: env["DUCTLEDGER_STAFF_TOKEN"], domain.Admin: env["DUCTLEDGER_ADMIN_TOKEN"]}
	for _, row := range domain.Kinds {
		example := runWith(t, nil, "example", string(row.Kind))
		if example.code != 0 || !json.Valid([]byte(example.stdout)) {
			t.Errorf("example %s: exit %d: %s", row.Kind, example.code, example.stderr)
			continue
		}
		for _, role := range row.Writers {
			if tokens[role] == "" || row.Kind == domain.ReviewKind && role == domain.Field {
				continue
			}
			address := "/v1/" + row.Plural + "/" + strings.TrimSpace(runWith(t, nil, "id").stdout)
			if status, text := send(http.MethodPut, address, tokens[role], example.stdout); status != http.StatusCreated {
				t.Errorf("example %s by %s: %d %s", row.Kind, role, status, text)
			}
		}
	}

	// What is no record is a body of its address. A whole job goes in twice: each
	// is another one.
	bodies := [][2]string{{"batch", "/v1/batches?findings=true"}, {"batch", "/v1/batches"}, {"evaluation", "/v1/evaluations"}}
	for _, rt := range calculations.Routes(frame.Route{}) {
		bodies = append(bodies, [2]string{path.Base(rt.Pattern), rt.Pattern})
	}
	for _, b := range bodies {
		example := runWith(t, nil, "example", b[0])
		status, text := send(http.MethodPost, b[1], tokens[domain.Field], example.stdout)
		if example.code != 0 || status >= 300 || status < 200 {
			t.Errorf("example %s: exit %d, status %d %s", b[0], example.code, status, text)
		}
		if b[0] != "batch" {
			continue
		}
		created, updated := strings.Count(text, `"status":"created"`), strings.Count(text, `"status":"updated"`)
		if created < 60 || updated != 1 || strings.Count(text, `"status":"`) != created+updated {
			t.Errorf("a whole job: %d created, %d updated: %s", created, updated, text)
		}
	}
}
