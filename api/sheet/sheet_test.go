package sheet_test

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"ductledger/domain/bag"
)

func TestWorkbookRepeatsTheTables(t *testing.T) {
	file := packed(t, "Invented Ducts", "=HYPERLINK(\"http://example.org\")", "Ünal Överby", "01234", "2026-10-31", "1E5", "TRUE")
	if r := verified(t, file); !r.Holds || !strings.Contains(r.Text(), "ok   view: every cell of view/summary.xlsx") {
		t.Fatal(r.Text())
	}
	if says := byScript(t, file)[0]; !strings.HasPrefix(says, "holds") {
		t.Error(says)
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
	var files [][]byte
	var places []string
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
			files = append(files, forged(t, file, zipped(t, names, parts)))
			places = append(places, fmt.Sprintf("view/summary.xlsx sheet %s row %s column %s:", page, text(2), headings[n+1][text(1)[0]-'A']))
			altered++
		}
		parts[part] = whole
	}
	// Month: headings, a heading of lines, six labels (one with a unit), three
	// figures; Contractors: two rows; Reconciliation: two measures and a reason.
	if altered != 6+1+6*4+1+3*6+6+2*6+10+2*9+4 {
		t.Errorf("altered %d cells", altered)
	}
	for i, says := range byScript(t, files...) {
		if !strings.HasPrefix(says, "differs") || !strings.Contains(says, places[i]) {
			t.Errorf("the script does not name %s\n%s", places[i], says)
		}
	}
}

// What would show another figure than a cell holds is refused, whatever the
// digests say.
func TestDressedUpWorkbooksAreFound(t *testing.T) {
	file := packed(t, "Invented Ducts")
	names, parts := members(t, workbook(t, file))
	var files [][]byte
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
		altered := forged(t, file, zipped(t, names, parts))
		if r := verified(t, altered); r.Holds || !strings.Contains(r.Text(), c.says) {
			t.Errorf("%s: want %q in\n%s", c.name, c.says, r.Text())
		}
		files = append(files, altered)
		parts[c.part] = old
	}
	parts["xl/vbaProject.bin"] = []byte("a macro")
	macro := forged(t, file, zipped(t, append(names, "xl/vbaProject.bin"), parts))
	for i, says := range byScript(t, append(files, macro, forged(t, file, []byte("not a zip")))...) {
		if !strings.HasPrefix(says, "differs") || !strings.Contains(says, "view/summary.xlsx") {
			t.Errorf("%d, by the script:\n%s", i, says)
		}
	}
	if r := verified(t, macro); r.Holds || !strings.Contains(r.Text(), "vbaProject") {
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
