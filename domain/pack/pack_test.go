package pack_test

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"io"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"ductledger/domain/pack"
)

var update = flag.Bool("update", false, "renew testdata")

// testKey is made from a fixed seed: the golden digest covers the signature.
var testKey = ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, ed25519.SeedSize))

func testTables() []pack.Table {
	must := pack.Constraints{Required: true}
	return []pack.Table{
		{
			Name: "contractors", Title: "Contractors", Description: "Who did the work.", PrimaryKey: []string{"contractor_id"},
			Columns: []pack.Column{
				{Name: "contractor_id", Type: pack.ID, Description: "The contractor", Example: "C1", Constraints: must},
				{Name: "name", Type: pack.Text, Description: "Its name", Example: "Invented Ducts"},
			},
		},
		{
			Name: "jobs", Title: "Accepted jobs", Description: "One row a home.", PrimaryKey: []string{"job_id"},
			ForeignKeys: []pack.ForeignKey{{Columns: []string{"contractor_id"}, Table: "contractors"}},
			Columns: []pack.Column{
				{Name: "job_id", Type: pack.ID, Description: "The job", Example: "J1", Constraints: must},
				{Name: "contractor_id", Type: pack.ID, Description: "Who did it", Example: "C1"},
				{Name: "accepted_on", Type: pack.Date, Description: "Day of acceptance", Example: "2026-10-14", Constraints: pack.Constraints{Minimum: "2020-01-01"}},
				{Name: "accepted_at", Type: pack.DateTime, Description: "Moment of acceptance", Example: "2026-10-14T15:00:00Z"},
				{Name: "month", Type: pack.Month, Description: "Month it counts in", Example: "2026-10"},
				{Name: "after_cfm25", Type: pack.Number, Decimals: 1, Unit: "cfm at 25 Pa", Description: "Leakage after", Example: "120.7", Constraints: pack.Constraints{Minimum: "0"}},
				{Name: "paid_cents", Type: pack.Integer, Unit: "US cents", Description: "Paid; a claw-back is negative", Example: "45000"},
				{Name: "passed", Type: pack.Boolean, Description: "Whether it passed", Example: "true"},
				{Name: "outcome", Type: pack.Code, Description: "How it ended", Example: "completed", Constraints: pack.Constraints{Enum: []string{"completed", "partial"}}},
				{Name: "label", Type: pack.Text, Description: "A label", Example: "north"},
			},
		},
		pack.ReconciliationTable(),
	}
}

func testHead() pack.Head {
	return pack.Head{
		Program: "ACME", Organization: "Invented Weatherization", Contact: "reports@example.org", Month: "2026-10", TimeZone: "America/Chicago",
		Revision: 1, Demo: true, AsOf: time.Date(2026, 11, 1, 4, 59, 58, 123456000, time.UTC), Position: 4711, PreviousPosition: 4000,
		LedgerHead: strings.Repeat("ab", 32), SchemaVersion: "1.0.0", BuildID: "test",
	}
}

// content is what the small package holds; a test changes it before writing.
type content struct {
	head              pack.Head
	opts              pack.WriterOptions
	contractors, jobs [][]string
	reconciliation    [][]string
}

func small() content {
	return content{
		head: testHead(),
		opts: pack.WriterOptions{Key: testKey},
		contractors: [][]string{
			{"C1", "Ducts & \"Sons\", invented"},
			{"C2", "=HYPERLINK(\"http://example.org\")"},
			{"C3", "Göteborg\r\nRör"},
		},
		jobs: [][]string{
			{"J1", "C1", "2026-10-02", "2026-10-02T15:04:05-05:00", "2026-10", "120.7", "45000", "true", "completed", "north"},
			{"J2", "C1", "2026-10-03", "2026-10-03T15:04:05.5Z", "2026-10", "98.0", "31050", "false", "partial", "'quoted"},
			{"J3", "C2", "", "", "", "", "-5000", "", "", ""},
			{"J4", "", "2026-10-31", "2026-10-31T23:59:59Z", "2026-10", "0.3", "0", "true", "completed", "＝full width"},
		},
		reconciliation: [][]string{
			measure(pack.ReconciliationRow{Measure: "jobs_accepted", Unit: "jobs", Previous: 10, New: 4, Late: 1, CorrectionsNet: -1, Voided: 2}),
			measure(pack.ReconciliationRow{Measure: "paid_cents", Unit: "US cents", Previous: 100, New: 71050}),
			measure(pack.ExcludedRow("excluded_held", 3)),
		},
	}
}

// measure are the cells of a row of the reconciliation.
func measure(r pack.ReconciliationRow) []string {
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	if r.Excluded {
		return []string{r.Measure, "excluded", r.Unit, "", "", "", "", "", "", n(r.Count)}
	}
	return []string{r.Measure, "measure", r.Unit, n(r.Previous), n(r.New), n(r.Late), n(r.CorrectionsNet), n(r.Voided), n(r.Cumulative()), ""}
}

func (c content) write(t testing.TB) ([]byte, pack.Written) {
	t.Helper()
	var out bytes.Buffer
	w, err := pack.NewWriter(&out, c.head, testTables(), c.opts)
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range []struct {
		name string
		rows [][]string
	}{{"contractors", c.contractors}, {"jobs", c.jobs}, {"reconciliation", c.reconciliation}} {
		s, err := w.Table(table.name)
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range table.rows {
			if err := s.Row(row...); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.View("note.txt", strings.NewReader("a picture of the figures would stand here")); err != nil {
		t.Fatal(err)
	}
	written, err := w.Close()
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes(), written
}

func verify(t testing.TB, file []byte, opts pack.VerifyOptions) pack.Report {
	t.Helper()
	r, err := pack.Verify(bytes.NewReader(file), int64(len(file)), opts)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A tb is a test, or a property's run.
type tb interface {
	Helper()
	Fatal(...any)
}

// unzip gives the members of a package by their path without the folder.
func unzip(t testing.TB, file []byte) (folder string, names []string, members map[string][]byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	members = map[string][]byte{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		var name string
		folder, name, _ = strings.Cut(f.Name, "/")
		names = append(names, name)
		members[name] = b
	}
	return folder, names, members
}

// rezip packs members again, as somebody who alters a package does.
func rezip(t tb, folder string, names []string, members map[string][]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range names {
		m, ok := members[name]
		if !ok {
			continue
		}
		w, err := z.Create(folder + "/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(m); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// redigest makes all digests right again, as a careful forger does, and drops
// the signature, which he cannot make.
func redigest(names []string, members map[string][]byte) {
	var data, tags strings.Builder
	for _, name := range names {
		if strings.HasPrefix(name, "data/") && members[name] != nil {
			data.WriteString(digest(members[name]) + "  " + name + "\n")
		}
	}
	members["manifest-sha256.txt"] = []byte(data.String())
	info := string(members["bag-info.txt"])
	head, _, _ := strings.Cut(info, "Signature: ")
	members["bag-info.txt"] = []byte(head + "Signature: none\n")
	delete(members, "tagmanifest-sha256.txt.sig")
	for _, name := range names {
		if !strings.HasPrefix(name, "data/") && members[name] != nil && name != "tagmanifest-sha256.txt" {
			tags.WriteString(digest(members[name]) + "  " + name + "\n")
		}
	}
	members["tagmanifest-sha256.txt"] = []byte(tags.String())
}

func TestSmallPackageHolds(t *testing.T) {
	file, written := small().write(t)
	r := verify(t, file, pack.VerifyOptions{PublicKey: testKey.Public().(ed25519.PublicKey)})
	if !r.Holds {
		t.Fatal(r.Text())
	}
	if got := digest(file); got != written.SHA256 || got != r.SHA256 {
		t.Errorf("SHA-256: file %s, writer says %s, report %s", got, written.SHA256, r.SHA256)
	}
	if written.Bytes != int64(len(file)) || written.ChangedCells != 3 {
		t.Errorf("writer says %d bytes, %d changed cells; want %d and 3", written.Bytes, written.ChangedCells, len(file))
	}
	if r.Name != "ACME_2026-10_r1_DEMO" || !strings.HasPrefix(r.Signature, "ssh-ed25519 SHA256:") {
		t.Errorf("name %q, signature %q", r.Name, r.Signature)
	}
}

func TestSameRowsSameBytes(t *testing.T) {
	a, _ := small().write(t)
	b, _ := small().write(t)
	if !bytes.Equal(a, b) {
		t.Error("two packages of the same rows differ")
	}
}

// The content is fixed by its manifest, whatever the release of Go that
// compressed it.
func TestGoldenPackage(t *testing.T) {
	file, _ := small().write(t)
	_, names, members := unzip(t, file)
	for name, path := range map[string]string{
		"tagmanifest-sha256.txt": "testdata/tagmanifest-sha256.txt", "README.txt": "testdata/README.txt", "bag-info.txt": "testdata/bag-info.txt",
		"data/datapackage.json": "testdata/datapackage.json", "data/control.csv": "testdata/control.csv", "data/jobs.csv": "testdata/jobs.csv",
		"manifest-sha256.txt": "testdata/manifest-sha256.txt",
	} {
		if *update {
			if err := os.WriteFile(path, members[name], 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(members[name], want) {
			t.Errorf("%s differs from %s (renew with -update, and read it)", name, path)
		}
	}
	want := "bagit.txt data/contractors.csv data/jobs.csv data/reconciliation.csv view/note.txt data/control.csv data/datapackage.json README.txt bag-info.txt manifest-sha256.txt tagmanifest-sha256.txt tagmanifest-sha256.txt.sig"
	if got := strings.Join(names, " "); got != want {
		t.Errorf("members %s\nwant    %s", got, want)
	}
}
