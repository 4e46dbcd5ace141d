package api_test

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/pack"
)

// jobFileOf asks for the file of a job, and gives its members by their names.
func jobFileOf(a *apitest.API, job domain.UUID, query string) (file []byte, members map[string]string) {
	a.T.Helper()
	r := a.Do(domain.Staff, "GET", "/v1/jobs/"+job.String()+"/file"+query, nil).Want(200)
	z, err := zip.NewReader(bytes.NewReader(r.Body), int64(len(r.Body)))
	if err != nil {
		a.T.Fatal(err)
	}
	members = map[string]string{}
	for _, f := range z.File {
		m, err := f.Open()
		if err != nil {
			a.T.Fatal(err)
		}
		text, err := io.ReadAll(m)
		if err != nil {
			a.T.Fatal(err)
		}
		_, name, _ := strings.Cut(f.Name, "/")
		members[name] = string(text)
	}
	return r.Body, members
}

// The file of a job verifies itself, and is what the month's package says of the
// job; what people wrote, pictures and the resident are in it only where they may.
func TestFileOfAJob(t *testing.T) {
	t.Parallel()
	a, _ := serve(t) // 2026-10-15
	staff := a.Tokens[domain.Staff]
	in, other := invent(a, a.World), invent(a, a.World)
	contents := in.pictured(t, 300)
	in.sendIn(a, a.Tokens)
	for id, content := range contents {
		a.Do(domain.Field, "PUT", pictureAt(id), content, "Content-Type", "image/jpeg").Want(200)
	}
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", `{"name":"Rita Canary","phone":"555 0100","street":"9 Canary Loop"}`).Want(200)
	must(a, staff, in.review(domain.Return, func(r *domain.Review) { r.Text = "CANARY: the rear closure, please." }))
	open, members := jobFileOf(a, in.Job, "")
	if strings.Count(members["data/jobs.csv"], "\n") != 1 || !strings.Contains(members["README.txt"], "It holds one job alone") {
		t.Errorf("a job that is not accepted: %q", members["data/jobs.csv"])
	}
	var job struct{ Version int }
	a.Do(domain.Staff, "GET", "/v1/jobs/"+in.Job.String(), nil).Want(200).Into(&job)
	must(a, a.Tokens[domain.Field], item(domain.JobKind, in.Job, job.Version, in.state(domain.SentIn)))
	settle(a, in)
	must(a, staff, in.review(domain.Accept))
	other.sendIn(a, a.Tokens)
	a.Clock.Move(19 * 24 * time.Hour) // 2026-11-03
	a.Send(staff, "POST", "/v1/months/2026-10/packages", nil).Want(202)
	var p struct{ State string }
	for range 600 {
		if a.Send(staff, "GET", "/v1/months/2026-10/packages/1", nil).Want(200).Into(&p); p.State == "verified" {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	a.Send(a.Tokens[domain.Admin], "POST", "/v1/months/2026-10/packages/1/release", nil).Want(200)
	month := a.Do(domain.Staff, "GET", "/v1/months/2026-10/packages/1/file", nil).Want(200).Body
	must(a, staff, in.review(domain.Exclude)) // behind the package: the file has it, and holds against the package still

	plain, members := jobFileOf(a, in.Job, "")
	full, all := jobFileOf(a, in.Job, "?pictures=true&texts=true")
	foreign, _ := jobFileOf(a, other.Job, "")
	for name, row := range map[string]struct {
		file  []byte
		month []byte
		says  string
	}{
		"alone":                 {plain, nil, "ok   ledger: each entry follows"},
		"with the month":        {plain, month, "are those of the month's package"},
		"with all that can be":  {full, month, "are those of the month's package"},
		"before the acceptance": {open, nil, "ok   ledger: each entry follows"},
		"of another job":        {foreign, month, "FAIL ledger"},
		"an older file":         {open, month, "FAIL ledger"},
	} {
		o := pack.VerifyOptions{}
		if row.month != nil {
			o.Month, o.MonthSize = bytes.NewReader(row.month), int64(len(row.month))
		}
		r, err := pack.Verify(bytes.NewReader(row.file), int64(len(row.file)), o)
		if err != nil || !strings.Contains(r.Text(), row.says) || r.Holds != !strings.HasPrefix(row.says, "FAIL") {
			t.Errorf("%s: %v\n%s", name, err, r.Text())
		}
	}
	path := filepath.Join(t.TempDir(), "job.zip")
	if err := os.WriteFile(path, full, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("python3", "-B", "../deploy/verify_package.py", path).CombinedOutput(); err != nil {
		t.Errorf("by the script: %v\n%s", err, out)
	}

	for _, file := range []string{"measurements", "findings", "payments", "corrections", "entries", "photos", "reported", "jobs"} {
		if strings.Count(members["data/"+file+".csv"], "\n") < 2 && file != "findings" && file != "payments" && file != "corrections" {
			t.Errorf("%s.csv is empty: %q", file, members["data/"+file+".csv"])
		}
	}
	pictures := 0
	for name, text := range all {
		if strings.HasPrefix(name, "view/photo-") {
			pictures++
		}
		for _, secret := range []string{"Rita Canary", "555 0100", "Canary Loop"} {
			if strings.Contains(text, secret) {
				t.Errorf("%s tells of the resident", name)
			}
		}
	}
	if pictures != len(contents) || strings.Contains(strings.Join(keys(members), " "), "view/") {
		t.Errorf("%d pictures of %d; without them asked for: %v", pictures, len(contents), keys(members))
	}
	if strings.Contains(members["data/entries.csv"], "CANARY") || !strings.Contains(all["data/entries.csv"], "CANARY: the rear closure") {
		t.Error("what people wrote is in the file unasked, or is not there when it is asked for")
	}
	if !strings.Contains(members["data/reported.csv"], "released") || !strings.Contains(members["data/entries.csv"], "Invented") {
		t.Errorf("%s", members["data/reported.csv"])
	}
	if lines := auditOf(a, in.Job); len(lines) == 0 || !strings.HasPrefix(lines[len(lines)-1], "job_file_taken at position ") || !strings.HasSuffix(lines[len(lines)-1], ": records, texts, pictures") {
		t.Errorf("who took it: %q", lines)
	}
	for role, status := range map[domain.Role]int{domain.Field: 403, domain.ContractorRole: 403, domain.Funder: 403, domain.Inspector: 403} {
		a.Do(role, "GET", "/v1/jobs/"+in.Job.String()+"/file", nil).Want(status)
	}
	_, strangers := a.Program(t)
	a.Send(strangers[domain.Staff], "GET", "/v1/jobs/"+in.Job.String()+"/file", nil).Want(404)
}

func keys(m map[string]string) (list []string) {
	for k := range m {
		list = append(list, k)
	}
	return list
}
