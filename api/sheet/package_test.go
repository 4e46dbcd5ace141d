package sheet_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ductledger/api/sheet"
	"ductledger/domain/pack"
)

type fataler interface {
	Helper()
	Fatal(...any)
}

// packed writes a small package with a workbook: contractors of these names.
func packed(t fataler, names ...string) []byte {
	t.Helper()
	head := pack.Head{
		Program: "ACME", Organization: "Göteborg & <Sons>, invented", Contact: "reports@example.org", Month: "2026-10", TimeZone: "America/Chicago",
		Revision: 2, Demo: true, AsOf: time.Date(2026, 11, 1, 4, 59, 58, 999999000, time.UTC), Position: 4711, PreviousPosition: 4000,
		LedgerHead: strings.Repeat("ab", 32), SupersedesSHA256: strings.Repeat("cd", 32), SchemaVersion: "1.0.0", BuildID: "test",
	}
	contractors := pack.Table{Name: "contractors", Title: "Contractors", PrimaryKey: []string{"contractor_id"}, Columns: []pack.Column{
		{Name: "contractor_id", Type: pack.ID, Description: "The contractor"}, {Name: "name", Type: pack.Text, Description: "Its name"},
		{Name: "since_on", Type: pack.Date, Description: "First day"}, {Name: "after_cfm25", Type: pack.Number, Decimals: 1, Description: "Leakage"},
		{Name: "paid_cents", Type: pack.Integer, Unit: "US cents", Description: "Paid"}, {Name: "agreed", Type: pack.Boolean, Description: "Whether"},
	}}
	tables := []pack.Table{contractors, pack.ReconciliationTable()}
	overview := &pack.Overview{Title: "Invented summary", Table: "reconciliation", Periods: []pack.Period{{Name: "October 2026", Row: "payable"}, {Name: "September 2026"}},
		Months: []pack.Period{{Name: "Oct 2026", Row: "payable"}},
		Rows: []pack.OverviewRow{{What: "Payable", Unit: "US dollars", Column: "cumulative", Decimals: 2, ByMonth: true, Chart: true},
			{What: "Corrected", Unit: "US cents", Column: "corrections_net"}}}
	var out bytes.Buffer
	w, err := pack.NewWriter(&out, head, tables, pack.WriterOptions{First: overview, Sheets: []string{"contractors", "reconciliation"}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Table("contractors")
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range names {
		s.Text(fmt.Sprintf("C%d", i)).Text(name).Text("2026-10-31").Scaled(1207).Int(-4932500).Bool(i%2 == 0)
		if err := s.End(); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err = w.Table("reconciliation"); err != nil {
		t.Fatal(err)
	}
	reconciliation := pack.Reconciliation()
	for _, row := range []pack.ReconciliationRow{{Measure: "payable", Unit: "US cents", Previous: 999999999999999, New: 1, CorrectionsNet: -4},
		{Measure: "huge", Unit: "US cents", Previous: 12345678901234567}, pack.ExcludedRow("record_held", 3)} {
		if err := reconciliation.Row(s, &row); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	lines := []pack.FrontRow{
		{What: "The package"}, {What: "From", File: "bag-info.txt", Row: "Source-Organization"}, {What: "Month", File: "bag-info.txt", Row: "Month"},
		{What: "Revision", File: "bag-info.txt", Row: "Revision"}, {What: "As of", Unit: "UTC", File: "bag-info.txt", Row: "As-Of"},
		{What: "Day", File: "bag-info.txt", Row: "Bagging-Date"}, {What: "Invented", File: "bag-info.txt", Row: "Demo"},
		{What: "Payable", Unit: "US dollars", File: "reconciliation.csv", Row: "payable", Column: "cumulative", Decimals: 2, InReadme: true},
		{What: "Corrected", Unit: "US cents", File: "reconciliation.csv", Row: "payable", Column: "corrections_net", InReadme: true},
		{What: "Huge", Unit: "US dollars", File: "reconciliation.csv", Row: "huge", Column: "cumulative", Decimals: 2, InReadme: true},
	}
	if err := w.Workbook("summary.xlsx", lines, sheet.Write); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// members unpacks a zip, and zipped packs it again in the same order.
func members(t fataler, file []byte) (names []string, parts map[string][]byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	parts = map[string][]byte{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		names, parts[f.Name] = append(names, f.Name), b
	}
	return names, parts
}

func zipped(t fataler, names []string, parts map[string][]byte) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, name := range names {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(parts[name]); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

const inside = "ACME_2026-10_r2_DEMO/"

func workbook(t fataler, file []byte) []byte {
	t.Helper()
	_, parts := members(t, file)
	return parts[inside+"view/summary.xlsx"]
}

// forged puts another README.txt into a package and makes every digest right
// again, as somebody does who knows the layout and has no key.
func forged(t fataler, file []byte, change func(readme string) string) []byte {
	t.Helper()
	names, parts := members(t, file)
	parts[inside+"README.txt"] = []byte(change(string(parts[inside+"README.txt"])))
	var tags strings.Builder
	for line := range strings.Lines(string(parts[inside+"tagmanifest-sha256.txt"])) {
		_, path, _ := strings.Cut(strings.TrimSpace(line), "  ")
		sum := sha256.Sum256(parts[inside+path])
		tags.WriteString(hex.EncodeToString(sum[:]) + "  " + path + "\n")
	}
	parts[inside+"tagmanifest-sha256.txt"] = []byte(tags.String())
	return zipped(t, names, parts)
}

func verified(t fataler, file []byte) pack.Report {
	t.Helper()
	r, err := pack.Verify(bytes.NewReader(file), int64(len(file)), pack.VerifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// byScript asks the script that a receiver without our program has, in one run
// for all files: what it says of each, "holds" in front where it does.
func byScript(t *testing.T, files ...[]byte) (says []string) {
	t.Helper()
	if _, err := exec.LookPath("python3"); err != nil {
		t.Skip("python3 is not on this machine")
	}
	const each = `import sys
sys.path.insert(0, "../../deploy")
import verify_package
for path in sys.argv[1:]:
    sys.argv[1:] = [path]
    print("==", ["holds", "differs", "unreadable"][verify_package.main()], end="\0", flush=True)`
	args := []string{"-B", "-c", each}
	for i, file := range files {
		args = append(args, filepath.Join(t.TempDir(), fmt.Sprintf("%d.zip", i)))
		if err := os.WriteFile(args[len(args)-1], file, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command("python3", args...).CombinedOutput()
	for answer := range strings.SplitSeq(strings.TrimSuffix(string(out), "\x00"), "\x00") {
		lines, verdict, _ := strings.Cut(answer, "== ")
		says = append(says, verdict+"\n"+lines)
	}
	if err != nil || len(says) != len(files) {
		t.Fatalf("%v\n%s", err, out)
	}
	return says
}
