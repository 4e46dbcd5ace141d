package sheet_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"
)

func TestWorkbookRepeatsTheTables(t *testing.T) {
	file := packed(t, "Invented Ducts", "=HYPERLINK(\"http://example.org\")", "Ünal Överby", "01234", "2026-10-31", "1E5", "TRUE")
	if r := verified(t, file); !r.Holds || !strings.Contains(r.Text(), "ok   readme: 3 figures repeat their cells") {
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
		{"Figures", "A2", "The package", excelize.CellTypeSharedString},
		{"Figures", "B3", "Göteborg & <Sons>, invented", excelize.CellTypeSharedString},
		{"Figures", "B4", "2026-10", excelize.CellTypeSharedString},
		{"Figures", "B5", "2", excelize.CellTypeUnset},
		{"Figures", "B6", "2026-11-01 04:59:58", excelize.CellTypeUnset},
		{"Figures", "B7", "2026-11-01", excelize.CellTypeUnset},
		{"Figures", "B8", "true", excelize.CellTypeSharedString},
		{"Figures", "B9", "9,999,999,999,999.96", excelize.CellTypeUnset},       // 15 digits, dollars of 999,999,999,999,996 cents [calc]
		{"Figures", "B11", "123456789012345.67", excelize.CellTypeSharedString}, // 17 digits: a spreadsheet would round the last two
		{"Summary", "A1", "Invented summary", excelize.CellTypeSharedString},
		{"Summary", "B2", "October 2026", excelize.CellTypeSharedString},
		{"Summary", "B3", "9,999,999,999,999.96", excelize.CellTypeUnset},
		{"Summary", "C3", "", excelize.CellTypeUnset}, // a period of which nothing is known
		{"Summary", "A5", "Month by month", excelize.CellTypeSharedString},
		{"Summary", "B7", "9,999,999,999,999.96", excelize.CellTypeUnset},
		{"Contractors", "A1", "Contractors", excelize.CellTypeSharedString},
		{"Contractors", "E2", "Paid, US cents", excelize.CellTypeSharedString},
		{"Contractors", "E3", "paid_cents", excelize.CellTypeSharedString},
		{"Contractors", "B5", "'=HYPERLINK(\"http://example.org\")", excelize.CellTypeSharedString},
		{"Contractors", "B7", "01234", excelize.CellTypeSharedString},
		{"Contractors", "B9", "1E5", excelize.CellTypeSharedString},
		{"Contractors", "C4", "2026-10-31", excelize.CellTypeUnset},
		{"Contractors", "D4", "120.7", excelize.CellTypeUnset},
		{"Contractors", "E4", "-4,932,500", excelize.CellTypeUnset},
		{"Contractors", "F5", "false", excelize.CellTypeSharedString},
		{"Reconciliation", "D4", "999,999,999,999,999", excelize.CellTypeUnset},
		{"Reconciliation", "J4", "", excelize.CellTypeUnset},
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

// The workbook is covered by the manifest like every other file.
func TestAnAlteredWorkbookIsFound(t *testing.T) {
	file := packed(t, "Invented Ducts")
	names, parts := members(t, file)
	parts[inside+"view/summary.xlsx"][100] ^= 1
	altered := zipped(t, names, parts)
	if r := verified(t, altered); r.Holds || !strings.Contains(r.Text(), "FAIL digests: view/summary.xlsx") {
		t.Error(r.Text())
	}
	if says := byScript(t, altered)[0]; !strings.HasPrefix(says, "differs") || !strings.Contains(says, "view/summary.xlsx: another SHA-256") {
		t.Error(says)
	}
}

// Every figure of README.txt, altered while all digests are right, is found by
// both verifiers.
func TestAlteredFiguresOfReadmeAreFound(t *testing.T) {
	file := packed(t, "Invented Ducts")
	var files [][]byte
	for _, c := range []struct{ from, to, says string }{
		{"    Payable: 9999999999999.96 US dollars (", "    Payable: 9999999999999.69 US dollars (", "Payable: 9999999999999.69 US dollars"},
		{"Payable: 9999999999999.96", "Payable: 99999999999999.6", "Payable: 99999999999999.6"},
		{"Payable: 9999999999999.96 US dollars", "Payable: 9999999999999.96 US cents", "US cents"},
		{"    Payable:", "    Paid:", "Paid:"},
		{"Corrected: -4 US cents", "Corrected: 4 US cents", "Corrected: 4"},
		{"123456789012345.67", "123456789012345.68", "Huge"},
		{"(reconciliation.csv, huge, cumulative)", "(reconciliation.csv, huge, new)", "README.txt"},
		{"(reconciliation.csv, huge, cumulative)", "(reconciliation.csv, nothing, cumulative)", "README.txt"},
		{"Contractors, 1 rows", "Contractors, 2 rows", "data/contractors.csv has 1 rows"},
		{"entry 4711 of", "entry 4712 of", "the entry of the ledger"},
		{", revision 2.", ", revision 3.", "revision it is"},
		{" 0 cells have one.", " 1 cells have one.", "apostrophe"},
	} {
		altered := forged(t, file, func(readme string) string {
			if !strings.Contains(readme, c.from) {
				t.Fatalf("README.txt has no %q:\n%s", c.from, readme)
			}
			return strings.Replace(readme, c.from, c.to, 1)
		})
		if r := verified(t, altered); r.Holds || !strings.Contains(r.Text(), "FAIL readme: README.txt") || !strings.Contains(r.Text(), c.says) {
			t.Errorf("%s: %s", c.to, r.Text())
		}
		files = append(files, altered)
	}
	files = append(files, forged(t, file, func(readme string) string { return readme }))
	for i, says := range byScript(t, files...) {
		if i == len(files)-1 {
			if !strings.HasPrefix(says, "holds") {
				t.Errorf("unaltered, by the script: %s", says)
			}
		} else if !strings.HasPrefix(says, "differs") || !strings.Contains(says, "README.txt") {
			t.Errorf("%d, by the script: %s", i, says)
		}
	}
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
