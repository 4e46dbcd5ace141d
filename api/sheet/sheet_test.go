package sheet_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"ductledger/api/sheet"
	"ductledger/domain/bag"
)

type fataler interface {
	Helper()
	Fatal(...any)
}

// packed writes a small package with a workbook: contractors of these names.
func packed(t fataler, names ...string) []byte {
	t.Helper()
	head := bag.Head{
		Program: "ACME", Organization: "Göteborg & <Sons>, invented", Contact: "reports@example.org", Month: "2026-10", TimeZone: "America/Chicago",
		Revision: 2, Demo: true, AsOf: time.Date(2026, 11, 1, 4, 59, 58, 999999000, time.UTC), Position: 4711, PreviousPosition: 4000,
		LedgerHead: strings.Repeat("ab", 32), SupersedesSHA256: strings.Repeat("cd", 32), SchemaVersion: "1.0.0", BuildID: "test",
	}
	contractors := bag.Table{Name: "contractors", Title: "Contractors", PrimaryKey: []string{"contractor_id"}, Columns: []bag.Column{
		{Name: "contractor_id", Type: bag.ID, Description: "The contractor"}, {Name: "name", Type: bag.Text, Description: "Its name"},
		{Name: "since_on", Type: bag.Date, Description: "First day"}, {Name: "after_cfm25", Type: bag.Number, Decimals: 1, Description: "Leakage"},
		{Name: "paid_cents", Type: bag.Integer, Description: "Paid"}, {Name: "agreed", Type: bag.Boolean, Description: "Whether"},
	}}
	tables := []bag.Table{contractors, bag.ReconciliationTable()}
	var out bytes.Buffer
	w, err := bag.NewWriter(&out, head, tables, bag.WriterOptions{Pages: []string{"contractors", "reconciliation"}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := w.Table("contractors", int64(len(names)))
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
	if s, err = w.Table("reconciliation", 3); err != nil {
		t.Fatal(err)
	}
	for _, line := range []bag.ReconciliationLine{{Measure: "payable", Unit: "US cents", Previous: 999999999999999, New: 1, CorrectionsNet: -4},
		{Measure: "huge", Unit: "US cents", Previous: 12345678901234567}} {
		if err := s.Row(line.Cells()...); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Row(bag.ExcludedCells("record_held", 3)...); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	lines := []bag.Line{
		{What: "The package"}, {What: "From", File: "bag-info.txt", Row: "Source-Organization"}, {What: "Month", File: "bag-info.txt", Row: "Month"},
		{What: "Revision", File: "bag-info.txt", Row: "Revision"}, {What: "As of", Unit: "UTC", File: "bag-info.txt", Row: "As-Of"},
		{What: "Day", File: "bag-info.txt", Row: "Bagging-Date"}, {What: "Invented", File: "bag-info.txt", Row: "Demo"},
		{What: "Payable", Unit: "US dollars", File: "reconciliation.csv", Row: "payable", Column: "cumulative", Decimals: 2},
		{What: "Corrected", Unit: "US cents", File: "reconciliation.csv", Row: "payable", Column: "corrections_net"},
		{What: "Huge", Unit: "US dollars", File: "reconciliation.csv", Row: "huge", Column: "cumulative", Decimals: 2},
	}
	if err := w.Book("summary.xlsx", lines, sheet.Write); err != nil {
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

// forged puts another workbook into a package and makes every digest right
// again, as somebody does who knows the layout and has no key.
func forged(t fataler, file, book []byte) []byte {
	t.Helper()
	names, parts := members(t, file)
	parts[inside+"view/summary.xlsx"] = book
	var tags strings.Builder
	for line := range strings.Lines(string(parts[inside+"tagmanifest-sha256.txt"])) {
		_, path, _ := strings.Cut(strings.TrimSpace(line), "  ")
		sum := sha256.Sum256(parts[inside+path])
		tags.WriteString(hex.EncodeToString(sum[:]) + "  " + path + "\n")
	}
	parts[inside+"tagmanifest-sha256.txt"] = []byte(tags.String())
	return zipped(t, names, parts)
}

func verified(t fataler, file []byte) bag.Report {
	t.Helper()
	r, err := bag.Verify(bytes.NewReader(file), int64(len(file)), bag.VerifyOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWorkbookRepeatsTheTables(t *testing.T) {
	file := packed(t, "Invented Ducts", "=HYPERLINK(\"http://example.org\")", "Ünal Överby", "01234", "2026-10-31", "1E5", "TRUE")
	if r := verified(t, file); !r.Holds || !strings.Contains(r.Text(), "ok   view: every cell of view/summary.xlsx") {
		t.Fatal(r.Text())
	}
	f, err := excelize.OpenReader(bytes.NewReader(workbook(t, file)))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, c := range []struct {
		sheet, at, shown string
		typ              excelize.CellType
	}{
		{"Month", "A2", "The package", excelize.CellTypeSharedString},
		{"Month", "B3", "Göteborg & <Sons>, invented", excelize.CellTypeSharedString},
		{"Month", "B4", "2026-10", excelize.CellTypeSharedString},
		{"Month", "B5", "2", excelize.CellTypeUnset},
		{"Month", "B6", "2026-11-01 04:59:58", excelize.CellTypeUnset},
		{"Month", "B7", "2026-11-01", excelize.CellTypeUnset},
		{"Month", "B8", "true", excelize.CellTypeSharedString},
		{"Month", "B9", "9,999,999,999,999.96", excelize.CellTypeUnset},       // 15 digits, dollars of 999,999,999,999,996 cents [calc]
		{"Month", "B11", "123456789012345.67", excelize.CellTypeSharedString}, // 17 digits: a spreadsheet would round the last two
		{"Contractors", "B3", "'=HYPERLINK(\"http://example.org\")", excelize.CellTypeSharedString},
		{"Contractors", "B5", "01234", excelize.CellTypeSharedString},
		{"Contractors", "B7", "1E5", excelize.CellTypeSharedString},
		{"Contractors", "C2", "2026-10-31", excelize.CellTypeUnset},
		{"Contractors", "D2", "120.7", excelize.CellTypeUnset},
		{"Contractors", "E2", "-4,932,500", excelize.CellTypeUnset},
		{"Contractors", "F3", "false", excelize.CellTypeSharedString},
		{"Reconciliation", "D2", "999,999,999,999,999", excelize.CellTypeUnset},
		{"Reconciliation", "J2", "", excelize.CellTypeUnset},
	} {
		shown, err := f.GetCellValue(c.sheet, c.at)
		if err != nil {
			t.Fatal(err)
		}
		typ, err := f.GetCellType(c.sheet, c.at)
		if err != nil {
			t.Fatal(err)
		}
		if shown != c.shown || typ != c.typ {
			t.Errorf("%s %s shows %q as type %d, want %q as %d", c.sheet, c.at, shown, typ, c.shown, c.typ)
		}
	}
}

func TestSamePagesSameBytes(t *testing.T) {
	first := packed(t, "A", "B", "C")
	for range 20 { // maps are walked in another order each time
		if !bytes.Equal(first, packed(t, "A", "B", "C")) {
			t.Fatal("two packages of the same rows differ")
		}
	}
}

var cellForm = regexp.MustCompile(`<c r="([A-Z]+)([0-9]+)"([^>]*)>(.*?)</c>`)

// Every cell of every sheet, altered to another value of its kind, is named by
// sheet, row and column although all digests are right.
func TestOneAlteredCellIsNamed(t *testing.T) {
	file := packed(t, "Invented Ducts", "Ünal Överby")
	names, parts := members(t, workbook(t, file))
	headings := map[int][]string{1: {"what", "value", "unit", "file", "row", "column"}, 2: {"contractor_id", "name", "since_on", "after_cfm25", "paid_cents", "agreed"},
		3: {"measure", "kind", "unit", "previous_cumulative", "new", "late", "corrections_net", "voided", "cumulative", "excluded_count"}}
	altered := 0
	for n, page := range []string{"Month", "Contractors", "Reconciliation"} {
		part := fmt.Sprintf("xl/worksheets/sheet%d.xml", n+1)
		whole := parts[part]
		for _, m := range cellForm.FindAllSubmatchIndex(whole, -1) {
			text := func(i int) string { return string(whole[m[2*i]:m[2*i+1]]) }
			attributes := text(3)
			other := `<v>77.5</v>`
			if strings.Contains(attributes, `t="s"`) {
				attributes = strings.Replace(attributes, `t="s"`, `t="inlineStr"`, 1)
				other = `<is><t>another</t></is>`
			}
			cell := fmt.Sprintf(`<c r="%s%s"%s>%s</c>`, text(1), text(2), attributes, other)
			parts[part] = append(append(bytes.Clone(whole[:m[0]]), cell...), whole[m[1]:]...)
			r := verified(t, forged(t, file, zipped(t, names, parts)))
			named := false
			for _, c := range r.Checks {
				named = named || !c.Holds && c.Name == bag.CheckBook && c.File == "view/summary.xlsx" && c.Sheet == page &&
					fmt.Sprint(c.Row) == text(2) && c.Column == headings[n+1][text(1)[0]-'A']
			}
			if r.Holds || !named {
				t.Errorf("%s %s%s was not named:\n%s", page, text(1), text(2), r.Text())
			}
			altered++
		}
		parts[part] = whole
	}
	// Month: headings, a heading of lines, six labels (one with a unit), three
	// figures; Contractors: two rows; Reconciliation: two measures and a reason.
	if altered != 6+1+6*4+1+3*6+6+2*6+10+2*9+4 {
		t.Errorf("altered %d cells", altered)
	}
}

// What would show another figure than a cell holds is refused, whatever the
// digests say.
func TestDressedUpWorkbooksAreFound(t *testing.T) {
	file := packed(t, "Invented Ducts")
	names, parts := members(t, workbook(t, file))
	const first, styles, book = "xl/worksheets/sheet2.xml", "xl/styles.xml", "xl/workbook.xml"
	for _, c := range []struct{ name, part, from, to, says string }{
		{"a formula beside the value", first, `<v>120.7</v>`, `<f>100+20.7</f><v>120.7</v>`, "<f>"},
		{"a hidden row", first, `<row r="2"`, `<row r="2" hidden="1"`, "hides"},
		{"a hidden column", first, `<col `, `<col hidden="true" `, "hides"},
		{"a link", first, `</sheetData>`, `</sheetData><hyperlinks><hyperlink ref="A1" location="A2"/></hyperlinks>`, "<hyperlinks>"},
		{"a picture over it", first, `</worksheet>`, `<drawing/></worksheet>`, "<drawing>"},
		{"one more cell", first, `</sheetData>`, `<row r="9"><c r="B9"><v>5</v></c></row></sheetData>`, "sheet Contractors row 9 column name"},
		{"a cell twice", first, `</sheetData>`, `<row r="2"><c r="D2"><v>120.7</v></c></row></sheetData>`, "twice"},
		{"an emptied cell", first, `<v>120.7</v>`, ``, "sheet Contractors row 2 column after_cfm25"},
		{"a number as text", first, `<v>120.7</v>`, `<is><t>120.7</t></is>`, ""},
		{"a format that shows 999", styles, `formatCode="#,##0.0"`, `formatCode="&quot;999&quot;"`, "number format"},
		{"a sheet renamed", book, `name="Contractors"`, `name="Firms"`, "its sheets"},
		{"a sheet hidden", book, `name="Contractors"`, `name="Contractors" state="hidden"`, "hidden"},
		{"not XML", first, `</sheetData>`, `</sheet`, "not a workbook"},
	} {
		old := parts[c.part]
		if !bytes.Contains(old, []byte(c.from)) {
			t.Fatalf("%s: %s has no %q:\n%s", c.name, c.part, c.from, old)
		}
		parts[c.part] = bytes.Replace(old, []byte(c.from), []byte(c.to), 1)
		if c.name == "a number as text" {
			parts[c.part] = regexp.MustCompile(`(<c r="D2"[^>]*)>`).ReplaceAll(parts[c.part], []byte(`$1 t="inlineStr">`))
		}
		if r := verified(t, forged(t, file, zipped(t, names, parts))); r.Holds || !strings.Contains(r.Text(), c.says) {
			t.Errorf("%s: want %q in\n%s", c.name, c.says, r.Text())
		}
		parts[c.part] = old
	}
	parts["xl/vbaProject.bin"] = []byte("a macro")
	if r := verified(t, forged(t, file, zipped(t, append(names, "xl/vbaProject.bin"), parts))); r.Holds || !strings.Contains(r.Text(), "vbaProject") {
		t.Errorf("a macro:\n%s", r.Text())
	}
	if r := verified(t, forged(t, file, []byte("not a zip"))); r.Holds {
		t.Error("what is no workbook holds")
	}
	if r := verified(t, forged(t, file, workbook(t, file))); !r.Holds {
		t.Errorf("the workbook itself:\n%s", r.Text())
	}
}

// A workbook with any part altered in any byte is judged, and never stops the
// one who judges.
func TestHostileWorkbooksAreJudged(t *testing.T) {
	file := packed(t, "Invented Ducts")
	names, parts := members(t, workbook(t, file))
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "part")
		old := parts[name]
		defer func() { parts[name] = old }()
		at := rapid.IntRange(0, len(old)-1).Draw(t, "at")
		parts[name] = append(append(bytes.Clone(old[:at]), rapid.SliceOfN(rapid.Byte(), 0, 4).Draw(t, "instead")...), old[min(at+rapid.IntRange(0, 40).Draw(t, "less"), len(old)):]...)
		verified(t, forged(t, file, zipped(t, names, parts)))
	})
}

// Whatever a name holds, the workbook shows it and verifies.
func TestAnyNameIsShown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.OneOf(rapid.String(), rapid.StringMatching(`[=+@'\t\r\n -]?(_x00[0-9A-F]{2}_|_x005F_|[\x00-\x20<>&"]){0,6}`)).Draw(t, "name")
		file := packed(t, name)
		if r := verified(t, file); !r.Holds {
			t.Fatalf("%q: %s", name, r.Text())
		}
	})
}
