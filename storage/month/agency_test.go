package month_test

import (
	"archive/zip"
	"bytes"
	"context"
	"ductledger/domain"
	"ductledger/domain/pack"
	monthdb "ductledger/storage/month"
	"ductledger/storage/storagetest"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// agency is a program whose packages a test builds and reads.
type agency struct {
	*storagetest.Agency
	t *testing.T
}

func newAgency(t *testing.T, start time.Time, change ...func(*domain.RuleSet)) *agency {
	t.Helper()
	return &agency{storagetest.NewAgency(t, start, change...), t}
}

// built is a package with what a reader of the file finds in it.
type built struct {
	monthdb.Package
	bytes  []byte
	tables map[string][]map[string]string
}

func (a *agency) build(m domain.Month, position int64) *built { return a.buildOf(m, "", position) }

func (a *agency) buildOf(m domain.Month, fund string, position int64) *built {
	a.t.Helper()
	p, _, err := monthdb.BuildNow(context.Background(), a.DB, a.Staff, m, fund, position, monthdb.Options{BuildID: "test"})
	if err != nil {
		a.t.Fatalf("%s: %v", m, err)
	}
	return a.read(p)
}

func (a *agency) read(p monthdb.Package) *built {
	a.t.Helper()
	b := &built{Package: p, bytes: make([]byte, p.Bytes)}
	if _, err := monthdb.OpenFile(context.Background(), a.DB, a.Staff, &p).ReadAt(b.bytes, 0); err != nil {
		a.t.Fatal(err)
	}
	b.tables = tablesIn(a.t, b.bytes)
	return b
}

// tablesIn reads the CSV files of a package, as a stranger would.
func tablesIn(t *testing.T, file []byte) map[string][]map[string]string {
	t.Helper()
	tables := map[string][]map[string]string{}
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range z.File {
		name, isTable := strings.CutSuffix(filepath.Base(f.Name), ".csv")
		if !isTable {
			continue
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		lines, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff")))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range lines[1:] {
			row := map[string]string{}
			for i, cell := range line {
				row[lines[0][i]] = cell
			}
			tables[name] = append(tables[name], row)
		}
	}
	return tables
}

// line is a row of the reconciliation, in the order of the equation.
func (b *built) line(measure string) string {
	for _, row := range b.tables["reconciliation"] {
		if row["measure"] == measure {
			return strings.Join([]string{row["previous_cumulative"], row["new"], row["late"], row["corrections_net"], row["voided"], row["cumulative"]}, " ")
		}
	}
	return "none"
}

func (b *built) excluded(reason string) string {
	for _, row := range b.tables["reconciliation"] {
		if row["measure"] == reason {
			return row["excluded_count"]
		}
	}
	return ""
}

// events counts the lines of corrections.csv by month, event and field.
func (b *built) events() string {
	count := map[string]int{}
	for _, row := range b.tables["corrections"] {
		count[row["original_month"]+" "+row["event"]+" "+row["field"]]++
	}
	var out []string
	for _, name := range slices.Sorted(maps.Keys(count)) {
		out = append(out, fmt.Sprintf("%s ×%d", name, count[name]))
	}
	return strings.Join(out, "\n")
}

// verify holds a package, and its beginning, with nothing but files.
func (b *built) verify(t *testing.T, before *built) {
	t.Helper()
	o := pack.VerifyOptions{}
	if before != nil {
		o.Previous, o.PreviousSize = bytes.NewReader(before.bytes), before.Bytes
	}
	report, err := pack.Verify(bytes.NewReader(b.bytes), b.Bytes, o)
	if err != nil || !report.Holds {
		t.Errorf("%s: %v\n%s", b.FileName, err, report.Text())
	}
}
