package api_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"ductledger/api/apitest"
	"ductledger/domain"
	"ductledger/domain/pack"
	"ductledger/storage"
	"ductledger/storage/storagetest"

	"github.com/jackc/pgx/v5"
)

type packaged struct {
	Month, State, SHA256 string
	Revision             int
	Position             int64
	FileName             string `json:"file_name"`
	BytesCount           int64  `json:"bytes_count"`
	BuiltBy              string `json:"built_by"`
	ReleasedBy           string `json:"released_by"`
	Finished             bool
	Build                struct {
		Stage   string
		Failure struct{ Code, Detail string }
	}
}

// inNovember is an API whose October has one accepted job and has ended.
func inNovember(t *testing.T) *apitest.API {
	t.Helper()
	a, _ := serve(t)
	in := accepted(a, a.World, a.Tokens)
	a.Do(domain.Staff, "PUT", "/v1/homes/"+in.Home.String()+"/resident", object{"name": "Zoe Canary", "phone": "555-0199", "street": "1 Canary Way"}).Want(200)
	must(a, a.Tokens[domain.Staff], item(domain.CallBackKind, storagetest.ID(), 0,
		domain.CallBack{JobID: in.Job, ReportedOn: "2026-10-16", Reason: "Canary said that it whistles"}))
	a.Clock.Move(25 * 24 * time.Hour)
	return a
}

const october = "/v1/months/2026-10/packages"

// built asks for a package and waits until its build ended.
func built(a *apitest.API, role domain.Role, packages, body string) (p packaged) {
	a.T.Helper()
	asked := a.Do(role, "POST", packages, body).Want(202)
	asked.Into(&p)
	at := fmt.Sprintf("%s/%d", packages, p.Revision)
	if got := asked.Header.Get("Location"); got != at {
		a.T.Errorf("Location: %s, want %s", got, at)
	}
	for range 6000 { // two minutes: the machine may be busy
		if p.State != "building" {
			return p
		}
		time.Sleep(20 * time.Millisecond)
		p = packaged{}
		a.Do(role, "GET", at, nil).Want(200).Into(&p)
	}
	a.T.Fatalf("%s is still building", at)
	return p
}

// The way of a package through the API: built by one person, released by
// another, read by the funder only then, whole or in part.
func TestPackageFromBuildToFunder(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	var again packaged
	built := built(a, domain.Staff, october, "")
	if built.State != "verified" || built.Revision != 1 || !built.Finished || built.BuiltBy != "Invented staff" || built.Build.Stage != "" {
		t.Errorf("built: %+v", built)
	}
	replay := a.Do(domain.Admin, "POST", october, `{}`).Want(200)
	replay.Into(&again)
	if again.SHA256 != built.SHA256 || replay.Header.Get("Idempotent-Replay") != "true" {
		t.Errorf("built again: %+v", again)
	}

	// Nothing of a draft is there for the funder, nothing at all for the others.
	for _, path := range []string{october + "/1", october + "/1/file"} {
		a.Do(domain.Funder, "GET", path, nil).Want(404)
		for _, role := range []domain.Role{domain.Field, domain.ContractorRole, domain.Inspector} {
			a.Do(role, "GET", path, nil).Want(403)
		}
	}
	a.Do(domain.Funder, "POST", october, nil).Want(403)
	a.Do(domain.Staff, "POST", october+"/1/release", nil).Want(403)

	builder := a.Token(t, a.World.Program, storage.Token{Role: domain.Admin, Name: "Invented Staff"})
	if p := a.Send(builder, "POST", october+"/1/release", nil).Want(422).Problem(); p.Code != string(domain.SamePerson) {
		t.Errorf("released by the builder: %s", p.Code)
	}
	a.Do(domain.Admin, "POST", october+"/1/release?validate_only=true", nil).Want(200)
	a.Do(domain.Funder, "GET", october+"/1", nil).Want(404)
	a.Do(domain.Admin, "POST", october+"/1/release", nil).Want(200)
	if got := a.Do(domain.Admin, "POST", october+"/1/release", nil).Want(200).Header.Get("Idempotent-Replay"); got != "true" {
		t.Error("released again without Idempotent-Replay")
	}
	var list struct{ Items []packaged }
	a.Do(domain.Funder, "GET", october, nil).Want(200).Into(&list)
	if len(list.Items) != 1 || list.Items[0].State != "released" || list.Items[0].ReleasedBy != "Invented admin" {
		t.Errorf("the funder sees %+v", list.Items)
	}

	file := a.Do(domain.Funder, "GET", october+"/1/file", nil).Want(200)
	sum := sha256.Sum256(file.Body)
	if hex.EncodeToString(sum[:]) != built.SHA256 || int64(len(file.Body)) != built.BytesCount {
		t.Fatalf("%d bytes of sha256 %x came, %+v was announced", len(file.Body), sum, built)
	}
	for name, want := range map[string]string{
		"Etag": `"` + built.SHA256 + `"`, "Repr-Digest": "sha-256=:" + base64.StdEncoding.EncodeToString(sum[:]) + ":",
		"Content-Type": "application/zip", "Content-Disposition": `attachment; filename="` + list.Items[0].FileName + `"`,
	} {
		if got := file.Header.Get(name); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	report, err := pack.Verify(bytes.NewReader(file.Body), int64(len(file.Body)), pack.VerifyOptions{})
	if err != nil || !report.Holds || !strings.Contains(report.Text(), "ok   readme: ") {
		t.Errorf("%v\n%s", err, report.Text())
	}
	members := 0
	eachMember(t, file.Body, func(name string, content []byte) {
		members++
		if bytes.Contains(content, []byte("Canary")) || bytes.Contains(content, []byte("555-0199")) {
			t.Errorf("%s tells who lives there, or what was written freely", name)
		}
	})
	if members < 20 {
		t.Errorf("%d members were looked at", members)
	}
}

// eachMember calls use with every file of a zip, and of the zips inside.
func eachMember(t *testing.T, file []byte, use func(name string, content []byte)) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		content, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(f.Name, ".xlsx") {
			eachMember(t, content, use)
			continue
		}
		use(f.Name, content)
	}
}

// Ranges as RFC 9110 §14 has them: first bytes, last bytes, from a place on,
// beyond the end; of another version, several and malformed: the whole.
func TestPackageFileInParts(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	p := built(a, domain.Staff, october, "")
	whole := a.Do(domain.Staff, "GET", october+"/1/file", nil).Want(200).Body
	n := len(whole)
	tag := `"` + p.SHA256 + `"`
	for _, c := range []struct {
		name   string
		header []string
		status int
		want   []byte
		place  string
	}{
		{"first", []string{"Range", "bytes=0-9"}, 206, whole[:10], fmt.Sprintf("bytes 0-9/%d", n)},
		{"from", []string{"Range", "bytes=100-"}, 206, whole[100:], fmt.Sprintf("bytes 100-%d/%d", n-1, n)},
		{"last", []string{"Range", "bytes=-7"}, 206, whole[n-7:], fmt.Sprintf("bytes %d-%d/%d", n-7, n-1, n)},
		{"over the end", []string{"Range", fmt.Sprintf("bytes=10-%d", n+5)}, 206, whole[10:], fmt.Sprintf("bytes 10-%d/%d", n-1, n)},
		{"same version", []string{"Range", "bytes=0-0", "If-Range", tag}, 206, whole[:1], fmt.Sprintf("bytes 0-0/%d", n)},
		{"other version", []string{"Range", "bytes=0-0", "If-Range", `"x"`}, 200, whole, ""},
		{"two", []string{"Range", "bytes=0-0,5-6"}, 200, whole, ""},
		{"backwards", []string{"Range", "bytes=9-0"}, 200, whole, ""},
		{"known", []string{"If-None-Match", tag}, 304, nil, ""},
		{"beyond", []string{"Range", fmt.Sprintf("bytes=%d-", n)}, 416, nil, ""},
	} {
		got := a.Do(domain.Staff, "GET", october+"/1/file", nil, c.header...)
		if got.Status != c.status || got.Header.Get("Content-Range") != c.place || c.status < 300 && !bytes.Equal(got.Body, c.want) {
			t.Errorf("%s: status %d, %q, %d bytes", c.name, got.Status, got.Header.Get("Content-Range"), len(got.Body))
		}
	}
}

func TestPackageRefusals(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	for _, c := range []struct {
		path, body string
		status     int
		code       domain.Code
	}{
		{"/v1/months/2026-13/packages", `{}`, 404, domain.NotFound},
		{"/v1/months/2027-01/packages", `{}`, 422, domain.Invalid},
		{"/v1/months/2026-09/packages", `{}`, 404, domain.NotFound},
		{october, `{"position":1}`, 422, domain.Invalid},
		{october, `{"position":99999}`, 422, domain.Invalid},
		{october, `{"place":1}`, 422, domain.Invalid},
		{october, `{`, 400, domain.BadJSON},
	} {
		if got := a.Do(domain.Staff, "POST", c.path, c.body).Want(c.status).Problem(); got.Code != string(c.code) {
			t.Errorf("%s %s: %s, want %s", c.path, c.body, got.Code, c.code)
		}
	}
	a.Do(domain.Staff, "POST", october+"?validate_only=true", nil).Want(202)
	a.Do(domain.Staff, "GET", october+"/1", nil).Want(404)
	built(a, domain.Staff, october, "")
	// Another program has no such package.
	_, other := a.Program(t)
	a.Send(other[domain.Admin], "GET", october+"/1/file", nil).Want(404)
	a.Send(other[domain.Admin], "POST", october+"/1/release", nil).Want(404)
}

// Many who ask for one month at once get one build, and one revision.
func TestBuildsAtOnceMakeOneRevision(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	const askers = 8
	status := make([]int, askers)
	var wait sync.WaitGroup
	for i := range askers {
		wait.Go(func() { status[i] = a.Do(domain.Staff, "POST", october, nil).Status })
	}
	wait.Wait()
	for _, s := range status {
		if s != 200 && s != 202 && s != 503 {
			t.Errorf("status %d", s)
		}
	}
	p := packaged{State: "building"}
	for range 6000 { // two minutes: the machine may be busy
		if a.Do(domain.Staff, "GET", october+"/1", nil).Want(200).Into(&p); p.State != "building" {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	var list struct{ Items []packaged }
	a.Do(domain.Staff, "GET", october, nil).Want(200).Into(&list)
	if p.State != "verified" || len(list.Items) != 1 || list.Items[0].State != "verified" {
		t.Errorf("%v: %+v", status, list.Items)
	}
}

// While a package is being built the office sees how far it is; nobody sees a
// file, and the funder nothing.
func TestABuildIsSeenByTheOfficeAlone(t *testing.T) {
	t.Parallel()
	a := inNovember(t)
	w := a.World
	// Begun by an instance that is no longer there, as after a kill.
	conn, err := pgx.Connect(context.Background(), storagetest.AddressOf(a.DB))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	_, err = conn.Exec(context.Background(), `
INSERT INTO month_build (program_id, month, fund_source, revision, position, as_of_at, finished, state, stage, done_count, total_count, tries_count, asked_at, asked_by, started_at, updated_at)
SELECT program_id, '2026-10', '', 1, position, recorded_at, true, 'building', 'jobs', 3000, 10000, 1, $2::timestamptz, 'Ann Invented', $2, $2
FROM program_head WHERE program_id = $1`, [16]byte(w.Program), a.DB.Now())
	if err != nil {
		t.Fatal(err)
	}
	var p, listed struct {
		State, Month string
		Items        []struct{ State string }
		Build        struct {
			Stage   string
			Done    int    `json:"rows_done_count"`
			Total   int    `json:"rows_total_count"`
			Tries   int    `json:"tries_count"`
			AskedBy string `json:"asked_by"`
			Updated string `json:"updated_at"`
			Started string `json:"started_at"`
			AskedAt string `json:"asked_at"`
		}
	}
	a.Do(domain.Staff, "GET", october+"/1", nil).Want(200).Into(&p)
	if p.State != "building" || p.Build.Stage != "jobs" || p.Build.Done != 3000 || p.Build.Total != 10000 || p.Build.AskedBy != "Ann Invented" || p.Build.Started == "" || p.Build.Updated == "" {
		t.Errorf("the office sees %+v", p)
	}
	a.Do(domain.Admin, "GET", october, nil).Want(200).Into(&listed)
	if len(listed.Items) != 1 || listed.Items[0].State != "building" {
		t.Errorf("listed: %+v", listed.Items)
	}
	a.Do(domain.Staff, "GET", october+"/1/file", nil).Want(404)
	a.Do(domain.Admin, "POST", october+"/1/release", nil).Want(404)
	a.Do(domain.Funder, "GET", october+"/1", nil).Want(404)
	a.Do(domain.Funder, "GET", october, nil).Want(200).Into(&listed)
	if len(listed.Items) != 0 {
		t.Errorf("the funder sees %+v", listed.Items)
	}
	_, other := a.Program(t)
	a.Send(other[domain.Admin], "GET", october+"/1", nil).Want(404)
}
