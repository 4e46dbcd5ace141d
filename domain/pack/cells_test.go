package pack_test

import (
	"bytes"
	"fmt"
	"math/big"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"ductledger/domain/pack"
)

// Characters that spreadsheets and CSV readers stumble over.
var awkward = rapid.StringOfN(rapid.OneOf(
	rapid.RuneFrom([]rune("=+-@'\t\r\n\x00\",; aé＝＋－＠\u00a0\u2028\ufeff")), rapid.Rune(),
), 0, 12, -1)

func TestGuardIsUndoneExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := awkward.Draw(t, "text")
		cell := pack.Guard(text)
		if pack.Unguard(cell) != text {
			t.Fatalf("%q → %q → %q", text, cell, pack.Unguard(cell))
		}
		if strings.HasPrefix(cell, "''") {
			return
		}
		if first, _ := utf8.DecodeRuneInString(cell); strings.ContainsRune("=+-@\t\r\n\x00＝＋－＠", first) && cell != "" {
			t.Fatalf("%q begins like a formula", cell)
		}
	})
}

func FuzzGuard(f *testing.F) {
	for _, s := range []string{"", "=1", "'=1", "''", "＝1", "plain", "\x00", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if got := pack.Unguard(pack.Guard(text)); got != text {
			t.Errorf("%q came back as %q", text, got)
		}
	})
}

// Each character of the rule, and what is left alone.
func TestGuard(t *testing.T) {
	for _, c := range []struct{ text, cell string }{
		{"=1+1", "'=1+1"}, {"+1", "'+1"}, {"-1", "'-1"}, {"@x", "'@x"}, {"\tx", "'\tx"}, {"\rx", "'\rx"}, {"\nx", "'\nx"}, {"\x00x", "'\x00x"},
		{"＝1", "'＝1"}, {"＋1", "'＋1"}, {"－1", "'－1"}, {"＠x", "'＠x"}, {"'x", "''x"}, {"'", "''"},
		{"", ""}, {"x=1", "x=1"}, {" =1", " =1"}, {"é", "é"}, {"１", "１"},
	} {
		if got := pack.Guard(c.text); got != c.cell {
			t.Errorf("%q: %q, want %q", c.text, got, c.cell)
		}
	}
}

// Whatever a text holds, the package holds, and the text comes back as it was
// given but on one line.
func TestTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		texts := rapid.SliceOfN(awkward, 1, 6).Draw(t, "texts")
		rows := make([][]string, len(texts))
		for i, s := range texts {
			rows[i] = []string{fmt.Sprintf("C%d", i), s}
		}
		file := written(t, rows)
		if r, err := pack.Verify(bytes.NewReader(file), int64(len(file)), pack.VerifyOptions{}); err != nil || !r.Holds {
			t.Fatalf("%v %s", err, r.Text())
		}
		i := 0
		err := pack.Read(bytes.NewReader(file), int64(len(file)), "contractors", []string{"name"}, func(cells []string) error {
			if want := strings.NewReplacer("\r\n", " ", "\r", " ", "\n", " ").Replace(texts[i]); cells[0] != want {
				t.Fatalf("%q came back as %q", texts[i], cells[0])
			}
			i++
			return nil
		})
		if err != nil || i != len(texts) {
			t.Fatalf("%d of %d rows, %v", i, len(texts), err)
		}
	})
}

// written makes a package of contractors and nothing else.
func written(t *rapid.T, rows [][]string) []byte {
	var out bytes.Buffer
	w, err := pack.NewWriter(&out, testHead(), testTables(), pack.WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"contractors", "jobs", "reconciliation"} {
		if i > 0 {
			rows = nil
		}
		s, _ := w.Table(name)
		for _, row := range rows {
			s.Row(row...)
		}
		s.Close()
	}
	if _, err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// What each type takes, cell by cell. Forms: RFC 3339 for times, the
// Gregorian calendar for dates, Table Schema for the rest.
func TestTypes(t *testing.T) {
	for _, c := range []struct {
		typ      pack.Type
		decimals int
		good     string
		bad      string
	}{
		{pack.Integer, 0, "0 7 -7 45000 999999999999999999", "+7 07 1.0 1e3 1,000 - 0x1 ١ 1000000000000000000"},
		{pack.Number, 1, "0 0.3 -0.5 120.7 120 99999999999999999.9", "120.75 .5 5. 1e3 NaN Inf -.5 00.5 1_0 100000000000000000.5"},
		{pack.Boolean, 0, "true false", "TRUE True yes 1 0"},
		{pack.Date, 0, "2026-10-31 2024-02-29 2000-02-29", "2026-02-29 2100-02-29 2026-13-01 2026-00-01 2026-10-00 2026-04-31 26-10-31 2026/10/31 2026-1-01"},
		{pack.Month, 0, "2026-10 1999-01", "2026-13 2026-00 2026 2026-1 202610"},
		{pack.DateTime, 0, "2026-10-31T14:05:00Z 2026-10-31T14:05:00.123456Z 2026-10-31T14:05:00-05:00 2026-12-31T23:59:60Z",
			"2026-10-31 2026-10-31T14:05:00 2026-10-31t14:05:00Z 2026-10-31T24:00:00Z 2026-10-31T14:60:00Z 2026-10-31T14:05:00.Z 2026-10-31T14:05:00-0500 2026-10-31T14:05:00-25:00 2026-02-30T14:05:00Z"},
		{pack.ID, 0, "J1 job-0192a4be-7b1c-7c3d-8e4f-000000000001 march MARCHES1 a.b:c_d", "1E5 00123 MAR1 mar-1 SEPT2026 december.5 TRUE false J;1 é J+1 _x -x"},
		{pack.Code, 0, "must_fix completed", "=x 7x dec31"},
	} {
		for i, cells := range []string{c.good, c.bad} {
			for _, cell := range strings.Fields(cells) {
				table := pack.Table{
					Name: "things", PrimaryKey: []string{"value"},
					Columns: []pack.Column{{Name: "value", Type: c.typ, Decimals: c.decimals, Description: "A value", Example: cell}},
				}
				if err := pack.CheckTables([]pack.Table{table}); (err == nil) != (i == 0) {
					t.Errorf("%s %q: %v", c.typ, cell, err)
				}
			}
		}
	}
}

// Scaled against exact rationals.
func TestScaled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Int64().Draw(t, "v")
		decimals := rapid.IntRange(0, 9).Draw(t, "decimals")
		unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)
		want := new(big.Rat).SetFrac(big.NewInt(v), unit).FloatString(decimals)
		if got := pack.Scaled(v, decimals); got != want {
			t.Fatalf("%d with %d decimals: %s, want %s", v, decimals, got, want)
		}
	})
}

// A sum beyond 64 bits is still exact: forty times 999,999,999,999,999,999 is
// refused as a control total of more than 18 digits, and one with its negative
// cancels.
func TestSumsAreExact(t *testing.T) {
	c := small()
	c.jobs = nil
	for i := range 40 {
		paid := "999999999999999999"
		if i >= 20 {
			paid = "-999999999999999999"
		}
		c.jobs = append(c.jobs, []string{fmt.Sprintf("J%d", i), "C1", "", "", "", "", paid, "", "", ""})
	}
	c.jobs[39][6] = "-999999999999999998"
	file, _ := c.write(t)
	_, _, members := unzip(t, file)
	if !bytes.Contains(members["data/control.csv"], []byte("jobs.csv,paid_cents,40,40,1,,")) {
		t.Errorf("control.csv:\n%s", members["data/control.csv"])
	}
}

// What CheckTables finds wrong with a description.
func TestCheckTables(t *testing.T) {
	good := func() pack.Table { return testTables()[0] }
	for _, c := range []struct {
		name   string
		change func(*pack.Table)
		says   string
	}{
		{"table name", func(t *pack.Table) { t.Name = "Jobs" }, "not lower-case"},
		{"reserved", func(t *pack.Table) { t.Name = "control" }, "taken"},
		{"no key", func(t *pack.Table) { t.PrimaryKey = nil }, "no primary key"},
		{"key elsewhere", func(t *pack.Table) { t.PrimaryKey = []string{"x"} }, `no column "x"`},
		{"column twice", func(t *pack.Table) { t.Columns[1].Name = "contractor_id" }, "stands twice"},
		{"type", func(t *pack.Table) { t.Columns[1].Type = "float" }, "unknown type"},
		{"decimals", func(t *pack.Table) { t.Columns[1].Decimals = 2 }, "another type none"},
		{"bound", func(t *pack.Table) { t.Columns[1].Constraints.Minimum = "3" }, "bounds no column"},
		{"example", func(t *pack.Table) { t.Columns[0].Example = "1E5" }, "example"},
		{"description", func(t *pack.Table) { t.Columns[0].Description = "" }, "no description"},
		{"foreign table", func(t *pack.Table) {
			t.ForeignKeys = []pack.ForeignKey{{Columns: []string{"name"}, Table: "homes"}}
		}, `no table "homes"`},
		{"empty value listed", func(t *pack.Table) { t.Columns[1].Constraints.Enum = []string{""} }, "is empty"},
	} {
		table := good()
		c.change(&table)
		if err := pack.CheckTables([]pack.Table{table}); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
	}
}
